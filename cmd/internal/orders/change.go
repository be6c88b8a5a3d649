package orders

import (
	"fmt"
	"time"
)

// Act is what is done to an order.
type Act string

// The acts.
const (
	File     Act = "filed"
	Move     Act = "moved"     // to another position, or to another bench
	Allow    Act = "allowed"   // a person lets it be played
	Begin    Act = "begun"     // it is on a line
	GoOn     Act = "gone on"   // on a line again, after the bench was restarted
	Raise    Act = "held"      // a hold was raised
	Let      Act = "released"  // a person released the hold
	End      Act = "ended"     // the run has ended
	Stop     Act = "stopped"   // a person wants it off its line
	Withdraw Act = "withdrawn" // a person has taken it off the list
	Repeat   Act = "again"     // what was not done is to be tried again
	Grant    Act = "granted"   // the firm keeps the unit for the bench
	Take     Act = "taken"     // a bench has taken it into its own store
	GiveBack Act = "given back"
	Reclaim  Act = "reclaimed" // the firm has it again
)

// Change is one thing done to an order. Only the fields of its act are set.
type Change struct {
	ID  string    `json:"id"` // one change, however often it is sent
	Act Act       `json:"act"`
	By  string    `json:"by,omitempty"`
	At  time.Time `json:"at"`
	Why string    `json:"why,omitempty"`

	Allowance Allowance `json:"allowance,omitempty"` // allowed
	Bench     *string   `json:"bench,omitempty"`     // moved; nil: stays
	Position  *float64  `json:"position,omitempty"`  // moved; nil: stays
	Player    string    `json:"player,omitempty"`    // begun, gone on
	Line      string    `json:"line,omitempty"`      // begun, gone on
	Serial    string    `json:"serial,omitempty"`    // begun, gone on: as read
	Token     uint64    `json:"token,omitempty"`     // of whoever plays: begun, gone on, held, ended
	Hold      *Hold     `json:"hold,omitempty"`      // held
	Release   *Release  `json:"release,omitempty"`   // released
	Ending    *Ending   `json:"ending,omitempty"`    // ended
	Record    *Record   `json:"record,omitempty"`    // ended
	Place     string    `json:"place,omitempty"`     // taken, given back, reclaimed
}

// WrongStateError says that an order is not in a state for what was asked.
type WrongStateError struct {
	Order string
	Act   Act // what was asked
	State State
	Last  Mark // what was done last, and by whom
	Why   string
}

func (e *WrongStateError) Error() string {
	s := fmt.Sprintf("order %s cannot be %s: it is %s", e.Order, e.Act, e.State)
	if e.Why != "" {
		s += ", and " + e.Why
	}
	if e.Last.By != "" {
		s += fmt.Sprintf(" (%s by %s at %s)", e.Last.Act, e.Last.By, e.Last.At.UTC().Format(time.RFC3339))
	}
	return s
}

// ReleasedError says that somebody was faster at a hold.
type ReleasedError struct {
	Order string
	Release
}

func (e *ReleasedError) Error() string {
	return fmt.Sprintf("the hold of order %s is released already: %s chose %q at %s", e.Order, e.By, e.Choice, e.At.UTC().Format(time.RFC3339))
}

// FencedError says that another has taken over what the caller plays.
type FencedError struct {
	Order     string
	Had, Have uint64
}

func (e *FencedError) Error() string {
	return fmt.Sprintf("order %s is played under lease %d now; lease %d no longer counts", e.Order, e.Have, e.Had)
}

