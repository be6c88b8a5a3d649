package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/script"
)

// Decision is what the run does next. It is one of Wait, Look, Type, Redraw,
// Hold and Finish.
type Decision interface{ decision() }

// Wait: nothing to do until more is heard or time has passed.
type Wait struct{}

// Look: the state has changed (a stage is done, a refusal has led to another
// stage); look at the same text again.
type Look struct{}

// Redraw: press the dialogue's redraw key, which accepts nothing, so that
// the unit shows its prompt (and itself) again.
type Redraw struct{ Because string }

// Type: the live exchange is to be answered.
type Type struct {
	Exchange string // prompt as the dialogue writes it
	Stage    string
	Pos      string // FILE:LINE of the exchange
	Pieces   []script.Piece
	Key      *script.Key // pressed instead of typing Pieces
	Enter    script.Key  // zero Bytes: none
	Echo     script.EchoMode

	x *exchange
}

// Finish: the run is over.
type Finish struct{ Ending Ending }

func (Wait) decision()   {}
func (Look) decision()   {}
func (Redraw) decision() {}
func (Type) decision()   {}
func (Hold) decision()   {}
func (Finish) decision() {}

// Shown is what the unit shows at a quiet moment.
type Shown struct {
	Since string        // plain text since the last answer, without chatter
	Tail  string        // the end of it, in which prompts are looked for
	Quiet time.Duration // how long the line has been quiet
	Now   time.Time
	Heard time.Time // by the wall clock, when the last of it was heard; zero: Quiet before Now
}

// How long quiet text must stand before it means something by itself.
const (
	// refusalQuiet: a refusal without a prompt after it.
	refusalQuiet = 2 * time.Second
	// endQuiet: the last answer of a dialogue that names no `until`.
	endQuiet = time.Second
)

// Decide says what to do about what is shown. match is the place in live of
// the prompt in which the text ends, or -1.
func (e *Engine) Decide(live []Live, match int, shown Shown) (Decision, error) {
	if e.live == nil {
		return Look{}, nil // a fact was read since: other prompts may be live now
	}
	if hold := e.wrongChassis(shown); hold != nil {
		return *hold, nil
	}
	if match >= 0 || shown.Quiet >= refusalQuiet {
		if e.refusal(shown.Since) {
			words := shown.Since
			if match >= 0 {
				words = cutPrompt(words, live[match].x)
			}
			return e.refused(lastWords(words), shown.Now), nil
		}
	}
	if match < 0 {
		return e.unmatched(shown)
	}
	return e.matched(live[match].x, shown)
}

// askAfresh takes back the answer that was given last before the line went,
// where that only looked and the unit is at its prompt again: what it said
// went by unheard.
func (e *Engine) askAfresh(shown Shown) bool {
	last := e.last
	if !e.loose || !e.inDoubt || last == nil || last.count == 0 || last.spec.Press != nil || !last.stage.spec.Looks || last.stage.no != e.cur {
		return false
	}
	if !slices.ContainsFunc(last.spec.Prompts, func(p script.Pattern) bool { return p.At.MatchString(shown.Tail) }) {
		return false
	}
	last.count--
	last.stage.ended = time.Time{}
	e.last, e.reading, e.live, e.inDoubt = nil, nil, nil, false
	e.mark(Mark{Stage: last.stage.name, Note: fmt.Sprintf("what the unit said to the answer to %q was not witnessed; asking again", last.name())})
	return true
}

// matched decides about a prompt that is known.
func (e *Engine) matched(x *exchange, shown Shown) (Decision, error) {
	if e.askAfresh(shown) {
		return Look{}, nil
	}
	if x.spec.Press == nil || x.stage.no != e.cur {
		if err := e.readBack(shown); err != nil {
			return nil, err
		}
		if e.live == nil {
			return Look{}, nil
		}
	}
	if s := e.current(); s != nil && x.stage == s && x.open() {
		return e.answer(x)
	}
	if e.overAtUntil(shown) {
		return Look{}, nil
	}
	if over, err := e.over(shown); err != nil {
		return nil, err
	} else if over {
		return Finish{e.complete()}, nil
	}
	if !x.open() || x.stage.no < e.cur {
		return e.again(x, shown)
	}
	if hold := e.passOver(x, shown); hold != nil {
		return *hold, nil
	}
	if x.stage.no != e.cur {
		e.enter(x.stage, shown.Now)
		return Look{}, nil
	}
	return e.answer(x)
}

