package handover

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/transcript"
	"linehand/transcript/audit"
)

// The codes of the punch list.
const (
	CodeNoRecord  = "no-record"
	CodeRehearsal = "rehearsal"
	CodeAltered   = "altered"
	CodeDiffers   = "differs"
	CodeUnended   = "not-finished"
	CodeByHand    = "by-hand"
	CodeHold      = "hold"
	CodeUnseen    = "unseen"
	CodeUntouched = "not-entered"
	CodeUnread    = "not-read-back"
	CodeUnsealed  = "unsealed"
	CodeKey       = "key"
	CodeSerial    = "serial-twice"
	CodeFactory   = "factory-secret"
	CodeClock     = "clock"
	CodeStillRuns = "open"  // something still runs, such as a disk check
	CodePoint     = "point" // put down during the visit
	CodeStep      = "step"  // found not good
	CodeLook      = "look"  // could not be looked at
)

func (m *maker) open(u *unit, r *run, code, format string, args ...any) {
	o := Open{Code: code, What: fmt.Sprintf(format, args...)}
	if u != nil {
		o.Unit = u.plan.Name
	}
	if r != nil {
		o.Record = r.file
	}
	m.doc.Punch = append(m.doc.Punch, o)
}

func (m *maker) punch() {
	for i, u := range m.units {
		m.punchUnit(u, &m.doc.Units[i])
	}
	m.serials()
}

func (m *maker) punchUnit(u *unit, in *Installed) {
	last := u.last()
	switch {
	case last == nil && u.plan.Console:
		m.open(u, nil, CodeNoRecord, "The unit is planned, and no record of it is in the pack.")
	case last != nil && last.report.Mode == rehearsal:
		m.open(u, last, CodeRehearsal, "The record is of a rehearsal with a simulated unit: nothing is known of the unit itself.")
	}
	for _, r := range u.runs {
		m.punchRecord(u, r)
	}
	points := u.points()
	for _, p := range points {
		m.doc.Punch = append(m.doc.Punch, p.Open)
	}
	if last == nil {
		return
	}
	m.punchVerdict(u, last, points)
	for _, r := range u.tail() {
		m.punchRun(u, r)
	}
	m.lookedAt(u, points, in)
	m.unseen(u, u.tail()[0])
	m.values(u, last, in)
}

// lookedAt are steps that need not be done and were found not good, and looks
// that could not be made.
func (m *maker) lookedAt(u *unit, points []*point, in *Installed) {
	byFile := func(name string) *run {
		i := slices.IndexFunc(u.runs, func(r *run) bool { return r.file == name })
		return u.runs[i]
	}
	for _, s := range in.Steps {
		if s.State == transcript.NotGood && !s.Required && !covered(points, audit.About{Name: s.Name}) {
			note := ""
			if s.Note != "" {
				note = ": " + strings.TrimSuffix(s.Note, ".")
			}
			m.open(u, byFile(s.Record), CodeStep, "Event %d: the step “%s” was found not good%s.", s.Event, s.Name, note)
		}
	}
	for i, l := range in.Looks {
		later := slices.ContainsFunc(in.Looks[i+1:], func(o Look) bool { return o.Name == l.Name }) ||
			slices.ContainsFunc(in.Steps, func(s Step) bool { return s.Name == l.Name && s.State == transcript.Ticked }) // a person looked
		if l.State == transcript.Unseen && !later && !covered(points, audit.About{Name: l.Name}) {
			m.open(u, byFile(l.Record), CodeLook, "Event %d: %s could not be looked at from the bench: %s", l.Event, l.Name, l.Text)
		}
	}
}

