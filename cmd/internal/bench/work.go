package bench

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/secret"
)

// Job is a unit that is to be played on a line.
type Job struct {
	Station *station.Station // as it would play the unit's dialogue
	Tour    *station.Tour    // the visit to play instead; nil: none. What the station says of Hands, Desk and the like counts for it
	Unit    *plan.Unit
	Order   Order
	Line    string // identity
	Again   bool   // an earlier run was cut off: the unit may be anywhere
}

// job is what a line has to do next.
type job struct {
	unit  string
	order Order
	again bool // a run on this line was cut off
}

// run is what goes on on a line.
type run struct {
	line     *line
	unit     *plan.Unit
	work     Work
	hands    *player.Hands
	cancel   context.CancelFunc
	estimate time.Duration
	far      sync.WaitGroup // what tells the store of orders about holds

	// guarded by Daemon.mu
	stopped Person // who has stopped it
	taken   bool   // somebody has, or is getting, the keyboard
}

func good(code string) bool { return engine.How(code).Good() }

func recordName(path string) string {
	if path == "" {
		return ""
	}
	return filepath.Base(path)
}

// notBegun says that a run could not begin, and what a person can do.
type notBegun struct {
	err    error
	person bool
}

func (e *notBegun) Error() string { return e.err.Error() }
func (e *notBegun) Unwrap() error { return e.err }

// play plays a unit on the line, from its order to its ending.
func (l *line) play(ctx context.Context, j job) {
	err := l.playJob(ctx, j)
	if err == nil || ctx.Err() != nil {
		return
	}
	var leased *LeasedError
	var nb *notBegun
	person := !errors.As(err, &leased) && (!errors.As(err, &nb) || nb.person)
	l.d.cfg.Log.Warn().Str("line", l.id).Str("unit", j.unit).Str("error", l.d.cfg.Mask.Text(err.Error())).Msg("a run could not begin")
	l.set(func(s *Line) {
		s.State, s.Person, s.Why = Matched, person, l.d.cfg.Mask.Text(err.Error())
		s.Unit = j.unit
		l.retry = time.Now().Add(retryPlay)
	})
	if j.again {
		l.wait(ctx, retryPlay) // there is no line to listen to meanwhile, or it is the unit's
	}
}

// retryPlay is how long a run that could not begin waits before it is tried
// again.
const retryPlay = 5 * time.Second

func (l *line) playJob(ctx context.Context, j job) error {
	d := l.d
	if err := l.claim(j.unit); err != nil {
		return err
	}
	defer d.letPlan(j.unit)
	defer l.release(j.unit)
	u, sheet, err := d.unit(j.unit) // from now on a profile that is read again leaves it as it is
	if err != nil {
		l.giveUp(j.unit)
		return err
	}
	order, last, err := d.orderOf(ctx, u, j)
	if err != nil {
		return err
	}
	s, err := l.station(ctx, sheet, u, last)
	if err != nil {
		return err
	}
	serial := l.copyOf().Serial
	if serial == "" {
		serial = u.Serial
	}
	var tour *station.Tour
	if d.visits(u, order.Task) {
		if tour, err = l.tour(ctx, s, order.Task, last); err != nil {
			s.Line.Close()
			return err
		}
	}
	work, err := d.orders.Begin(ctx, order.ID, l.id, serial)
	if err != nil {
		s.Line.Close()
		return err
	}
	l.perform(ctx, s, Job{Station: s, Tour: tour, Unit: u, Order: order, Line: l.id, Again: last.Order == order.ID}, work, serial)
	return nil
}

func (l *line) copyOf() Line {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	return l.copy()
}

// claim sees to it that a unit is played on one line only.
func (l *line) claim(unit string) error {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	if other := l.d.playing[unit]; other != nil {
		return &LeasedError{unit, "line " + other.name()}
	}
	l.d.playing[unit] = l
	return nil
}

func (l *line) release(unit string) {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	delete(l.d.playing, unit)
	for _, other := range l.d.lines {
		if other != l {
			other.stir() // one may have waited for this unit
		}
	}
}