// unmatched decides about text that ends in no live prompt.
func (e *Engine) unmatched(shown Shown) (Decision, error) {
	if e.overAtUntil(shown) {
		return Look{}, nil
	}
	over, err := e.over(shown)
	if err != nil {
		return nil, err
	}
	if over {
		if err := e.readBack(shown); err != nil {
			return nil, err
		}
		return Finish{e.complete()}, nil
	}
	return Wait{}, nil
}

// overAtUntil ends the current stage when all of it is answered and its
// `until` shows.
func (e *Engine) overAtUntil(shown Shown) bool {
	s := e.current()
	if s == nil || s.state != StageEntered || len(s.spec.Until) == 0 || !e.finished() {
		return false
	}
	if !anyIn(s.spec.Until, shown.Since) {
		return false
	}
	e.leave(s, StageDone, shown.Now)
	return true
}

// HungUp is told that the line has gone, and what was heard before. It ends
// the run where nothing was left to do but to see the `until` of the stage
// that finishes it: a unit that one signs out of across a network hangs up
// at once. Otherwise it gives nil, and the line is to be opened again.
func (e *Engine) HungUp(shown Shown) (*Ending, error) {
	s := e.current()
	if s == nil || !s.spec.Finish || !e.overAtUntil(shown) {
		return nil, nil
	}
	if err := e.readBack(shown); err != nil {
		return nil, err
	}
	end := e.complete()
	return &end, nil
}

// over tells whether nothing is left to do after the current stage.
func (e *Engine) over(shown Shown) (bool, error) {
	s := e.current()
	if s == nil || !e.finished() || s.state == StageRefused {
		return false, nil
	}
	if s.state == StageEntered {
		if len(s.spec.Until) > 0 || shown.Quiet < endQuiet || blank(shown.Since) {
			return false, nil
		}
	}
	if s.spec.Finish {
		return true, nil
	}
	for _, later := range e.stages[e.cur+1:] {
		needed, err := e.stageNeeded(later)
		if err != nil {
			return false, err
		}
		if needed && (len(e.missing(later)) > 0 || len(later.spec.Until) > 0) {
			return e.untilShows(later, shown), nil
		}
	}
	return true, nil
}

// untilShows enters and ends a stage that asks nothing and only waits for
// its `until`.
func (e *Engine) untilShows(s *stage, shown Shown) bool {
	if len(e.missing(s)) > 0 || !anyIn(s.spec.Until, shown.Since) {
		return false
	}
	e.enter(s, shown.Now)
	e.leave(s, StageDone, shown.Now)
	over, err := e.over(shown)
	return err == nil && over
}

// answer renders what is to be typed, unless a guard or the chassis forbids.
func (e *Engine) answer(x *exchange) (Decision, error) {
	if fact := e.unread(x.spec.When); fact != "" {
		return e.hold(HoldGuard, x, fmt.Sprintf("the unit asks %q, and whether it may be answered depends on the fact %s, which was not read", x.name(), fact)), nil
	}
	if ok, err := truth(x.spec.When, x.stage.values); err != nil {
		return nil, err
	} else if !ok {
		return e.hold(HoldGuard, x, fmt.Sprintf("the unit asks %q, and the dialogue allows an answer only when %s", x.name(), x.spec.When.Source)), nil
	}
	if d := e.needChassis(x); d != nil {
		return d, nil
	}
	t := Type{
		Exchange: x.name(), Stage: x.stage.name, Pos: x.pos(),
		Key: x.spec.Press, Echo: x.spec.Echo, Enter: e.dialogue.Line.Enter, x: x,
	}
	if x.spec.Enter != nil {
		t.Enter = *x.spec.Enter
	}
	if x.spec.Press != nil {
		t.Enter = script.Key{}
		return t, nil
	}
	pieces, err := x.spec.Answer.Render(x.stage.values)
	if err != nil && len(x.spec.Answer.Facts()) > 0 {
		return e.hold(HoldGuard, x, fmt.Sprintf("the unit asks %q, and the answer depends on a fact that was not read as it should: %v", x.name(), err)), nil
	}
	if err != nil {
		return nil, err
	}
	t.Pieces = pieces
	return t, nil
}

