package engine

import (
	"fmt"
	"strings"
)

// serialFact is the fact that tells one chassis from another.
const serialFact = "serial"

// Fact tells the engine of a value read out of what the unit printed. It
// reports whether the value is new.
func (e *Engine) Fact(name, value string) (isNew bool) {
	value = strings.TrimSpace(value)
	old := e.facts[name]
	if value != old {
		e.facts[name], e.live = value, nil
	}
	if name == serialFact && !e.dialogue.IdentityNone {
		e.readSerial(value)
	}
	return old != value
}

func (e *Engine) readSerial(value string) {
	c := &e.chassis
	c.read = value
	switch {
	case value == c.planned:
		c.verified, c.wrong = true, false
	case c.planned != "":
		c.verified, c.wrong = false, true
	}
}

// wrongChassis holds while the unit names another serial number than the
// planned one, whatever it asks.
func (e *Engine) wrongChassis(Shown) *Hold {
	if !e.chassis.wrong {
		return nil
	}
	h := e.hold(HoldChassis, nil, fmt.Sprintf("the wrong chassis: the plan is for serial number %s, and this unit says %s", e.chassis.planned, e.chassis.read))
	return &h
}

// needChassis forbids plan values and changes until it is known which unit
// is on the line.
func (e *Engine) needChassis(x *exchange) Decision {
	if e.chassis.verified {
		return nil
	}
	usesPlan := x.spec.Answer != nil && x.spec.Answer.UsesPlan()
	if x.stage.spec.Looks && !usesPlan {
		return nil
	}
	if e.dialogue.IdentityNone {
		return e.hold(HoldConfirm, x, fmt.Sprintf("this kind of unit prints no serial number: read it off the chassis and confirm that it is %s", orUnknown(e.chassis.planned)))
	}
	if e.chassis.planned == "" && e.chassis.read != "" {
		return e.hold(HoldConfirm, x, fmt.Sprintf("the plan names no serial number, and the unit says %s: confirm that this is the unit meant", e.chassis.read))
	}
	if e.dialogue.Redraw != nil && !e.redrawn {
		return Redraw{Because: "the unit's serial number has not been seen yet"}
	}
	return e.hold(HoldConfirm, x, fmt.Sprintf("the unit's serial number was not seen: read it off the chassis and confirm that it is %s", orUnknown(e.chassis.planned)))
}

// Confirm takes a person's word for which chassis is on the line.
func (e *Engine) Confirm() {
	e.chassis.verified, e.chassis.wrong = true, false
}

// Verified tells whether it is known that the planned unit is on the line.
func (e *Engine) Verified() bool { return e.chassis.verified }

func orUnknown(serial string) string {
	if serial == "" {
		return "the one meant (the plan names none)"
	}
	return serial
}