// giveUp forgets a cut run of a unit that the plan does not have any more.
func (l *line) giveUp(unit string) {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	if l.resume == unit {
		l.resume = ""
	}
}

// orderOf is the order to play, which is filed where the site lets every unit
// be played, and the run of it that was cut off, if any.
func (d *Daemon) orderOf(ctx context.Context, u *plan.Unit, j job) (Order, runNote, error) {
	var last runNote
	d.notes.read(func(s *saved) { last = s.Runs[u.Name] })
	d.mu.Lock()
	order := d.work[u.Name]
	d.mu.Unlock()
	if last.Ending != nil {
		last = runNote{}
	}
	if order.State.due() {
		return order, last, nil
	}
	if j.again && last.Order != "" {
		order.ID, order.Unit = last.Order, u.Name
		return order, last, nil
	}
	order, err := d.orders.Allow(ctx, "the site", d.orderFor(u))
	if err == nil {
		d.heardOf(order)
	}
	return order, last, err
}

// orderFor is the order of a unit as it is known, or what a new one is made
// of; called without the lock.
func (d *Daemon) orderFor(u *plan.Unit) Order {
	d.mu.Lock()
	defer d.mu.Unlock()
	o := d.work[u.Name]
	o.Unit, o.Serial, o.Kind = u.Name, u.Serial, u.Kind
	return o
}

// station prepares the run: dialogue, secrets and the open line.
func (l *line) station(ctx context.Context, sheet *station.Sheet, u *plan.Unit, last runNote) (*station.Station, error) {
	d := l.d
	dialogue, _, err := sheet.Dialogue(u)
	if err != nil {
		return nil, err
	}
	secrets, known, err := d.fetch(sheet, u, dialogue)
	if err != nil {
		return nil, err
	}
	set := d.cfg.Tune(dialogue.Line.Settings)
	opened, err := l.open(ctx, set)
	if err != nil {
		return nil, &notBegun{err, true}
	}
	s := &station.Station{
		Sheet: sheet, Unit: u, Dialogue: dialogue, Secrets: secrets, Known: known, Mask: d.cfg.Mask,
		Line: opened, Reopen: func(ctx context.Context) (console.Line, error) { return l.open(ctx, set) },
		Tool: d.cfg.Tool, Mode: "bringup", Records: d.cfg.Records, Away: d.cfg.Away,
		Committer: d.cfg.Committer, Head: d.cfg.Head, Log: d.cfg.Log,
	}
	if opened.Info().Settings.Speed != 0 {
		s.Tune = l.open
	}
	if last.Record != "" {
		cut, err := station.ReadCut(last.Record, secrets)
		if err == nil {
			s.HalfTyped = cut.Standing
		}
	}
	return s, nil
}

func (l *line) open(ctx context.Context, set console.Settings) (console.Line, error) {
	if !l.ours() {
		return nil, errNotOurs
	}
	opened, err := l.d.cfg.Open(ctx, l.address, set, "linehand bench")
	if err != nil {
		return nil, err
	}
	return &guarded{Line: opened, line: l}, nil
}

// guarded is a line on which nothing is typed once the unit is no longer this
// bench's.
type guarded struct {
	console.Line
	line *line
}

func (g *guarded) Write(p []byte) (int, error) {
	if !g.line.ours() {
		return 0, fmt.Errorf("%w: %w", errNotOurs, console.ErrLost)
	}
	return g.Line.Write(p)
}

var errNotOurs = errors.New("the unit is no longer this bench's, and nothing is typed to it")

// ours tells whether the unit that is played on the line, if any, is still
// this bench's.
func (l *line) ours() bool {
	l.d.mu.Lock()
	r := l.run
	l.d.mu.Unlock()
	return r == nil || r.work.Valid(time.Now())
}

// fetch gets the secrets of a run; after a failure they are looked for
// afresh, for somebody may have put them right.
func (d *Daemon) fetch(sheet *station.Sheet, u *plan.Unit, dialogue *script.Dialogue) (*secret.Store, []string, error) {
	d.mu.Lock()
	secrets := d.secrets
	d.mu.Unlock()
	known, err := d.fetchNames(sheet, u, station.SecretsOf(u, dialogue))
	return secrets, known, err
}

