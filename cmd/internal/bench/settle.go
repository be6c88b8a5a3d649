package bench

import (
	"context"
	"time"

	"linehand/cmd/internal/station"
	"linehand/script/engine"
)

// concluded settles a run that is over: it has ended, or the bench is being
// stopped in the middle of it.
func (l *line) concluded(r *run, j Job, res station.Result, err error, lost bool) {
	d := l.d
	d.mu.Lock()
	byPerson := r.stopped.Name != ""
	l.run = nil
	d.mu.Unlock()
	e := Ending{Code: string(res.Ending.How), Sentence: d.cfg.Mask.Text(res.Ending.Sentence), Next: d.cfg.Mask.Text(res.Ending.Next), At: time.Now()}
	switch {
	case err != nil: // nothing was sent
		r.work.Leave()
		l.set(func(s *Line) {
			s.State, s.Person, s.Why, s.Hold = Matched, true, d.cfg.Mask.Text(err.Error()), nil
			l.retry = time.Now().Add(retryPlay)
		})
		return
	case res.Ending.How == engine.Stopped && !byPerson:
		r.work.Leave() // it goes on when the bench does, or when the unit is ours again
		l.set(func(s *Line) {
			s.State, s.Person, s.Why, s.Hold = Matched, lost, "the run goes on when the bench does", nil
			l.resume = j.Unit.Name
			if lost {
				s.Why = "the unit is not this bench's any more: its lease was lost"
				l.retry = time.Now().Add(retryPlay)
			}
		})
		return
	}
	d.settle(j.Unit.Name, e, r.work)
	l.set(func(s *Line) {
		s.State, s.Person, s.Hold, s.Ending, s.TakenBy = Finished, true, nil, &e, ""
		s.Why = e.Sentence
	})
	d.mu.Lock()
	d.tell(Change{What: "records"})
	d.mu.Unlock()
}

// settle has the ending of a run on disk, here and with the orders.
func (d *Daemon) settle(unit string, e Ending, work Work) {
	var record string
	err := d.notes.change(func(s *saved) {
		n := s.Runs[unit]
		n.Ending, record = &e, n.Record
		s.Runs[unit] = n
	})
	if err != nil {
		d.cfg.Log.Error().Err(err).Str("unit", unit).Msg("the ending of a run could not be noted")
	}
	ctx, cancel := context.WithTimeout(context.Background(), settleWithin)
	defer cancel()
	o, err := work.Finish(ctx, e, good(e.Code), record)
	if err != nil {
		d.cfg.Log.Error().Err(err).Str("unit", unit).Msg("the ending of an order could not be noted; it is tried again")
		return
	}
	d.heardOf(o)
	d.settled(unit, e)
}

// settled notes that the order of a run holds its ending.
func (d *Daemon) settled(unit string, e Ending) {
	err := d.notes.change(func(s *saved) {
		n := s.Runs[unit]
		n.Ending, n.Settled = &e, true
		s.Runs[unit] = n
	})
	if err != nil {
		d.cfg.Log.Error().Err(err).Str("unit", unit).Msg("the ending of a run could not be noted")
	}
}

// How long the store of orders may take to keep a record and note an ending,
// and when it is told again. The firm's servers take up to about 10 s to
// choose a leader after the loss of one, for each of the two.
const (
	settleWithin = 50 * time.Second
	settleEvery  = 30 * time.Second
)

// recover settles what the bench was cut off in: runs whose record has an
// ending are over, those whose orders were not told of it are told.
func (d *Daemon) recover(ctx context.Context) {
	for unit, n := range d.unsettled() {
		d.cfg.Seal(n.Record) // what there is of it; a run that goes on does so in a record of its own
		e := n.Ending
		if e == nil {
			e = d.endingOf(n)
		}
		if e != nil {
			d.settleAnew(ctx, unit, n, *e)
		}
	}
}

// unsettled are the runs whose orders hold no ending yet.
func (d *Daemon) unsettled() map[string]runNote {
	out := map[string]runNote{}
	d.notes.read(func(s *saved) {
		for unit, n := range s.Runs {
			if !n.Settled {
				out[unit] = n
			}
		}
	})
	return out
}

func (d *Daemon) settleAnew(ctx context.Context, unit string, n runNote, e Ending) {
	d.mu.Lock()
	o := d.work[unit]
	d.mu.Unlock()
	if o.ID == n.Order && o.State.over() {
		d.settled(unit, e) // the bench was cut off right after the order was told
		return
	}
	work, err := d.orders.Begin(ctx, n.Order, n.Line, n.Serial)
	if err != nil {
		d.cfg.Log.Warn().Err(err).Str("unit", unit).Msg("a run that is over could not be settled")
		return
	}
	d.settle(unit, e, work)
}

// settleLater settles runs whose orders could not be told of their ending,
// as when the store could not be reached.
func (d *Daemon) settleLater(ctx context.Context) {
	tick := time.NewTicker(settleEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		for unit, n := range d.unsettled() {
			d.mu.Lock()
			busy := d.playing[unit] != nil
			d.mu.Unlock()
			if n.Ending != nil && !busy {
				d.settleAnew(ctx, unit, n, *n.Ending)
			}
		}
	}
}

// endingOf is the ending that the record of a cut run holds; nil: the run is
// to go on. One that ended because the bench was stopped goes on.
func (d *Daemon) endingOf(n runNote) *Ending {
	if n.Record == "" {
		return nil
	}
	cut, err := station.ReadCut(n.Record, d.secrets)
	if err != nil || cut.Ending == nil {
		return nil
	}
	if cut.Ending.Code == string(engine.Stopped) && n.Stop == "" {
		return nil
	}
	return &Ending{Code: cut.Ending.Code, Sentence: cut.Ending.Text, Next: cut.Ending.Next, At: cut.Ending.Wall}
}
