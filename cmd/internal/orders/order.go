package orders

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// State is what a work order has come to.
type State string

// The states.
const (
	Waiting   State = "waiting"   // filed; nobody has allowed it yet
	Allowed   State = "allowed"   // may be played as soon as its unit is on a line
	Playing   State = "playing"   // on a line
	Holding   State = "holding"   // on a line, and a person is needed
	Done      State = "done"      // the unit is as planned
	NotDone   State = "not done"  // played, and the unit is not as planned; may be filed again
	Withdrawn State = "withdrawn" // taken off the list by a person
)

// Open tells whether something is still to come of an order in this state.
func (s State) Open() bool { return s != Done && s != Withdrawn }

// OnLine tells whether an order in this state has a line.
func (s State) OnLine() bool { return s == Playing || s == Holding }

// Allowance is how a person has allowed an order.
type Allowance string

// The allowances.
const (
	PerUnit  Allowance = "unit"   // this one
	PerBatch Allowance = "batch"  // with its batch
	Always   Allowance = "always" // the site lets every order be played
)

// Task is what is to be done with the unit.
type Task string

// The tasks.
const (
	BringUp Task = ""      // all that its kind has, as the bench is set
	Prove   Task = "proof" // prove it again, and close what an earlier run has left open
)

// Order is one unit that is to be brought up.
type Order struct {
	ID     string `json:"id"`
	Site   string `json:"site"`
	Unit   string `json:"unit"`             // name in the plan
	Serial string `json:"serial,omitempty"` // as planned, or as read once it is on a line
	Kind   string `json:"kind,omitempty"`
	Batch  string `json:"batch,omitempty"`
	Bench  string `json:"bench,omitempty"` // which bench is to play it; "": any
	Task   Task   `json:"task,omitempty"`
	Person string `json:"person,omitempty"`

	State     State     `json:"state"`
	Position  float64   `json:"position"` // lower comes first
	Allowance Allowance `json:"allowance,omitempty"`
	AllowedBy string    `json:"allowed_by,omitempty"`
	Player    string    `json:"player,omitempty"` // the bench that plays or played it
	Line      string    `json:"line,omitempty"`
	Attempts  int       `json:"attempts,omitempty"`
	Token     uint64    `json:"token,omitempty"` // of the lease under which it is played; a higher one fences off a lower one
	Hold      *Hold     `json:"hold,omitempty"`  // the hold it waits at, or waited at last
	Release   *Release  `json:"release,omitempty"`
	Stop      *Mark     `json:"stop,omitempty"` // a person wants it off its line
	Ending    *Ending   `json:"ending,omitempty"`
	Record    *Record   `json:"record,omitempty"`
	Repeats   string    `json:"repeats,omitempty"` // the order that this one is filed again for

	Filed   time.Time `json:"filed"`
	Begun   time.Time `json:"begun,omitzero"`
	Ended   time.Time `json:"ended,omitzero"`
	Changed Mark      `json:"changed"`

	Place   string `json:"place"`             // where it may be changed: Firm, or a bench with a store of its own
	Hand    int    `json:"hand,omitempty"`    // how many times it was handed over between places
	Granted bool   `json:"granted,omitempty"` // the firm keeps its unit for Place

	// Behind says that Place cannot be reached, and that this is the last
	// that was heard of the order.
	Behind bool `json:"behind,omitempty"`

	rev uint64 // sequence number of its last change in the stream of Place
}

// Mark is who did something last, and when.
type Mark struct {
	Act Act       `json:"act"`
	By  string    `json:"by,omitempty"`
	At  time.Time `json:"at"`
	Why string    `json:"why,omitempty"`
}

// Hold is where a run waits for a person.
type Hold struct {
	ID      string    `json:"id"`
	Order   string    `json:"order"`
	Kind    string    `json:"kind,omitempty"` // a word for machines
	Stage   string    `json:"stage,omitempty"`
	Reason  string    `json:"reason"`
	Screen  string    `json:"screen,omitempty"` // masked text; the caller masks it
	Choices []Choice  `json:"choices"`
	Raised  time.Time `json:"raised"`
}

// Choice is one way on from a hold.
type Choice struct {
	Name  string `json:"name"`
	Label string `json:"label,omitempty"`
	Text  bool   `json:"text,omitempty"` // wants a text, such as a serial number that a person has read

	// Secret wants a secret. It is not put on the bus: whoever types it gives
	// it to the bench that plays the order, at its own page, which releases the
	// hold without a text.
	Secret bool `json:"secret,omitempty"`
}

// Release is a person's choice at a hold.
type Release struct {
	Hold   string    `json:"hold"`
	Choice string    `json:"choice"`
	Text   string    `json:"text,omitempty"` // never a secret
	By     string    `json:"by"`
	At     time.Time `json:"at"`

	// Secret says that Text is one: Store.Release refuses it with a
	// *SecretError, and does not send it.
	Secret bool `json:"-"`
}

// Ending is how a run ended: the words of script/engine.
type Ending struct {
	How      string `json:"how"`
	Good     bool   `json:"good"` // the unit is as planned
	Sentence string `json:"sentence"`
	Next     string `json:"next,omitempty"`
}

// Record is where the sealed record of a run is kept.
type Record struct {
	Name   string `json:"name"`
	Place  string `json:"place"`
	SHA256 string `json:"sha256"` // digest of the file, 64 digits in base 16
	Size   int64  `json:"size"`
}

// Filing is what a new order is made of.
type Filing struct {
	// ID makes filing safe to repeat: the same ID is the same order, however
	// often and from wherever it is filed. "" takes a new one.
	ID string `json:"id,omitempty"`

	Site      string    `json:"site"`
	Unit      string    `json:"unit"`
	Serial    string    `json:"serial,omitempty"`
	Kind      string    `json:"kind,omitempty"`
	Batch     string    `json:"batch,omitempty"`
	Bench     string    `json:"bench,omitempty"`
	Position  float64   `json:"position,omitempty"` // 0: behind all that were filed before
	Allowance Allowance `json:"allowance,omitempty"`
	Person    string    `json:"person"`
	Repeats   string    `json:"repeats,omitempty"`
	Task      Task      `json:"task,omitempty"`
}

// NameError says that a name cannot be used.
type NameError struct{ What, Name string }

func (e *NameError) Error() string {
	return fmt.Sprintf("%s %q: use 1 to 63 letters, digits, - and _ (a bench may not be called %q or %q)", e.What, e.Name, Firm, nobody)
}

// names are what fits into a subject, a stream's name and a file's name alike.
var names = regexp.MustCompile(`^[A-Za-z0-9_-]{1,63}$`)

func goodName(what, name string) error {
	if !names.MatchString(name) || what == "bench" && (name == Firm || name == nobody) {
		return &NameError{what, name}
	}
	return nil
}

// check finds what is wrong with a filing.
func (f Filing) check() error {
	if f.ID != "" {
		if err := goodName("order", f.ID); err != nil {
			return err
		}
	}
	if f.Bench != "" {
		if err := goodName("bench", f.Bench); err != nil {
			return err
		}
	}
	switch {
	case f.Task != BringUp && f.Task != Prove:
		return fmt.Errorf("task %q: there is %q, or none for all that the unit's kind has", f.Task, Prove)
	case strings.TrimSpace(f.Unit) == "":
		return fmt.Errorf("an order needs the name of its unit")
	case f.Allowance != "" && f.Allowance != PerUnit && f.Allowance != PerBatch && f.Allowance != Always:
		return fmt.Errorf("allowance %q: it is %q, %q or %q", f.Allowance, PerUnit, PerBatch, Always)
	}
	return nil
}