func (d *Daemon) fetchNames(sheet *station.Sheet, u *plan.Unit, names []string) ([]string, error) {
	d.mu.Lock()
	secrets := d.secrets
	d.mu.Unlock()
	known, err := station.Fetch(u, names, sheet.Site.Secrets, secrets, d.cfg.Mask)
	if err != nil {
		fresh := d.planned.Load().secrets()
		d.mu.Lock()
		d.secrets = fresh
		d.mu.Unlock()
	}
	return known, err
}

// perform plays a job that nothing keeps from beginning any more.
func (l *line) perform(ctx context.Context, s *station.Station, j Job, work Work, serial string) {
	d := l.d
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	r := &run{line: l, unit: j.Unit, work: work, hands: player.NewLastingHands(), cancel: cancel, estimate: station.Estimate(d.cfg.Records, s.Dialogue.Name)}
	defer r.hands.End()
	s.Hands, s.Tell, s.Watch, s.Desk, s.Person = r.hands, r.heard, l.progress, seat{r}, j.Order.By
	s.Begun = func(record string) error { return r.begun(j, serial, record) }
	l.view.clear()
	l.set(func(sh *Line) {
		l.run, l.resume, l.retry = r, "", time.Time{}
		sh.State, sh.Person, sh.Why, sh.Unit, sh.Kind, sh.Order = Playing, false, "", j.Unit.Name, j.Unit.Kind, j.Order.ID
		sh.Ending, sh.Hold, sh.Begun = nil, nil, time.Now()
		if sh.Serial == "" {
			sh.Serial = serial
		}
	})
	var tasks sync.WaitGroup
	tasks.Go(func() { r.watchStop(ctx) })
	tasks.Go(func() {
		select {
		case <-work.Lost().Done():
			cancel()
		case <-ctx.Done():
		}
	})
	res, err := d.cfg.Play(ctx, j)
	lost := work.Lost().Err() != nil
	cancel()
	tasks.Wait()
	r.far.Wait()
	d.cfg.Seal(res.Record)
	l.concluded(r, j, res, err, lost)
}

// begun writes down which record the run goes into, before there is one and
// before anything is sent.
func (r *run) begun(j Job, serial, record string) error {
	d := r.line.d
	err := d.notes.change(func(s *saved) {
		last := s.Runs[j.Unit.Name]
		fresh := runNote{Order: j.Order.ID, Line: r.line.id, Serial: serial, Record: record, Begun: time.Now(), By: j.Order.By}
		if last.Ending == nil && last.Order == j.Order.ID {
			fresh.Serves = last.Serves
			fresh.Begun, fresh.Cut = last.Begun, append(last.Cut[:len(last.Cut):len(last.Cut)], recordName(last.Record))
		}
		s.Runs[j.Unit.Name] = fresh
		note := s.Lines[r.line.id]
		note.Unit = j.Unit.Name
		s.Lines[r.line.id] = note
	})
	if err == nil {
		r.line.set(func(s *Line) { s.Record = recordName(record) })
	}
	return err
}

// watchStop stops the run when a person stops its order elsewhere.
func (r *run) watchStop(ctx context.Context) {
	by, err := r.work.Stopped(ctx)
	if err == nil && ctx.Err() == nil {
		if by.Name == "" {
			by.Name = "somebody"
		}
		_ = r.stop(by)
	}
}

// stop ends the run as stopped by a person.
func (r *run) stop(by Person) error {
	d := r.line.d
	err := d.notes.change(func(s *saved) {
		if n, ok := s.Runs[r.unit.Name]; ok && n.Ending == nil {
			n.Stop = by.Name
			s.Runs[r.unit.Name] = n
		}
	})
	if err != nil {
		return err
	}
	d.mu.Lock()
	r.stopped = by
	d.mu.Unlock()
	r.cancel()
	return nil
}
