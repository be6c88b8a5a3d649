package engine

import (
	"fmt"
	"strings"
)

// How is the name of a way in which a run ends.
type How string

// The ways in which a run ends.
const (
	Done     How = "done"          // set up, and read back as planned
	Already  How = "already"       // the unit was as planned; nothing was changed
	Open     How = "open"          // as planned, but the unit is still at work on something
	Differs  How = "differs"       // something reads back otherwise than planned
	Held     How = "held"          // given up at a hold
	Refused  How = "refused"       // the unit would not have an answer
	Chassis  How = "wrong-chassis" // another unit than the planned one
	Silent   How = "silent"        // no byte was heard
	Garbled  How = "garbled"       // what was heard is not text: wrong speed or framing
	LoopBack How = "loop-back"     // only our own bytes came back
	Strange  How = "strange"       // text, but no prompt that is known
	Overdue  How = "overdue"       // a stage took longer than it may
	Lost     How = "lost"          // the line went and did not come back
	Failed   How = "unit-failed"   // the unit says that it has failed
	Stopped  How = "stopped"       // a person stopped the run
	NoRecord How = "no-record"     // the record could not be written
	Left     How = "left"          // a person has left a session by hand: nothing was compared
	Broken   How = "broken"        // a fault of the dialogue or of linehand
)

// Ending is how a run ended, for people and machines.
type Ending struct {
	How      How
	Sentence string // what happened, one plain sentence
	Next     string // what the person does next
}

// ExitCode is the exit code of the command for this ending.
func (h How) ExitCode() int {
	codes := map[How]int{
		Done: 0, Already: 0, Left: 0, Broken: 1,
		Held: 10, Refused: 11, Chassis: 12, Differs: 13, Silent: 14, Garbled: 15,
		LoopBack: 16, Strange: 17, Overdue: 18, Lost: 19, Failed: 20, NoRecord: 21, Stopped: 22, Open: 23,
	}
	if code, ok := codes[h]; ok {
		return code
	}
	return 1
}

// Good tells whether the unit is as planned.
func (h How) Good() bool { return h == Done || h == Already }

// complete is the ending of a run that has come to its end.
func (e *Engine) complete() Ending {
	if s := e.current(); s != nil && s.state == StageEntered {
		s.state = StageDone
		e.mark(Mark{Stage: s.name, State: StageDone})
	}
	for _, s := range e.stages {
		if s.state == StageAhead {
			s.state = StageLeftOut
			e.mark(Mark{Stage: s.name, State: StageLeftOut})
		}
	}
	switch {
	case e.differs > 0:
		return Ending{Differs,
			fmt.Sprintf("The unit answered to the end, but %s.", e.differing()),
			"Look at the read-backs in the audit, correct the unit or the plan, and run again."}
	case len(e.open) > 0:
		return Ending{Open,
			fmt.Sprintf("The unit is as planned so far, and still at work: %s.", strings.Join(e.open, ", ")),
			"Leave it at work, and run linehand proof later: that closes what is open."}
	case !e.changed:
		return Ending{Already,
			"The unit is already set up as planned; nothing was changed.",
			"Nothing is left to do on this console."}
	default:
		return Ending{Done,
			fmt.Sprintf("The unit is set up; %s as planned.", count(e.readOK, "value reads back", "values read back")),
			"Take the cable to the next unit."}
	}
}

// differing says what is not as planned, and what was not seen.
func (e *Engine) differing() string {
	var what []string
	if n := e.differs - e.unseen; n > 0 {
		what = append(what, count(n, "value reads back", "values read back")+" otherwise than planned")
	}
	if e.unseen > 0 {
		what = append(what, count(e.unseen, "value was", "values were")+" not seen, because the line was away")
	}
	return strings.Join(what, ", and ")
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// GiveUp is the ending of a run that a person (or nobody) gave up at h.
func GiveUp(h Hold) Ending {
	at := ""
	if h.Stage != "" {
		at = fmt.Sprintf(" The run was in stage %q.", h.Stage)
	}
	sentence := capital(strings.TrimRight(h.Reason, ".")) + "." + at
	switch h.Kind {
	case HoldRefused:
		return Ending{Refused, sentence, "Correct the value in the site profile (or the unit's state), then run again: the run goes on where the unit is."}
	case HoldChassis:
		return Ending{Chassis, sentence, "Move the cable to the planned unit, or name this unit's serial number in the plan. Nothing of the plan was typed into this one."}
	case HoldConfirm:
		return Ending{Held, sentence, "Read the serial number off the chassis and run again with --chassis SERIAL."}
	case HoldOverdue:
		return Ending{Overdue, sentence, "Look at the unit's indicators and at the last screen; run again when it waits at a prompt."}
	case HoldSilent:
		return Ending{Silent, sentence, "Check that the unit has power, that the cable is a null-modem cable in the console port of the controller in charge, and that this is the right line."}
	case HoldGarbled:
		return Ending{Garbled, sentence, "Set the speed and framing that fit (in the dialogue's line, or with --speed and --framing) and run again."}
	case HoldLoopBack:
		return Ending{LoopBack, sentence, "Use a null-modem cable, take off any loop-back plug, and check that the unit has power."}
	case HoldStrange:
		return Ending{Strange, sentence, "Check that this dialogue is for this kind of unit and that the cable is in the console port of the controller in charge."}
	case HoldEcho:
		return Ending{Held, sentence, "Check the cable and the flow control; a slower pace (line: pace) helps units that lose characters."}
	default:
		return Ending{Held, sentence, "Look at the last screen, finish by hand or teach the dialogue this prompt, then run again."}
	}
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