// After is the order once c is done to it. It refuses what does not fit the
// order's state with a *WrongStateError, *ReleasedError or *FencedError, and
// leaves o as it is. It is the whole life of an order:
//
//	waiting ─► allowed ─► playing ◄─► holding
//	   ▲                     └───┬──────┘
//	   │              done · not done · withdrawn
//	   └───────────────────────┘ again
func (o Order) After(c Change) (Order, error) {
	steps := map[Act]func(*Order, Change) error{
		Move: (*Order).move, Allow: (*Order).allow, Begin: (*Order).begin, GoOn: (*Order).goOn,
		Raise: (*Order).raise, Let: (*Order).let, End: (*Order).end, Stop: (*Order).stop,
		Withdraw: (*Order).withdraw, Repeat: (*Order).repeat, Grant: (*Order).grant,
		Take: (*Order).take, GiveBack: (*Order).giveBack, Reclaim: (*Order).reclaim,
	}
	step, ok := steps[c.Act]
	if !ok {
		return o, o.refuse(c.Act, fmt.Sprintf("%q is nothing that is done to an order", c.Act))
	}
	next := o
	if err := step(&next, c); err != nil {
		return o, err
	}
	next.Changed = Mark{c.Act, c.By, c.At, c.Why}
	return next, nil
}

func (o *Order) refuse(act Act, why string) error {
	return &WrongStateError{Order: o.ID, Act: act, State: o.State, Last: o.Changed, Why: why}
}

// among refuses an act in any other state.
func (o *Order) among(act Act, states ...State) error {
	for _, s := range states {
		if o.State == s {
			return nil
		}
	}
	return o.refuse(act, "")
}

// fence refuses whoever plays under a lease that no longer counts.
func (o *Order) fence(token uint64) error {
	if token != o.Token {
		return &FencedError{Order: o.ID, Had: token, Have: o.Token}
	}
	return nil
}

func fileOrder(f Filing, c Change, place string) Order {
	o := Order{
		ID: f.ID, Site: f.Site, Unit: f.Unit, Serial: f.Serial, Kind: f.Kind, Batch: f.Batch, Bench: f.Bench, Task: f.Task,
		Person: f.Person, State: Waiting, Position: f.Position, Repeats: f.Repeats, Filed: c.At, Place: place,
		Changed: Mark{File, c.By, c.At, c.Why},
	}
	if o.Position == 0 {
		o.Position = float64(c.At.UnixMilli())
	}
	if f.Allowance != "" {
		o.State, o.Allowance, o.AllowedBy = Allowed, f.Allowance, f.Person
	}
	return o
}

func (o *Order) move(c Change) error {
	if err := o.among(Move, Waiting, Allowed, NotDone); err != nil {
		return err
	}
	if c.Bench != nil {
		o.Bench = *c.Bench
	}
	if c.Position != nil {
		o.Position = *c.Position
	}
	return nil
}

func (o *Order) allow(c Change) error {
	if err := o.among(Allow, Waiting); err != nil {
		return err
	}
	o.State, o.Allowance, o.AllowedBy = Allowed, c.Allowance, c.By
	return nil
}

func (o *Order) begin(c Change) error {
	if err := o.among(Begin, Allowed); err != nil {
		return err
	}
	o.Attempts++
	o.Begun, o.Ended = c.At, time.Time{}
	o.Hold, o.Release, o.Stop, o.Ending, o.Record = nil, nil, nil, nil, nil
	return o.onto(c)
}

// goOn is also how a hold ends that its run did not live to see released: the
// run looks at the unit again, and raises another if one is needed.
func (o *Order) goOn(c Change) error {
	if err := o.among(GoOn, Playing, Holding); err != nil {
		return err
	}
	if o.Player != c.Player {
		return o.refuse(GoOn, "bench "+o.Player+" plays it")
	}
	o.Hold, o.Release = nil, nil
	return o.onto(c)
}

func (o *Order) onto(c Change) error {
	if c.Token <= o.Token {
		return &FencedError{Order: o.ID, Had: c.Token, Have: o.Token}
	}
	if c.Serial != "" && o.Serial != "" && c.Serial != o.Serial {
		return o.refuse(c.Act, fmt.Sprintf("it is for the unit with serial number %s, not %s", o.Serial, c.Serial))
	}
	if c.Serial != "" {
		o.Serial = c.Serial
	}
	o.State, o.Player, o.Line, o.Token = Playing, c.Player, c.Line, c.Token
	return nil
}

