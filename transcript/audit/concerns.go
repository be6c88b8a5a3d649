package audit

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"linehand/transcript"
)

// Jump is where the bench's clock was set while the run went on.
type Jump struct {
	Event int           `json:"event"` // the first after it
	At    time.Duration `json:"at_ns"`
	By    time.Duration `json:"by_ns"` // forward; back when less than 0
}

// Refusal is an answer that the unit would not have.
type Refusal struct {
	Event    int           `json:"event"`
	At       time.Duration `json:"at_ns"`
	Stage    string        `json:"stage,omitempty"`
	Exchange string        `json:"exchange,omitempty"`
	Words    string        `json:"words"`
}

// FactoryState is what a record shows of the secret that a unit leaves the
// factory with.
type FactoryState string

// The states.
const (
	FactoryReplaced FactoryState = "replaced"          // another was taken where it had been
	FactorySet      FactoryState = "set anew"          // another was set; nobody signed in with it
	FactoryRefused  FactoryState = "refused"           // the unit did not take it
	FactoryProved   FactoryState = "tried and refused" // by a proof, which tried it for that
	FactoryValid    FactoryState = "still valid"
)

// Factory is what the record shows of that secret. It is no proof about what
// happened before or after.
type Factory struct {
	Name  string       `json:"name"`
	State FactoryState `json:"state"`
	Event int          `json:"event"` // that shows it
	Text  string       `json:"text"`  // one sentence for people
}

// steady is how far two clocks may part within a run: what a clock that is
// kept by the network is slewed by, and more.
const steady = 2 * time.Second

// clock looks for jumps: between two events both clocks run on alike.
func (a *auditor) clock(e transcript.Event) {
	if e.Wall.IsZero() || a.r.Started.IsZero() || e.Kind == transcript.Heard || e.Kind == transcript.Sealed {
		return // bytes may stand behind events that came later, and a seal may be made long after the run
	}
	drift := e.Wall.Sub(a.r.Started) - e.At
	if by := drift - a.drift; a.begun && (by > steady || by < -steady) {
		a.r.Clock = append(a.r.Clock, Jump{Event: e.N, At: e.At, By: by})
	}
	a.drift, a.begun = drift, true
}

// refusal takes holds about a refusal, and notes of one that the dialogue
// allows for.
func (a *auditor) refusal(e transcript.Event) {
	r := Refusal{Event: e.N, At: e.At, Stage: show(e.Stage), Exchange: show(e.Exchange), Words: show(e.Text)}
	words, noted := strings.CutPrefix(r.Words, "refused: ")
	switch {
	case e.Kind == transcript.Note && noted:
		r.Words = words
		if r.Exchange == "" {
			r.Exchange = a.lastExchange(r.Stage)
		}
	case e.Kind == transcript.Hold && e.State == "raised" && e.Code == "refused":
	default:
		return
	}
	a.r.Refusals = append(a.r.Refusals, r)
}

// lastExchange is where something was typed last.
func (a *auditor) lastExchange(stage string) string {
	for i := len(a.r.Stages) - 1; i >= 0; i-- {
		if s := a.r.Stages[i]; len(s.Entries) > 0 && (stage == "" || s.Name == stage) {
			return s.Entries[len(s.Entries)-1].Exchange
		}
	}
	return ""
}

// secretIn is the name of the secret that was typed.
func secretIn(e transcript.Event) string {
	for _, part := range e.Data {
		if part.Secret != "" {
			return show(part.Secret)
		}
	}
	return ""
}

var joining = regexp.MustCompile(`(?i)join|cluster|member`)

// factory judges what became of the factory's secret.
func (a *auditor) factory() {
	var typed []Entry
	for _, s := range a.r.Stages {
		for _, e := range s.Entries {
			if e.name != "" {
				typed = append(typed, e)
			}
		}
	}
	at := make(map[string]bool) // prompts where the factory's was typed
	var f *Factory
	for i, e := range typed {
		refused := a.refusedAt(e)
		switch {
		case a.isFactory(e.name):
			at[e.Exchange] = true
			f = &Factory{Name: e.name, State: FactoryValid, Event: e.Event,
				Text: fmt.Sprintf("The factory secret %s was typed (event %d), and nothing in the record replaces it.", e.name, e.Event)}
			if refused != "" {
				f.State, f.Text = FactoryRefused, fmt.Sprintf("The unit did not take the factory secret %s (event %d): %s", e.name, e.Event, refused)
			}
		case f == nil:
		case at[e.Exchange] && refused == "":
			f.State, f.Event = FactoryReplaced, e.Event
			f.Text = fmt.Sprintf("The secret %s was taken (event %d) where the factory secret %s had been.", e.name, e.Event, f.Name)
			a.r.Factory = f
			return
		case f.State == FactoryValid && i > 0 && typed[i-1].name == e.name && !joining.MatchString(e.Exchange):
			f.State, f.Event = FactorySet, e.Event
			f.Text = fmt.Sprintf("The secret %s was set (event %d); that the factory secret %s is gone was not tried.", e.name, e.Event, f.Name)
		}
	}
	a.r.Factory = f
}

func (a *auditor) isFactory(name string) bool {
	if a.plan.Factory != "" {
		return name == a.plan.Factory
	}
	return strings.Contains(strings.ToLower(name), "factory")
}

// refusedAt is the unit's refusal of an entry: before anything else was
// entered.
func (a *auditor) refusedAt(e Entry) string {
	next := 0 // event of the entry after
	for _, s := range a.r.Stages {
		for _, x := range s.Entries {
			if x.Event > e.Event && (next == 0 || x.Event < next) {
				next = x.Event
			}
		}
	}
	for _, r := range a.r.Refusals {
		if r.Event > e.Event && (next == 0 || r.Event < next) {
			return r.Words
		}
	}
	return ""
}

// concerns writes what else somebody should know.
func (p *page) concerns(r Report) {
	widths := []int{5, 23, 66}
	if len(r.Refusals) > 0 {
		p.title("Refused by the unit")
		for _, x := range r.Refusals {
			p.row(widths, fmt.Sprint(x.Event), joined(x.Stage, x.Exchange), x.Words)
		}
	}
	if len(r.Clock) > 0 {
		p.title("The bench's clock was set while the run went on")
		for _, j := range r.Clock {
			p.row(widths, fmt.Sprint(j.Event), "after "+lasted(j.At), "by "+signed(j.By))
		}
	}
	if r.Factory != nil {
		p.title("Factory secret: %s", r.Factory.State)
		p.row(label, "", r.Factory.Text)
	}
}

func signed(d time.Duration) string {
	if d > 0 {
		return "+" + lasted(d)
	}
	return lasted(d)
}
