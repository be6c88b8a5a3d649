// Package bench is the machine with the lines plugged in, and the daemon on
// it: it watches the lines, recognises the unit that wakes on one, finds its
// plan, and plays the dialogue once a person has allowed it.
//
// The types of this file are what the API, the pages and the commands see of
// it. They hold no secret: text that comes from a unit is masked before it
// gets here.
package bench

import (
	"context"
	"errors"
	"time"
)

// Line is a line of the bench, as it stands now.
type Line struct {
	ID      string    `json:"id"`               // stable identity of the adapter or address, whatever the port's number
	Label   string    `json:"label,omitempty"`  // what a person has called it, such as "cable 3"
	Device  string    `json:"device,omitempty"` // the port at present
	State   State     `json:"state"`
	Since   time.Time `json:"since"`            // when it came into this state
	Why     string    `json:"why,omitempty"`    // one sentence for people
	Person  bool      `json:"person"`           // a person is needed before it goes on
	Unit    string    `json:"unit,omitempty"`   // of the plan
	Kind    string    `json:"kind,omitempty"`   // of unit
	Serial  string    `json:"serial,omitempty"` // as the unit has said it
	Order   string    `json:"order,omitempty"`  // the work order that is played here
	Part    string    `json:"part,omitempty"`   // of the visit, see package visit
	Stage   string    `json:"stage,omitempty"`
	No      int       `json:"no,omitempty"` // of the stage, from 1
	Of      int       `json:"of,omitempty"`
	Doing   string    `json:"doing,omitempty"`
	Begun   time.Time `json:"begun,omitzero"` // when the run began
	Left    float64   `json:"left,omitempty"` // seconds that are likely to be left; 0: no estimate yet
	Hold    *Hold     `json:"hold,omitempty"`
	Ending  *Ending   `json:"ending,omitempty"`   // of the last run on it
	TakenBy string    `json:"taken_by,omitempty"` // who types on it at present
	Record  string    `json:"record,omitempty"`   // file name of the run's record
}

// State is what a line is doing.
type State string

// The states of a line.
const (
	Absent    State = "absent"    // known, and not plugged in
	Resting   State = "resting"   // plugged in, and kept out of use by a person
	Listening State = "listening" // waiting for a unit to speak
	Unmatched State = "unmatched" // a unit that no plan names; a person matches it
	Matched   State = "matched"   // the unit is planned, and waits to be allowed or for its turn
	Playing   State = "playing"
	Holding   State = "on hold"
	Taken     State = "taken over" // a person types
	Finished  State = "finished"   // the cable can go to the next unit
	Busy      State = "busy"       // another program has the port
)

// Hold is a hold on a line.
type Hold struct {
	ID      string    `json:"id"`
	Reason  string    `json:"reason"`
	Stage   string    `json:"stage,omitempty"`
	Screen  []string  `json:"screen,omitempty"` // rows, masked
	Hoped   []string  `json:"hoped,omitempty"`  // prompts that would have gone on
	Choices []string  `json:"choices"`          // as player.Choice
	Stages  []string  `json:"stages,omitempty"` // that a person may go to
	Raised  time.Time `json:"raised"`
}

// Release is a person's choice at a hold.
type Release struct {
	Choice string `json:"choice"`
	Stage  string `json:"stage,omitempty"`  // for another stage
	Text   string `json:"text,omitempty"`   // what to type by hand, with Enter at its end
	Secret bool   `json:"secret,omitempty"` // Text is a secret: it is typed and kept nowhere
}

// Ending is how a run ended.
type Ending struct {
	Code     string    `json:"code"` // as engine.How
	Sentence string    `json:"sentence"`
	Next     string    `json:"next,omitempty"`
	At       time.Time `json:"at"`
}

// Change tells that something is other than before.
type Change struct {
	Seq  uint64 `json:"seq"`            // grows by one with each change
	What string `json:"what"`           // "line", "orders", "records" or "bench"
	Line *Line  `json:"line,omitempty"` // as it is now
}

// Shown is a piece of what a line shows: first the whole screen, then the
// text as it comes. It is masked, and holds no control sequence.
type Shown struct {
	Screen []string `json:"screen"` // rows, from the top
	Row    int      `json:"row"`    // of the cursor, from 0
	Column int      `json:"column"`
}

// Keyboard is a line that a person has taken over. What is typed is recorded
// with the person's name before it is sent.
type Keyboard interface {
	Type(keys []byte) error
	Secret(text string) error // typed with Enter at its end, and recorded by the name "typed by hand" only
	GiveBack() error          // the run looks where the unit is, and goes on
}

// Person is who asks for something.
type Person struct {
	Name string
	Role string // see package access
}

// Bench is what the API, the pages and the commands need of the daemon.
// Every method that changes something is recorded with its person.
type Bench interface {
	Name() string
	Lines() []Line
	Line(id string) (Line, error)
	Watch(ctx context.Context) <-chan Change // never blocks the bench: who is too slow misses changes, and sees it by Seq
	Show(ctx context.Context, id string) (<-chan Shown, error)

	Label(ctx context.Context, by Person, id, label string) error
	Rest(ctx context.Context, by Person, id string, rest bool) error
	Knock(ctx context.Context, by Person, id string) error       // asks who is on the line, with keys that accept nothing
	Match(ctx context.Context, by Person, id, unit string) error // says which planned unit an unmatched one is
	Allow(ctx context.Context, by Person, units ...string) error // none: all that the plan has
	Release(ctx context.Context, by Person, hold string, r Release) error
	TakeOver(ctx context.Context, by Person, id string) (Keyboard, error)
	Stop(ctx context.Context, by Person, id string) error // the run ends as stopped, safely
	Again(ctx context.Context, by Person, unit string) error
}

// Errors of a Bench; others say what failed.
var (
	ErrNoLine   = errors.New("the bench has no such line")
	ErrNoUnit   = errors.New("the plan has no such unit")
	ErrNoHold   = errors.New("there is no such hold any more")
	ErrReleased = errors.New("the hold was released by somebody else")
	ErrTaken    = errors.New("somebody else types on this line")
	ErrState    = errors.New("the line is not in a state for this")

	ErrChoice    = errors.New("this choice is not possible")
	ErrAllowance = errors.New("the site does not let it be allowed like this")
	ErrSerial    = errors.New("the plan gives the unit another serial number")
)
