package bench

import (
	"context"
	"time"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/player"
)

// line is one line of the bench, with the goroutine that listens and plays
// on it.
type line struct {
	d       *Daemon
	id      string
	address string
	view    *view
	look    chan struct{} // holds a token when something has changed
	knocked chan struct{} // holds a token when a person asks who is there
	tried   int           // which of the site's settings is listened at

	// guarded by Daemon.mu
	shown   Line
	plugged bool
	rest    bool
	matched string    // unit that a person says it is
	retry   time.Time // a run could not begin: not before this time
	run     *run      // nil: none
	resume  string    // unit whose run was cut off on this line
	asked   time.Time // until when it is waited for who is there, before that
	spoke   []string  // kinds whose dialogue reads the serial number that was said
}

func newLine(d *Daemon, id, address string, plugged bool) *line {
	l := &line{d: d, id: id, address: address, plugged: plugged, view: newView(d.cfg.Mask.Text),
		look: make(chan struct{}, 1), knocked: make(chan struct{}, 1),
		shown: Line{ID: id, State: Absent, Since: time.Now(), Why: "it is not plugged in"}}
	d.notes.read(func(s *saved) {
		note := s.Lines[id]
		l.rest, l.shown.Label = note.Rest, note.Label
		if note.Here != "" || d.cut {
			l.knocked <- struct{}{} // is it still there? Was one just starting?
		}
		for unit, r := range s.Runs {
			if r.Line == id && r.Ending == nil {
				l.resume, l.asked = unit, time.Now().Add(askBefore)
			}
		}
		if l.resume != "" {
			return
		}
		if r, ok := s.Runs[note.Unit]; ok && r.Line == id && r.Ending != nil {
			l.shown.Unit, l.shown.Serial, l.shown.Ending, l.shown.Record = note.Unit, r.Serial, r.Ending, recordName(r.Record)
		}
	})
	return l
}

// stir has the line look again at what may have changed.
func (l *line) stir() {
	select {
	case l.look <- struct{}{}:
	default:
	}
}

// copy is the line for others; called with the lock held.
func (l *line) copy() Line {
	c := l.shown
	if c.Hold != nil {
		h := *c.Hold
		c.Hold = &h
	}
	if c.Ending != nil {
		e := *c.Ending
		c.Ending = &e
	}
	if l.run != nil && l.run.estimate > 0 {
		c.Left = max(1, (l.run.estimate - time.Since(c.Begun)).Seconds())
	}
	return c
}

// set changes what is shown of the line, and tells of it if it is other than
// before.
func (l *line) set(f func(*Line)) {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	l.setLocked(f)
}

func (l *line) setLocked(f func(*Line)) {
	before := l.shown
	f(&l.shown)
	if l.shown.State != before.State {
		l.shown.Since = time.Now()
	}
	if l.shown == before {
		return
	}
	c := l.copy()
	l.d.tell(Change{What: "line", Line: &c})
}

// say puts the line into a state.
func (l *line) say(state State, person bool, why string) {
	l.set(func(s *Line) { s.State, s.Person, s.Why = state, person, why })
}

// live is the line's life: listen, and play what may be played.
func (l *line) live(ctx context.Context) {
	for ctx.Err() == nil {
		l.d.mu.Lock()
		rest, plugged := l.rest, l.plugged
		l.d.mu.Unlock()
		switch {
		case rest:
			l.forget()
			l.say(Resting, false, "a person keeps it out of use")
			l.wait(ctx, 0)
		case !plugged:
			l.forget()
			l.say(Absent, false, "it is not plugged in")
			l.wait(ctx, 0)
		default:
			if j := l.next(); j != nil {
				l.play(ctx, *j)
				continue
			}
			l.listen(ctx)
		}
	}
}

// wait waits until something has changed, or for a while.
func (l *line) wait(ctx context.Context, most time.Duration) {
	var timer <-chan time.Time
	if most > 0 {
		timer = time.After(most)
	}
	select {
	case <-l.look:
	case <-timer:
	case <-ctx.Done():
	}
}

