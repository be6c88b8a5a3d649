package audit

import (
	"cmp"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"linehand/transcript"
)

// Part is a part of a visit. A name that comes again is told apart by a
// number: "waiting", "waiting (2)".
type Part struct {
	Name  string        `json:"name"`
	State string        `json:"state"` // begun, over
	Event int           `json:"event"`
	At    time.Duration `json:"at_ns"`
	Took  time.Duration `json:"took_ns"`
	Code  string        `json:"code,omitempty"`
	Text  string        `json:"text,omitempty"`
	Next  string        `json:"next,omitempty"`
	Exit  int           `json:"exit"`

	kind string // the name as the record has it
}

// Step is a step by hand, as the last event of it in its part tells.
type Step struct {
	Part     string        `json:"part,omitempty"`
	Name     string        `json:"name"`
	State    string        `json:"state"` // shown, ticked, passed by, not good
	Required bool          `json:"required,omitempty"`
	Do       string        `json:"do,omitempty"`
	Good     string        `json:"good,omitempty"`    // what good looks like
	Caution  string        `json:"caution,omitempty"` // with its source
	Note     string        `json:"note,omitempty"`
	By       string        `json:"by,omitempty"` // initials
	Event    int           `json:"event"`
	At       time.Duration `json:"at_ns"`
}

// Look is a look over the network with the waiting that led up to it.
type Look struct {
	Part     string        `json:"part,omitempty"`
	Name     string        `json:"name"`
	Method   string        `json:"method,omitempty"`
	State    string        `json:"state"` // waiting, answers, silent, changed, free, in use, not looked at
	Expected string        `json:"expected,omitempty"`
	Got      string        `json:"got,omitempty"`    // the address, or a certificate's fingerprint
	Before   string        `json:"before,omitempty"` // the fingerprint at the look before, where it was another
	Text     string        `json:"text,omitempty"`
	Event    int           `json:"event"`
	At       time.Duration `json:"at_ns"`   // of its first event
	Took     time.Duration `json:"took_ns"` // until its last
	Counts   bool          `json:"counts"`  // no later look is at the same
}

// Point is a point that was left open, or that is closed now.
type Point struct {
	Event  int           `json:"event"`
	At     time.Duration `json:"at_ns"`
	Code   string        `json:"code,omitempty"`  // a word for machines
	Name   string        `json:"name,omitempty"`  // of the read-back, look or step that it is about
	Value  string        `json:"value,omitempty"` // place in the plan of what it is about
	Text   string        `json:"text"`
	By     string        `json:"by,omitempty"`  // who closes it, or has closed it
	Due    string        `json:"due,omitempty"` // by when, as 2006-01-02
	Closed bool          `json:"closed,omitempty"`
}

// Is tells whether the point is about the read-back, look or step of that
// name, or the place in the plan.
func (p Point) Is(name, value string) bool {
	return p.Value != "" && p.Value == value || p.Name != "" && p.Name == name
}

// SignOff is a person's word that the visit is done.
type SignOff struct {
	Event int           `json:"event"`
	At    time.Duration `json:"at_ns"`
	Wall  time.Time     `json:"wall"`
	By    string        `json:"by,omitempty"` // initials
	Text  string        `json:"text,omitempty"`
}

// About says what a sentence of Report.Because is about, for programs that
// know more of it. Kind is "readback", "look", "step", "entry" or "".
type About struct {
	Kind, Name, Value string
	Event             int
}

// visit takes the events that only visits have.
func (a *auditor) visit(e transcript.Event) {
	switch e.Kind {
	case transcript.Phase:
		a.phase(e)
	case transcript.Step:
		a.step(e)
	case transcript.Look:
		a.look(e)
	case transcript.Punch:
		a.r.Punch = append(a.r.Punch, Point{Event: e.N, At: e.At, Code: show(e.Code), Name: show(e.Name), Value: show(e.Value), Text: show(e.Text),
			By: show(e.By), Due: show(e.Next), Closed: e.State == transcript.Closed})
	case transcript.SignOff:
		a.r.SignOffs = append(a.r.SignOffs, SignOff{Event: e.N, At: e.At, Wall: e.Wall, By: show(e.By), Text: show(e.Text)})
	}
}