// unread is a fact that a guard needs and the unit has not shown; a
// condition on it would be a guess.
func (e *Engine) unread(g *script.Guard) string {
	if g == nil {
		return ""
	}
	for _, fact := range g.Facts() {
		if e.facts[fact] == "" {
			return fact
		}
	}
	return ""
}

// Answered tells the engine that an answer has left, or has been given up
// for a person who gave it by hand.
func (e *Engine) Answered(t Type, now time.Time) {
	e.live = nil
	x := t.x
	x.count++
	e.last = x
	if x.spec.Press == nil {
		e.reading = nil
		if len(x.spec.Reads) > 0 {
			e.reading = x
		}
	}
	if !x.stage.spec.Looks {
		e.changed = true
	}
	if e.loose {
		e.passedBefore(x)
	}
	e.loose, e.inDoubt, e.redrawn = false, false, false
	if len(e.missing(x.stage)) == 0 {
		x.stage.ended = now
	}
}

// passedBefore notes the questions of x's stage that the run came too late
// to see.
func (e *Engine) passedBefore(x *exchange) {
	for _, y := range x.stage.ex[:x.no] {
		if y.count > 0 || y.unseen || y.spec.Sometimes {
			continue
		}
		if needed, err := truth(y.spec.Needed, x.stage.values); err == nil && needed {
			y.unseen = true
			e.mark(Mark{Stage: x.stage.name, Note: fmt.Sprintf("question %q was not witnessed", y.name())})
		}
	}
}

// Redrawn tells the engine that the redraw key has been pressed.
func (e *Engine) Redrawn() { e.redrawn = true }

// refusal looks for the unit's words of refusal since the last answer.
func (e *Engine) refusal(since string) bool {
	return e.last != nil &&
		(anyIn(e.last.spec.RefusedBy, since) || anyIn(e.last.stage.spec.RefusedBy, since))
}

// refused goes on where the dialogue says, or holds.
func (e *Engine) refused(words string, now time.Time) Decision {
	x := e.last
	if target := x.stage.spec.IfRefused; target != "" && x.stage.state != StageRefused {
		for _, s := range e.stages {
			if s.spec.Name == target && s != x.stage {
				e.leave(x.stage, StageRefused, now)
				e.mark(Mark{Stage: x.stage.name, Note: fmt.Sprintf("refused: %s; going on with stage %q", words, s.name)})
				e.last, e.reading = nil, nil
				for _, between := range e.stages[min(e.cur+1, s.no):s.no] {
					between.state = StageLeftOut
				}
				e.live = nil
				e.enter(s, now)
				return Look{}
			}
		}
	}
	return e.hold(HoldRefused, x, fmt.Sprintf("the unit did not take the answer to %q: %s", x.name(), words))
}

// again decides about a prompt that has had its answers.
func (e *Engine) again(x *exchange, shown Shown) (Decision, error) {
	if e.loose {
		// The line was away: what was said last may not have arrived, and the
		// unit may have started again. Its prompt says where it is.
		if x != e.last || !e.inDoubt {
			e.mark(Mark{Stage: x.stage.name, Note: fmt.Sprintf("the unit is at %q again", x.name())})
		}
		e.rewind(x.stage, x)
		e.enter(x.stage, shown.Now)
		return Look{}, nil
	}
	if x.stage.no == e.cur || x == e.last {
		words := lastWords(cutPrompt(shown.Since, x))
		if words == "" {
			words = "it gives no reason"
		}
		return e.hold(HoldRefused, x, fmt.Sprintf("the unit asks %q again: %s", x.name(), words)), nil
	}
	return e.hold(HoldWentBack, x, fmt.Sprintf("the unit is at stage %q again (it asks %q)", x.stage.name, x.name())), nil
}

