package visit

import (
	"context"

	"linehand/script/player"
)

// Person is whoever stands at the unit. Its methods may be called by several
// visits at once; it takes them one after the other.
type Person interface {
	player.Desk
	// Sit has the person to itself for a list of questions, until done is
	// called. A hold of another visit may come between two of them.
	Sit(ctx context.Context, part string) (done func(), err error)
	// Step puts one step before the person.
	Step(ctx context.Context, s Shown) (Answer, error)
	// List shows steps all at once, and returns an answer for each.
	List(ctx context.Context, part string, steps []Step) ([]Answer, error)
	// Count asks whether the ticks of an earlier record count.
	Count(ctx context.Context, e *Earlier, ticked int) (bool, error)
	// Point asks who closes an open point, and by when, as 2006-01-02.
	Point(ctx context.Context, p Point) (by, when string, err error)
	// Sign asks for the initials that sign the visit off; "": not signed.
	Sign(ctx context.Context, s Summary) (initials string, err error)
}

// Step is something for the person's hands.
type Step struct {
	Name      string
	Do        string
	Caution   string // "" where none is due
	Source    string // of the caution: a standard's name, or "common practice, no source"
	Picture   string // text, of several lines
	Good      string // what good looks like
	Otherwise string // what to do when it differs
	MustShow  string // what a page of the unit must show at the end
	Required  bool   // a hold point: the visit does not go on without it
	Values    []Value
	Place     string // FILE:LINE of the step
}

// Value is an exact value for the unit's own page, in page order.
type Value struct {
	Label, Value string
	Secret       bool // Value is only the name of a secret, in words
}

// Shown is a step as it is put before the person.
type Shown struct {
	Step
	Part   string
	No, Of int
}

// Answer is what became of a step.
type Answer struct {
	State string // transcript.Ticked, PassedBy, NotGood or Shown; Back
	By    string // initials
	Note  string
}

// Back takes the person one step back.
const Back = "back"

// Point is something that is left open.
type Point struct {
	Name string // short, such as "e3 of deep-1"
	Code string // a word for machines
	Text string // what is open, one sentence
}

// Summary is what a person signs.
type Summary struct {
	Sentence string
	Points   []Point
}

// GoOn releases a hold of a visit: the person takes it on themselves, and it
// is on the punch list.
const GoOn player.Choice = "go-on"