// phase begins a part, or ends it.
func (a *auditor) phase(e transcript.Event) {
	name := show(e.Name)
	if e.State != transcript.Over {
		label := name
		if n := a.times(name); n > 0 {
			label = fmt.Sprintf("%s (%d)", name, n+1)
		}
		a.r.Parts = append(a.r.Parts, Part{Name: label, State: show(e.State), Event: e.N, At: e.At, kind: name})
		a.in = len(a.r.Parts)
		return
	}
	i := a.in - 1
	if i < 0 || a.r.Parts[i].kind != name { // its beginning is not in the record
		a.r.Parts = append(a.r.Parts, Part{Name: name, Event: e.N, At: e.At, kind: name})
		i = len(a.r.Parts) - 1
	}
	p := &a.r.Parts[i]
	p.State, p.Took, p.Code, p.Text, p.Next, p.Exit = show(e.State), e.At-p.At, show(e.Code), show(e.Text), show(e.Next), e.Exit
	a.in = 0
}

func (a *auditor) times(name string) (n int) {
	for _, p := range a.r.Parts {
		if p.kind == name {
			n++
		}
	}
	return n
}

// part is the part that events belong to now; "" outside of parts.
func (a *auditor) part() string {
	if a.in == 0 {
		return ""
	}
	return a.r.Parts[a.in-1].Name
}

// step takes a step's event into what is known of the step.
func (a *auditor) step(e transcript.Event) {
	name := show(e.Name)
	i := slices.IndexFunc(a.r.Steps, func(s Step) bool { return s.Name == name && s.Part == a.part() })
	if i < 0 {
		i = len(a.r.Steps)
		a.r.Steps = append(a.r.Steps, Step{Part: a.part(), Name: name})
	}
	s := &a.r.Steps[i]
	s.State, s.Event, s.At = show(e.State), e.N, e.At
	s.Note, s.By = show(e.Got), show(e.By)
	if e.Code != "" {
		s.Required = e.Code == "required"
	}
	s.Do, s.Good, s.Caution = cmp.Or(show(e.Text), s.Do), cmp.Or(show(e.Want), s.Good), cmp.Or(show(e.Next), s.Caution)
}

// look takes a look's event: the end of the waiting before it, or a look of
// its own.
func (a *auditor) look(e transcript.Event) {
	l := Look{Part: a.part(), Name: show(e.Name), Method: show(e.Code), State: show(e.State), Expected: show(e.Want), Got: show(e.Got), Text: show(e.Text), Event: e.N, At: e.At}
	for i, before := range slices.Backward(a.r.Looks) {
		if !l.at(before) {
			continue
		}
		if before.Part == l.Part && (before.State == transcript.Waited || before.State == l.State && before.Got == l.Got) {
			l.At, l.Before = before.At, before.Before
			l.Expected = cmp.Or(l.Expected, before.Expected)
			l.Took = e.At - l.At
			a.r.Looks[i] = l
			a.fingerprint(i)
			return
		}
		break
	}
	a.r.Looks = append(a.r.Looks, l)
	a.fingerprint(len(a.r.Looks) - 1)
}

// at tells whether two looks are at the same. To see who has an address
// before it is given out is another look than whether it serves. A look that
// may not send ICMP connects by TCP: the two are one.
func (l Look) at(o Look) bool {
	return l.Name == o.Name && reached(l.Method) == reached(o.Method) && l.probes() == o.probes()
}

func reached(method string) string {
	if method = strings.ToLower(method); method == "icmp" {
		return "tcp"
	}
	return method
}

func (l Look) probes() bool { return l.State == transcript.Free || l.State == transcript.InUse }

// fingerprint compares a look's fingerprint with the one seen before,
// whatever the record says of it.
func (a *auditor) fingerprint(i int) {
	l := &a.r.Looks[i]
	if l.Got == "" || isAddress(l.Got) {
		return
	}
	for k := i - 1; k >= 0; k-- {
		if before := a.r.Looks[k]; l.at(before) && before.Got != "" && !isAddress(before.Got) {
			if before.Got != l.Got {
				l.Before = before.Got
			}
			return
		}
	}
}

func isAddress(s string) bool {
	if _, err := netip.ParseAddrPort(s); err == nil {
		return true
	}
	if _, err := netip.ParsePrefix(s); err == nil {
		return true
	}
	_, err := netip.ParseAddr(s)
	return err == nil
}

// left tells whether the record ended open and has what goes by a name among
// its points: then somebody has taken it on, and it is open.
func (a *auditor) left(name string) bool {
	return a.r.Ending != nil && a.r.Ending.Code == endedOpen &&
		slices.ContainsFunc(a.r.Punch, func(p Point) bool { return !p.Closed && p.Name == name })
}

// notDone names what differs or, where it is among the points of a record
// that ended open, what is open.
func (a *auditor) notDone(about About, format string, args ...any) {
	if !a.left(about.Name) {
		a.differsIn(about, format, args...)
		return
	}
	a.open, a.openAbout = append(a.open, fmt.Sprintf(format, args...)), append(a.openAbout, about)
}