// punchRecord is about a record as a file: whole, and sealed?
func (m *maker) punchRecord(u *unit, r *run) {
	if f := r.Fault; f != nil && f.Kind != transcript.FaultUnended {
		m.open(u, r, CodeAltered, "The record is not as it was written: line %d: %s.", f.Line, strings.TrimSuffix(clean(f.Text), "."))
		return
	}
	s := r.Seal
	switch {
	case s == nil || !s.Sealed && s.Outline.Seal == nil:
		m.open(u, r, CodeUnsealed, "The record is not sealed.")
	case !s.Sealed:
		m.open(u, r, CodeAltered, "The seal of the record is not right.")
	default:
		for _, f := range s.Findings {
			if !f.Remark {
				m.open(u, r, CodeKey, "%s.", upper(strings.TrimSuffix(clean(f.Text), ".")))
			}
		}
	}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// punchVerdict is about what the unit's last run came to. What a point stands
// for is not told twice.
func (m *maker) punchVerdict(u *unit, r *run, points []*point) {
	code := ""
	switch r.report.Verdict {
	case audit.Differs:
		code = CodeDiffers
	case audit.NotFinished:
		code = CodeUnended
	case audit.Open:
		code = CodeStillRuns
	case audit.Unplanned:
		m.open(u, r, CodeByHand, "The unit was set up by hand, and nothing was compared with the plan.")
	}
	if code == "" {
		return
	}
	open := slices.DeleteFunc(slices.Clone(points), func(p *point) bool { return p.Closed != nil })
	for i, because := range r.report.Because {
		about := r.report.About[i]
		if covered(open, about) || code == CodeStillRuns && about.Kind == "" && len(open) > 0 {
			continue
		}
		m.open(u, r, code, "%s", clean(because))
	}
}

// punchRun is about what somebody should look at in a run.
func (m *maker) punchRun(u *unit, r *run) {
	for _, h := range r.report.Holds {
		if !h.Released {
			m.open(u, r, CodeHold, "Event %d: a hold was not released: %s", h.Event, h.Reason)
		}
	}
	if f := r.report.Factory; f != nil && f.State == audit.FactoryValid && u.replaced() == nil {
		m.open(u, r, CodeFactory, "%s", f.Text)
	}
	for _, j := range r.report.Clock {
		m.open(u, r, CodeClock, "Event %d: the bench's clock was set by %s while the run went on.", j.Event, j.By.Round(100*time.Millisecond))
	}
	if n := len(r.report.ByHand); n > 0 && r.report.Verdict != audit.Unplanned {
		m.open(u, r, CodeByHand, "Event %d: a person typed into the unit, %s.", r.report.ByHand[0].Event, times(n))
	}
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// unseen are stages that no run has witnessed.
func (m *maker) unseen(u *unit, last *run) {
	for _, s := range last.report.Stages {
		if s.State != "unseen" {
			continue
		}
		done := false
		for _, r := range u.counting() {
			done = done || slices.ContainsFunc(r.report.Stages, func(o audit.Stage) bool {
				return o.Name == s.Name && (o.Part == s.Part || o.Part == "" || s.Part == "") && o.State == "done"
			})
		}
		if !done {
			name := s.Name
			if s.Part != "" {
				name += " of part " + s.Part
			}
			m.open(u, last, CodeUnseen, "Stage %s was not witnessed.", name)
		}
	}
}

// values are planned ones that never reached the unit, or were not read back.
func (m *maker) values(u *unit, last *run, in *Installed) {
	var unread []string
	for _, v := range in.Values {
		if v.Verdict == NotRead {
			unread = append(unread, v.Name)
		}
	}
	if len(unread) > 0 {
		m.open(u, last, CodeUnread, "Entered and not read back: %s.", strings.Join(unread, ", "))
	}
	var never []string
	for _, p := range u.plan.Ports {
		for _, key := range []string{"address", "address6"} {
			path := "ports." + p.Name + "." + key
			planned := u.plan.Planned[path]
			if planned != "" && !slices.ContainsFunc(in.Values, func(v Value) bool { return v.Path == path || v.Entered == planned }) && !mentions(u, planned) {
				never = append(never, fmt.Sprintf("%s %s", path, planned))
			}
		}
	}
	if len(never) > 0 {
		m.open(u, last, CodeUntouched, "Planned, and neither entered nor read back: %s.", strings.Join(never, ", "))
	}
}

// mentions tells whether a value stood as a word in anything that was typed.
func mentions(u *unit, value string) bool {
	for _, r := range u.counting() {
		for _, s := range r.report.Stages {
			for _, e := range s.Entries {
				for _, word := range strings.FieldsFunc(e.Entered, func(r rune) bool { return r == ' ' || r == '/' || r == ',' }) {
					if word == value {
						return true
					}
				}
			}
		}
	}
	return false
}

// serials finds chassis that two units claim.
func (m *maker) serials() {
	first := make(map[string]string)
	for i, in := range m.doc.Units {
		if in.SerialRead == "" {
			continue
		}
		if other, ok := first[in.SerialRead]; ok {
			m.open(m.units[i], m.units[i].last(), CodeSerial, "The chassis says serial number %s, as that of %s does.", in.SerialRead, other)
			continue
		}
		first[in.SerialRead] = in.Name
	}
}

// secretsTyped are the names of secrets that were typed in a run, and those
// that the record holds a commitment to.
func (r *run) secretsTyped() (names []string, bound map[string]bool) {
	bound = make(map[string]bool)
	for _, e := range r.Events {
		switch e.Kind {
		case transcript.Said:
			for _, part := range e.Data {
				if part.Secret != "" && !slices.Contains(names, part.Secret) {
					names = append(names, part.Secret)
				}
			}
		case transcript.Commitment:
			bound[e.Name] = true
		}
	}
	return names, bound
}
