package engine

import (
	"fmt"
	"time"
)

// HoldKind is why a run holds.
type HoldKind string

// The kinds of hold, also the record's code for each.
const (
	HoldUnknown    HoldKind = "unknown-prompt" // text that ends in nothing known
	HoldGuard      HoldKind = "guard"          // a known prompt that must not be answered
	HoldRefused    HoldKind = "refused"        // the unit would not have an answer
	HoldPassedOver HoldKind = "passed-over"    // questions that should have come did not
	HoldWentBack   HoldKind = "went-back"      // the unit is at an earlier stage again
	HoldChassis    HoldKind = "wrong-chassis"
	HoldConfirm    HoldKind = "confirm-chassis"
	HoldEcho       HoldKind = "echo"    // the unit does not show what is typed
	HoldOverdue    HoldKind = "overdue" // a stage took longer than it may
	HoldSilent     HoldKind = "silent"  // nothing is heard
	HoldGarbled    HoldKind = "garbled" // what is heard is not text
	HoldLoopBack   HoldKind = "loop-back"
	HoldStrange    HoldKind = "no-known-prompt" // text, but no prompt that is known
)

// Hold: nothing is sent until a person releases it.
type Hold struct {
	Kind     HoldKind
	Reason   string // one sentence without its full stop
	Stage    string
	Exchange string   // the prompt that shows, as the dialogue writes it; ""
	Hoped    []string // prompts that would have let the run go on
	Stages   []string // stages that a person may send the run to

	x *exchange
}

func (e *Engine) hold(kind HoldKind, x *exchange, reason string) Hold {
	h := Hold{Kind: kind, Reason: reason, x: x}
	if s := e.current(); s != nil {
		h.Stage = s.name
	}
	if x != nil {
		h.Exchange = x.name()
	}
	h.Hoped = e.hoped()
	for _, s := range e.stages {
		h.Stages = append(h.Stages, s.name)
	}
	return h
}

// HoldFor makes a hold for a reason that the caller has found.
func (e *Engine) HoldFor(kind HoldKind, reason string) Hold { return e.hold(kind, nil, reason) }

// HoldAt makes a hold at an exchange that was about to be answered.
func (e *Engine) HoldAt(kind HoldKind, t Type, reason string) Hold { return e.hold(kind, t.x, reason) }

// hoped lists the next few prompts that would be answered.
func (e *Engine) hoped() []string {
	const most = 6
	var list []string
	for _, s := range e.stages[max(e.cur, 0):] {
		if needed, err := e.stageNeeded(s); err != nil || !needed {
			continue
		}
		for _, x := range s.ex {
			if needed, err := truth(x.spec.Needed, s.values); err == nil && needed && x.open() {
				if list = append(list, x.name()); len(list) == most {
					return list
				}
			}
		}
		if s.no == e.cur && len(e.missing(s)) == 0 {
			for _, p := range s.spec.Until {
				list = append(list, p.Text)
			}
		}
	}
	return list
}

// Attached tells the engine that the line is new to it: at the start of a
// run, or come back after it was lost. Which chassis is on it must be shown
// again.
func (e *Engine) Attached() {
	e.loose = true
	e.inDoubt = e.last != nil
	e.redrawn = false
	e.chassis.verified, e.chassis.wrong, e.chassis.read = false, false, ""
}

// Again takes up the run after a hold: the same text is looked at afresh.
func (e *Engine) Again() {
	e.loose = true
	e.redrawn = false
	if e.chassis.wrong {
		// Another cable may be in by now: the serial number has to be read
		// again before anything is typed.
		e.chassis = chassis{planned: e.chassis.planned}
	}
}

// ByHand tells the engine that a person has answered what h held at.
func (e *Engine) ByHand(h Hold, now time.Time) {
	e.loose = true
	e.redrawn = false
	e.changed = true
	if h.x != nil && h.x.stage.no >= e.cur {
		if h.x.stage.no != e.cur {
			e.enter(h.x.stage, now)
		}
		e.Answered(Type{x: h.x}, now)
		e.loose = true
	}
}

// GoTo sends the run to a stage, by its name; what stands from there on may
// be answered again.
func (e *Engine) GoTo(name string, now time.Time) error {
	for _, s := range e.stages {
		if s.name == name {
			e.rewind(s, nil)
			e.enter(s, now)
			e.loose, e.redrawn = true, false
			return nil
		}
	}
	return fmt.Errorf("no stage %q in this dialogue", name)
}

// Unknown decides about text that has stood unmatched for the dialogue's
// patience: the unit seems to ask something that nobody has taught us. The
// redraw key is tried first, for a prompt that noise has spoiled.
func (e *Engine) Unknown(lastLine string) Decision {
	if e.dialogue.Redraw != nil && !e.redrawn {
		return Redraw{Because: "the last line matches nothing known"}
	}
	return e.hold(HoldUnknown, nil, fmt.Sprintf("the unit shows %q, which the dialogue does not know here", lastLine))
}

// Deadline is when the current stage is overdue, and what it is waiting for;
// the zero time while nothing has a limit (before the first stage, where the
// caller's own limit holds).
func (e *Engine) Deadline() (time.Time, string) {
	s := e.current()
	if s == nil {
		return time.Time{}, ""
	}
	if s.ended.IsZero() {
		return s.began.Add(s.spec.Within), s.name
	}
	// The stage is answered: what is waited for is its `until`, or the first
	// prompt of the next stage.
	if s.state == StageEntered && len(s.spec.Until) > 0 {
		return s.ended.Add(s.spec.Within), s.name
	}
	for _, later := range e.stages[e.cur+1:] {
		if needed, err := e.stageNeeded(later); err == nil && needed {
			return s.ended.Add(later.spec.Within), later.name
		}
	}
	return s.ended.Add(s.spec.Within), s.name
}

// Extend gives the current stage its time again, after a hold.
func (e *Engine) Extend(now time.Time) {
	if s := e.current(); s != nil {
		if s.ended.IsZero() {
			s.began = now
		} else {
			s.ended = now
		}
	}
}

// Progress is how far the run is.
type Progress struct {
	Stage  string
	No, Of int // stages, from 1; No is 0 before the first
}

// Progress tells how far the run is.
func (e *Engine) Progress() Progress {
	p := Progress{Of: len(e.stages), No: e.cur + 1}
	if s := e.current(); s != nil {
		p.Stage = s.name
	}
	return p
}