// steps names the required steps that are not done.
func (a *auditor) steps() {
	for _, s := range a.r.Steps {
		if !s.Required || s.State == transcript.Ticked {
			continue
		}
		about := About{Kind: "step", Name: s.Name, Event: s.Event}
		switch s.State {
		case transcript.NotGood:
			a.notDone(about, "Event %d: the step “%s” is required, and was found not good%s.", s.Event, s.Name, prefixed(": ", strings.TrimSuffix(s.Note, ".")))
		case transcript.PassedBy:
			a.notDone(about, "Event %d: the step “%s” is required, and was passed by.", s.Event, s.Name)
		default:
			a.notDone(about, "Event %d: the step “%s” is required, and nobody has ticked it.", s.Event, s.Name)
		}
	}
}

// looks names what does not answer, what somebody else has, and what is other
// than it was at the look before.
func (a *auditor) looks() {
	for i := range a.r.Looks {
		l := &a.r.Looks[i]
		l.Counts = !slices.ContainsFunc(a.r.Looks[i+1:], l.at)
		about := About{Kind: "look", Name: l.Name, Event: l.Event}
		seen := prefixed(": ", strings.TrimSuffix(l.Text, "."))
		switch {
		case l.State == transcript.Changed || l.Before != "":
			a.differsIn(about, "Event %d: %s is other than at the look before%s%s.", l.Event, l.Name, now(*l), seen)
		case !l.Counts:
		case l.State == transcript.InUse && a.takenOn(*l):
		case l.State == transcript.InUse:
			a.differsIn(about, "Event %d: %s has somebody already who answers%s%s.", l.Event, l.Name, prefixed(" at ", l.Got), seen)
		case l.State == transcript.Silent && l.Method == "log":
			a.notDone(about, "Event %d: nothing is seen of %s%s.", l.Event, l.Name, seen)
		case l.State == transcript.Silent, l.State == transcript.Waited:
			a.notDone(about, "Event %d: %s does not answer%s%s.", l.Event, l.Name, prefixed(" by ", l.Method), seen)
		}
	}
}

// takenOn tells whether a person went on at the hold about an address that is
// in use: it may be the unit's own, from a run before.
func (a *auditor) takenOn(l Look) bool {
	for _, h := range a.r.Holds {
		if h.Event > l.Event && h.Part == l.Part && h.Code == "address-in-use" {
			return h.Released && strings.HasPrefix(h.Choice, "go-on")
		}
	}
	return false
}

// now is what a look saw, beside what the look before saw.
func now(l Look) string {
	switch {
	case l.Before != "":
		return fmt.Sprintf(" (it was %s, and is %s)", l.Before, orNone(l.Got))
	case l.Got != "":
		return fmt.Sprintf(" (it is %s)", l.Got)
	}
	return ""
}

// IsFactorySignIn tells whether a read-back by that name is about the sign-in
// that the unit left the factory with.
func IsFactorySignIn(name string) bool {
	return strings.Contains(strings.ToLower(name), "factory sign-in")
}

// signIn is what the proof shows of the factory's secret, which says more
// than what was typed.
func (a *auditor) signIn() {
	for _, b := range slices.Backward(a.r.ReadBacks) {
		if !b.Counts || !IsFactorySignIn(b.Name) || b.Got == "" { // without an answer nothing is shown
			continue
		}
		name := a.plan.Factory
		if a.r.Factory != nil {
			name = a.r.Factory.Name
		}
		f := &Factory{Name: name, State: FactoryProved, Event: b.Event, Text: fmt.Sprintf("The factory sign-in was tried (event %d), and the unit refused it.", b.Event)}
		if !b.Equal {
			f.State, f.Text = FactoryValid, fmt.Sprintf("The factory sign-in was tried (event %d), and the unit still lets it in.", b.Event)
		}
		a.r.Factory = f
		return
	}
}

// Left are the points that the record leaves open.
func (r Report) Left() (list []Point) {
	for _, p := range r.Punch {
		if !p.Closed {
			list = append(list, p)
		}
	}
	return list
}

// Good tells whether a part came to its end, be it with something that still
// runs.
func (p Part) Good() bool {
	return p.State == transcript.Over && (p.Exit == 0 || p.Code == endedOpen)
}

// Proof is the name of the last part that is a proof; "" for none.
func (r Report) Proof() string {
	for _, p := range slices.Backward(r.Parts) {
		if p.kind == transcript.ProofPart {
			return p.Name
		}
	}
	return ""
}