// passOver checks that what lies between the current stage and x may be
// left unanswered.
func (e *Engine) passOver(x *exchange, shown Shown) *Hold {
	var left []string
	for _, s := range e.stages[max(e.cur, 0):x.stage.no] {
		if needed, err := e.stageNeeded(s); err != nil || !needed {
			continue
		}
		if s.no == e.cur && s.state == StageEntered && len(s.spec.Until) > 0 && e.finished() && !e.loose {
			h := e.hold(HoldPassedOver, x, fmt.Sprintf("the unit asks %q, but stage %q never showed %q", x.name(), s.name, s.spec.Until[0].Text))
			return &h
		}
		if s.no == e.cur && s.state != StageEntered {
			continue
		}
		for _, m := range e.missing(s) {
			left = append(left, fmt.Sprintf("%q", m.name()))
		}
	}
	if len(left) == 0 || e.loose {
		return nil
	}
	h := e.hold(HoldPassedOver, x, fmt.Sprintf("the unit asks %q, but has not asked %s", x.name(), strings.Join(left, ", ")))
	return &h
}

// enter makes s the current stage and settles the states of those before it.
func (e *Engine) enter(s *stage, now time.Time) {
	for _, before := range e.stages[:s.no] {
		switch before.state {
		case StageEntered:
			if len(e.missing(before)) == 0 {
				e.leave(before, StageDone, now)
			} else {
				e.leave(before, StageUnseen, now)
			}
		case StageAhead:
			if needed, err := e.stageNeeded(before); err == nil && !needed {
				before.state = StageLeftOut
				e.mark(Mark{Stage: before.name, State: StageLeftOut})
			} else {
				before.state = StageUnseen
				e.mark(Mark{Stage: before.name, State: StageUnseen})
			}
		}
	}
	e.live = nil
	e.cur = s.no
	s.state, s.began, s.ended = StageEntered, now, time.Time{}
	if len(e.missing(s)) == 0 {
		s.ended = now
	}
	e.mark(Mark{Stage: s.name, State: StageEntered})
}

func (e *Engine) leave(s *stage, state StageState, now time.Time) {
	e.live = nil
	s.state = state
	if s.ended.IsZero() {
		s.ended = now
	}
	e.mark(Mark{Stage: s.name, State: state})
}

// rewind takes back what was answered from x on, so that it can be answered
// again.
func (e *Engine) rewind(s *stage, x *exchange) {
	for _, later := range e.stages[s.no:] {
		if later.state != StageLeftOut {
			later.state = StageAhead
		}
		for _, y := range later.ex {
			if later != s || x == nil || y.no >= x.no {
				y.count, y.unseen = 0, false
			}
		}
	}
	e.live, e.last, e.reading = nil, nil, nil
}

// anyIn tells whether one of the patterns stands anywhere in text.
func anyIn(list []script.Pattern, text string) bool {
	for _, p := range list {
		if p.In.MatchString(text) {
			return true
		}
	}
	return false
}

// lastWords keeps the last lines of what a unit said, for a person.
func lastWords(text string) string {
	var lines []string
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	if len(lines) > 4 {
		lines = lines[len(lines)-4:]
	}
	return strings.Join(lines, " / ")
}

// cutPrompt takes the prompt itself off the end of what was said.
func cutPrompt(text string, x *exchange) string {
	for _, p := range x.spec.Prompts {
		if at := p.At.FindStringIndex(text); at != nil {
			return text[:at[0]]
		}
	}
	return text
}

func blank(text string) bool { return strings.TrimSpace(text) == "" }