// forget forgets which unit is on the line: the cable was out.
func (l *line) forget() {
	l.here("")
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	l.matched = ""
	if l.resume == "" {
		l.setLocked(func(s *Line) {
			s.Unit, s.Kind, s.Serial, s.Order, s.Ending, s.Record, s.Stage, s.No, s.Of, s.Doing = "", "", "", "", nil, "", "", 0, 0, ""
		})
	}
}

// here notes which unit is on the line, so that it is asked for after a
// restart.
func (l *line) here(serial string) {
	var before string
	l.d.notes.read(func(s *saved) { before = s.Lines[l.id].Here })
	if before == serial {
		return
	}
	if err := l.d.noteLine(l.id, func(n *lineNote) { n.Here = serial }); err != nil {
		l.d.cfg.Log.Error().Err(err).Str("line", l.id).Msg("which unit is on a line could not be noted")
	}
}

// recognised takes in which unit is on the line. by are the kinds whose
// dialogue reads the serial number so.
func (l *line) recognised(serial string, by []string) {
	d := l.d
	d.mu.Lock()
	known := l.shown.Serial == serial && l.shown.State != Listening
	if l.shown.Serial != "" && l.shown.Serial != serial {
		l.matched = ""
	}
	d.mu.Unlock()
	if known {
		return
	}
	d.cfg.Log.Info().Str("line", l.id).Str("serial", serial).Msg("a unit has said its serial number")
	l.here(serial)
	l.identify(serial, by)
}

// identify finds which unit of the plan has said this serial number.
func (l *line) identify(serial string, by []string) {
	u := l.d.unitOf(serial)
	l.set(func(s *Line) {
		l.spoke = by
		s.Serial, s.Unit, s.Kind, s.Order, s.Ending, s.Record, s.Stage, s.No, s.Of, s.Doing = serial, "", "", "", nil, "", "", 0, 0, ""
	})
	switch {
	case u == nil:
		l.say(Unmatched, true, "no unit of the plan has serial number "+serial)
	case !contains(by, u.Kind):
		l.say(Unmatched, true, "serial number "+serial+" is planned for "+u.Name+", a "+u.Kind+", and this unit speaks like a "+by[0])
	default:
		l.place(u)
	}
}

func contains(list []string, s string) bool {
	for _, one := range list {
		if one == s {
			return true
		}
	}
	return false
}

// unitOf is the unit of a serial number, by the plan or by what a person has
// said.
func (d *Daemon) unitOf(serial string) *plan.Unit {
	if u := d.planned.Load().bySerial(serial); u != nil {
		return u
	}
	var name string
	d.notes.read(func(s *saved) { name = s.Matches[serial] })
	if name == "" {
		return nil
	}
	u, _, err := d.unit(name)
	if err != nil || u.Serial != "" && u.Serial != serial {
		return nil
	}
	return u
}

// place puts a unit of the plan onto the line: finished, when its order is,
// else matched.
func (l *line) place(u *plan.Unit) {
	last, over := l.d.over(u.Name)
	l.set(func(s *Line) {
		s.Unit, s.Kind = u.Name, u.Kind
		if over {
			s.State, s.Person, s.Ending, s.Record, s.Order = Finished, true, last.Ending, recordName(last.Record), last.Order
			s.Why = "it has been played; take the cable to the next unit"
			return
		}
		s.State, s.Why = Matched, "it is planned as "+u.Name
	})
}

// over tells whether a unit has been played and is not to be played again,
// and gives its latest run.
func (d *Daemon) over(unit string) (last runNote, over bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.overLocked(unit)
}

func (d *Daemon) overLocked(unit string) (last runNote, over bool) {
	d.notes.read(func(s *saved) { last = s.Runs[unit] })
	o := d.work[unit]
	if o.ID != "" && o.ID != last.Order {
		last = runNote{Order: o.ID, Ending: o.Ending, Line: o.Line} // on another bench, or to come
		return last, o.State.over()
	}
	again := last.Settled && !o.State.over() && o.ID != ""
	return last, last.Ending != nil && !again
}