func (o *Order) raise(c Change) error {
	if err := o.among(Raise, Playing); err != nil {
		return err
	}
	if err := o.fence(c.Token); err != nil {
		return err
	}
	o.State, o.Hold, o.Release = Holding, c.Hold, nil
	return nil
}

func (o *Order) let(c Change) error {
	if o.Release != nil && o.Release.Hold == c.Release.Hold {
		return &ReleasedError{Order: o.ID, Release: *o.Release}
	}
	if err := o.among(Let, Holding); err != nil {
		return err
	}
	if o.Hold.ID != c.Release.Hold {
		return o.refuse(Let, "it waits at another hold by now")
	}
	choice, ok := o.Hold.choice(c.Release.Choice)
	if !ok {
		return o.refuse(Let, fmt.Sprintf("its hold has no choice %q", c.Release.Choice))
	}
	if c.Release.Text != "" && !choice.Text {
		return o.refuse(Let, fmt.Sprintf("the choice %q takes no text; a secret is given to the bench itself", choice.Name))
	}
	o.State, o.Release = Playing, c.Release
	return nil
}

func (h *Hold) choice(name string) (Choice, bool) {
	for _, c := range h.Choices {
		if c.Name == name {
			return c, true
		}
	}
	return Choice{}, false
}

func (o *Order) end(c Change) error {
	if err := o.among(End, Playing, Holding); err != nil {
		return err
	}
	if err := o.fence(c.Token); err != nil {
		return err
	}
	o.Ending, o.Record, o.Ended = c.Ending, c.Record, c.At
	switch {
	case c.Ending.Good:
		o.State = Done
	case o.Stop != nil:
		o.State = Withdrawn
	default:
		o.State = NotDone
	}
	return nil
}

func (o *Order) stop(c Change) error {
	if err := o.among(Stop, Playing, Holding); err != nil {
		return err
	}
	if o.Stop != nil {
		return o.refuse(Stop, o.Stop.By+" has stopped it already")
	}
	o.Stop = &Mark{Stop, c.By, c.At, c.Why}
	return nil
}

func (o *Order) withdraw(c Change) error {
	if err := o.among(Withdraw, Waiting, Allowed, NotDone); err != nil {
		return err
	}
	o.State, o.Ended = Withdrawn, c.At
	return nil
}

func (o *Order) repeat(c Change) error {
	if err := o.among(Repeat, NotDone); err != nil {
		return err
	}
	o.State = Waiting
	if o.Allowance == Always {
		o.State = Allowed
	} else {
		o.Allowance, o.AllowedBy = "", ""
	}
	return nil
}

func (o *Order) grant(Change) error {
	if !o.State.Open() {
		return o.refuse(Grant, "")
	}
	o.Granted = true
	return nil
}

// take is the same at both ends: the firm notes who has the order, and the
// bench begins with the order as the firm noted it.
func (o *Order) take(c Change) error {
	if err := o.among(Take, Waiting, Allowed, NotDone); err != nil {
		return err
	}
	if o.Place != Firm {
		return o.refuse(Take, "bench "+o.Place+" has it")
	}
	if o.Bench != "" && o.Bench != c.Place {
		return o.refuse(Take, "it is meant for bench "+o.Bench)
	}
	o.Bench, o.Place, o.Granted = c.Place, c.Place, false
	o.Hand++
	return nil
}

func (o *Order) giveBack(c Change) error {
	if err := o.among(GiveBack, Waiting, Allowed, NotDone); err != nil {
		return err
	}
	o.Place, o.Granted = Firm, false
	if c.Bench != nil {
		o.Bench = *c.Bench
	}
	return nil
}

// reclaim is the firm's half of giving back, and what a person does about a
// bench that will not come back.
func (o *Order) reclaim(c Change) error {
	if o.State.OnLine() {
		o.State = NotDone
	}
	if !o.State.Open() {
		return o.refuse(Reclaim, "")
	}
	o.Place, o.Granted = Firm, false
	if c.Bench != nil {
		o.Bench = *c.Bench
	}
	o.Hand++
	return nil
}
