package handover

import (
	"cmp"
	"slices"
	"time"

	"linehand/transcript"
	"linehand/transcript/audit"
)

// Closing is how a point of the punch list was closed.
type Closing struct {
	Record string    `json:"record"`
	Event  int       `json:"event"`
	At     time.Time `json:"at"`
	By     string    `json:"by,omitempty"` // initials, or who ran the record
	How    string    `json:"how"`          // one sentence
}

// point is a point with what it is about, which a later record may close.
type point struct {
	Open
	name, value string
	from        *run // that has it last
}

// points gathers what the unit's records leave open by name: what persons and
// visits put down, and what a visit found that a later proof looks at again.
func (u *unit) points() []*point {
	var list []*point
	runs, proved := u.counting(), u.tail()
	for _, r := range runs {
		if r.report.Verdict == audit.NotWhole {
			continue // nothing is closed by a record that was altered
		}
		for _, p := range r.report.Punch {
			list = u.put(list, r, p)
		}
		for _, p := range list {
			if p.Closed == nil && p.from != r {
				p.Closed = u.evidence(p, r)
			}
		}
		if r != u.last() && slices.Contains(proved, r) {
			list = append(list, u.found(list, r)...)
		}
	}
	return list
}

// put takes a point of a record into the list.
func (u *unit) put(list []*point, r *run, p audit.Point) []*point {
	i := slices.IndexFunc(list, func(o *point) bool {
		return o.What == p.Text || o.from != r && p.Is(o.name, o.value)
	})
	if i < 0 {
		i = len(list)
		list = append(list, &point{Open: Open{Unit: u.plan.Name, Code: CodePoint}})
	}
	o := list[i]
	if p.Closed {
		o.What = cmp.Or(o.What, p.Text)
		o.Record, o.Event = cmp.Or(o.Record, r.file), cmp.Or(o.Event, p.Event)
		if o.Closed = u.evidence(o, r); o.Closed == nil {
			o.Closed = &Closing{Record: r.file, Event: p.Event, At: r.wall(p.Event), By: cmp.Or(p.By, clean(r.Header.Person)), How: "It was said to be done."}
		}
		return list
	}
	o.Code, o.What, o.Record, o.Event, o.Closed, o.from = CodePoint, p.Text, r.file, p.Event, nil, r
	o.By, o.Due = cmp.Or(p.By, o.By), cmp.Or(p.Due, o.Due)
	o.name, o.value = p.Name, p.Value
	return list
}

// found are the findings of a run that a later proof may close, but for those
// that a point stands for already.
func (u *unit) found(list []*point, r *run) (more []*point) {
	code := CodeDiffers
	if r.report.Verdict == audit.Open {
		code = CodeStillRuns
	}
	for i, about := range r.report.About {
		if about.Kind == "" || about.Kind == "entry" || covered(list, about) {
			continue
		}
		more = append(more, &point{Open: Open{Unit: u.plan.Name, Code: code, What: clean(r.report.Because[i]), Record: r.file, Event: about.Event},
			name: about.Name, value: about.Value, from: r})
	}
	return more
}

// covered tells whether a point is about the same.
func covered(list []*point, about audit.About) bool {
	return slices.ContainsFunc(list, func(p *point) bool {
		return about.Value != "" && about.Value == p.value || about.Name != "" && about.Name == p.name
	})
}

// evidence is what in a record closes a point: the read-back, look or step
// that it is about is as planned. nil: nothing does.
func (u *unit) evidence(p *point, r *run) *Closing {
	event, by, how := r.readAsPlanned(p)
	for _, l := range r.report.Looks {
		if event == 0 && p.name != "" && l.Name == p.name && l.Counts && l.Before == "" && (l.State == transcript.Answers || l.State == transcript.Free) {
			event, how = l.Event, "A look saw: "+l.State+"."
		}
	}
	for _, s := range r.report.Steps {
		if event == 0 && p.name != "" && s.Name == p.name && s.State == transcript.Ticked {
			event, by, how = s.Event, s.By, "The step was ticked."
		}
	}
	if event == 0 {
		return nil
	}
	return &Closing{Record: r.file, Event: event, At: r.wall(event), By: cmp.Or(by, clean(r.Header.Person)), How: how}
}

// readAsPlanned is the read-back that a point is about; event is 0 where
// there is none, or one of them is not as planned.
func (r *run) readAsPlanned(p *point) (event int, by, how string) {
	for _, b := range r.report.ReadBacks {
		same := p.value != "" && b.Value == p.value || p.value == "" && p.name != "" && b.Name == p.name
		switch {
		case !same || !b.Counts:
		case !b.Equal || b.Open:
			return 0, "", ""
		default:
			event, how = b.Event, "It reads back as planned: "+cmp.Or(b.Got, "nothing")+"."
		}
	}
	return event, "", how
}

// arrange puts what is open before what is closed, and what is due first
// before the rest; else the order of the units stays.
func arrange(list []Open) {
	last := func(yes bool) int {
		if yes {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(list, func(a, b Open) int {
		return cmp.Or(last(a.Closed != nil)-last(b.Closed != nil), last(a.Due == "")-last(b.Due == ""), cmp.Compare(a.Due, b.Due))
	})
}