// next is what may be played on the line now; nil: nothing, and the line
// says why.
func (l *line) next() *job {
	d := l.d
	d.mu.Lock()
	defer d.mu.Unlock()
	if time.Now().Before(l.retry) {
		return nil
	}
	if j, wait := l.resumed(); j != nil || wait {
		return j
	}
	if l.shown.State == Finished {
		if _, over := d.overLocked(l.shown.Unit); over || !d.work[l.shown.Unit].State.due() {
			return nil
		}
		l.setLocked(func(s *Line) { s.State, s.Ending, s.Record, s.Why = Matched, nil, "", "it is to be played again" })
	}
	if l.shown.State != Matched {
		return nil
	}
	unit := l.shown.Unit
	o := d.work[unit]
	if why, person := d.blocked(l, unit, o); why != "" {
		l.setLocked(func(s *Line) { s.Why, s.Person = why, person })
		return nil
	}
	return &job{unit: unit, order: o}
}

// askBefore is how long a unit whose run was cut off may take to say that it
// is still there. One that does not say is looked at all the same: it may be
// in the middle of a restart.
const askBefore = 8 * time.Second

// resumed is the run that was cut off on this line, unless another unit is on
// it by now, or it was brought up elsewhere. wait: that is not known yet.
// Called with the lock held.
func (l *line) resumed() (j *job, wait bool) {
	switch {
	case l.resume == "":
		return nil, false
	case l.d.work[l.resume].State.over(),
		l.shown.State == Unmatched && l.shown.Serial != "",
		(l.shown.State == Matched || l.shown.State == Finished) && l.shown.Unit != l.resume:
		l.resume = ""
		return nil, false
	case l.shown.State != Matched && time.Now().Before(l.asked):
		return nil, true
	}
	return &job{unit: l.resume, again: true}, false
}

// blocked says why a unit that is matched is not played yet; "": it may be.
func (d *Daemon) blocked(l *line, unit string, o Order) (why string, person bool) {
	if other := d.playing[unit]; other != nil && other != l {
		return unit + " is being played on another line, " + other.name() + ": is this its second controller?", true
	}
	if !o.State.due() && d.cfg.Allow != Always {
		return "it waits for a person to allow it", true
	}
	u, _, err := d.unit(unit)
	if err != nil {
		return err.Error(), true
	}
	if before := d.waitsFor(u); before != "" {
		return "it comes after " + before + " in its cluster, and waits until " + before + " is up", false
	}
	return "", false
}

// waitsFor is the unit that has to be up before u, as the plan has it; "":
// none. One that was played and is not up keeps only the cluster's start
// waiting: the others join what there is.
func (d *Daemon) waitsFor(u *plan.Unit) string {
	before := u.After()
	if before == "" || d.up(before) {
		return ""
	}
	c, _ := u.Values["cluster"].(script.ClusterValues)
	if starter := c.Members[0]; before != starter && d.up(starter) {
		if _, over := d.overLocked(before); over {
			return ""
		}
	}
	return before
}

// up tells whether a unit has been brought up, or serves by now; called with
// the lock held.
func (d *Daemon) up(unit string) bool {
	if d.work[unit].State == OrderDone {
		return true
	}
	var last runNote
	d.notes.read(func(s *saved) { last = s.Runs[unit] })
	return last.Serves || last.Ending != nil && good(last.Ending.Code)
}

// name is what people call the line.
func (l *line) name() string {
	if l.shown.Label != "" {
		return l.shown.Label
	}
	return l.id
}

// progress takes in how far a run is. It is called by the run.
func (l *line) progress(p player.Progress) {
	l.set(func(s *Line) {
		s.Part, s.Stage, s.No, s.Of, s.Doing = p.Part, p.Stage, p.No, p.Of, string(p.Doing)
		switch p.Doing {
		case player.Holding, player.Ended: // who is asked at the hold says more; the end is told with its ending
		case player.Taken:
			s.State, s.Person, s.Hold = Taken, false, nil // whoever took it over says who it is
		case player.Away:
			s.State, s.Person, s.Why, s.Hold = Playing, true, "the line is gone: put the cable or the adapter back", nil
		default:
			s.State, s.Person, s.Why, s.Hold = Playing, false, "", nil
			if p.Stage == "" {
				s.Why = p.Text // what a part of a visit waits for
			}
		}
	})
}
