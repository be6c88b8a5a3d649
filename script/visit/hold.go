package visit

import (
	"strings"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// The kinds of hold of a visit, also the record's code for each.
const (
	HoldStep    engine.HoldKind = "step-not-good"     // a required step is not as it should be
	HoldAddress engine.HoldKind = "address-in-use"    // somebody answers at an address that is to be given out
	HoldSilent  engine.HoldKind = "does-not-serve"    // the unit does not answer within its time
	HoldTurn    engine.HoldKind = "turn"              // a unit before this one in its cluster has not come up
	HoldDiffers engine.HoldKind = "differs"           // something reads back otherwise than planned, and more is to be done
	HoldOpen    engine.HoldKind = "line-not-opened"   // the line of a part cannot be opened
	HoldCount   engine.HoldKind = "nobody-to-tick-it" // a required step, and nobody to ask
)

// question is a hold of the visit itself.
type question struct {
	kind    engine.HoldKind
	reason  string // one sentence without its full stop
	advice  string // what to do about it
	next    string // the next step when the visit ends here
	goOn    bool   // a person may take it on themselves
	pointed Point  // for the punch list, when they do
}

// hold stops the visit until a person releases it. It returns Again or GoOn;
// giving up, or nobody to ask, is an error.
func (r *run) hold(q question) (player.Choice, error) {
	r.append(transcript.Event{Kind: transcript.Hold, State: "raised", Code: string(q.kind), Text: q.reason, Stage: string(r.part)})
	if err := r.rec.Sync(); err != nil {
		return "", &recordError{err}
	}
	given := &heldError{q.reason, q.next}
	if given.next == "" {
		given.next = "Run again when it is put right: what the unit has already is read, and ticked steps can count."
	}
	if r.Watch != nil {
		r.Watch(player.Progress{Part: string(r.part), Doing: player.Holding, Text: r.Mask(q.reason)})
	}
	rel := player.Release{Choice: player.GiveUp, By: "nobody was asked"}
	if r.Person != nil {
		choices := []player.Choice{player.Again, player.GiveUp}
		if q.goOn {
			choices = []player.Choice{player.Again, GoOn, player.GiveUp}
		}
		held := player.Held{Hold: engine.Hold{Kind: q.kind, Reason: r.Mask(q.reason), Stage: string(r.part)}, Choices: choices, Advice: q.advice}
		var err error
		if rel, err = r.Person.Hold(r.ctx, held); r.ctx.Err() != nil {
			return "", errStopped
		} else if err != nil {
			r.note("desk", "nobody can be asked: "+err.Error())
			rel = player.Release{Choice: player.GiveUp, By: "nobody could be asked"}
		}
	}
	r.append(transcript.Event{Kind: transcript.Hold, State: "released", Code: string(rel.Choice), By: rel.By, Stage: string(r.part)})
	r.tell("")
	switch rel.Choice {
	case player.Again:
		return rel.Choice, nil
	case GoOn:
		if q.pointed.Name != "" {
			r.points.add(q.pointed)
		}
		return rel.Choice, nil
	}
	return "", given
}

// sentence is a reason as a sentence.
func sentence(reason string) string {
	reason = strings.TrimRight(reason, ".")
	if reason == "" {
		return ""
	}
	if c := reason[0]; c >= 'a' && c <= 'z' {
		reason = string(c-'a'+'A') + reason[1:]
	}
	return reason + "."
}
