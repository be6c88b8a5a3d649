package player

import (
	"context"
	"errors"
	"fmt"
	"time"

	"linehand/console"
	"linehand/script/engine"
	"linehand/transcript"
)

// Desk is the person at the bench, or whoever stands in for one.
type Desk interface {
	// Hold shows a hold and returns how a person releases it. It is called
	// on a goroutine of its own; ctx is done when the hold has lifted by
	// itself (the unit went on) or the run is stopping.
	Hold(ctx context.Context, held Held) (Release, error)
}

// Held is a hold as a person sees it.
type Held struct {
	engine.Hold
	Screen  []string // the last screen, without secrets
	Choices []Choice
	Advice  string // what to do about it; "" where the reason says it all
}

// Choice is how a person may release a hold.
type Choice string

// The choices at a hold.
const (
	ByHand  Choice = "type"    // type this by hand, then look again
	Again   Choice = "again"   // look again, as things are now
	GoTo    Choice = "go-to"   // go on at a stage
	Confirm Choice = "confirm" // the chassis is the right one
	GiveUp  Choice = "give-up"
)

// takeOver releases a hold for a person who takes the line over.
const takeOver Choice = "take-over"

// itself releases a hold that has lifted because the unit went on.
const itself = "the unit went on by itself"

// Release is a person's choice at a hold.
type Release struct {
	Choice  Choice
	Text    string // ByHand: what to type
	Secret  bool   // ByHand: Text is a secret and must not be recorded
	NoEnter bool   // ByHand: without Enter after it
	Stage   string // GoTo
	By      string // the person
}

// hold waits for a person. What the unit says meanwhile is heard and
// recorded; nothing is sent.
func (p *play) hold(h engine.Hold) (*engine.Ending, error) {
	if h.Kind == engine.HoldSilent || h.Kind == engine.HoldStrange || h.Kind == engine.HoldUnknown {
		if d := p.tuned(); d != nil {
			h = *d
		}
	}
	p.marks()
	err := p.rec.Append(transcript.Event{Kind: transcript.Hold, State: "raised", Code: string(h.Kind), Text: h.Reason, Stage: h.Stage, Exchange: h.Exchange})
	if err == nil {
		err = p.rec.Sync()
	}
	if err != nil {
		return nil, &recordError{err}
	}
	p.watch(Holding, h.Reason, &h)
	if p.Desk == nil {
		return p.release(h, Release{Choice: GiveUp, By: "nobody was asked"})
	}
	r, err := p.ask(h)
	if err != nil {
		return nil, err
	}
	return p.release(h, r)
}

// holdFor holds at an exchange for a reason that the player has found.
func (p *play) holdFor(kind engine.HoldKind, t engine.Type, reason string) (*engine.Ending, error) {
	end, err := p.hold(p.eng.HoldAt(kind, t, reason))
	if end != nil {
		p.failed = end
	}
	return end, err
}

// choices lists what a person may do about h.
func choices(h engine.Hold) []Choice {
	if h.Kind == engine.HoldConfirm {
		return []Choice{Confirm, Again, GiveUp}
	}
	if h.Kind == engine.HoldChassis {
		return []Choice{Again, GiveUp}
	}
	return []Choice{ByHand, Again, GoTo, GiveUp}
}

// ask puts a hold before the desk and hears the line until it is released.
func (p *play) ask(h engine.Hold) (Release, error) {
	ctx, cancel := context.WithCancel(p.ctx)
	type answer struct {
		r   Release
		err error
	}
	answers := make(chan answer, 1)
	held := Held{Hold: *p.shownHold(&h), Screen: p.screen(), Choices: choices(h)}
	go func() {
		r, err := p.Desk.Hold(ctx, held)
		answers <- answer{r, err}
	}()
	defer func() {
		cancel()
		if answers != nil {
			<-answers // the desk's goroutine ends with its context
		}
	}()
	for {
		select {
		case a := <-answers:
			answers = nil
			if p.ctx.Err() != nil {
				return Release{}, errStopped
			}
			if a.err != nil {
				p.note("desk", fmt.Sprintf("nobody can be asked: %v", a.err))
				return Release{Choice: GiveUp, By: "nobody could be asked"}, nil
			}
			return a.r, nil
		case p.grip = <-p.callers():
			return Release{Choice: takeOver, By: p.grip.by}, nil
		case c := <-p.ear.chunks:
			if err := p.take(c); err != nil {
				return Release{}, err
			}
		case <-time.After(p.lineSettle() * endedSettle):
			if lifted, err := p.lifts(h); err != nil || lifted {
				return Release{Choice: Again, By: itself}, err
			}
		case <-p.ctx.Done():
			return Release{}, errStopped
		}
	}
}

// lifts tells whether a hold has lifted by itself: it was about something
// that did not come, and now a known prompt shows.
func (p *play) lifts(h engine.Hold) (bool, error) {
	switch h.Kind {
	case engine.HoldUnknown, engine.HoldOverdue, engine.HoldSilent, engine.HoldStrange:
	default:
		return false, nil
	}
	if !p.lastHeard.After(p.attached) {
		return false, nil
	}
	live, err := p.eng.Live()
	if err != nil {
		return false, err
	}
	text := tail(p.sinceAnswer())
	cases, _ := p.cases(live, time.Since(p.lastHeard), endsLine(text))
	i, err := p.m.look(text, cases)
	return i >= 0, err
}

// screen is the unit's screen as a person may see it.
func (p *play) screen() []string {
	rows := p.scr.Rows()
	for len(rows) > 0 && rows[len(rows)-1] == "" {
		rows = rows[:len(rows)-1]
	}
	if p.window != windowShut && len(rows) > 0 {
		rows[len(rows)-1] = "(withheld: a secret was being typed)"
	}
	out := make([]string, len(rows))
	for i, row := range rows {
		out[i] = p.shown(row)
	}
	return out
}

// release does what a person chose.
func (p *play) release(h engine.Hold, r Release) (*engine.Ending, error) {
	err := p.rec.Append(transcript.Event{Kind: transcript.Hold, State: "released", Code: string(r.Choice), Text: r.Stage, By: r.By, Stage: h.Stage})
	if err != nil {
		return nil, &recordError{err}
	}
	now := time.Now()
	switch r.Choice {
	case takeOver:
		return p.takenOver(&h)
	case ByHand:
		err = p.byHand(h, r, now)
	case GoTo:
		if err := p.eng.GoTo(r.Stage, now); err != nil {
			p.note("go-to", err.Error())
		}
		err = p.askAgain()
	case Confirm:
		p.eng.Confirm()
		p.note("chassis-confirmed", fmt.Sprintf("%s has read serial number %s off the chassis", orPerson(r.By), p.Target.Serial))
	case Again:
		p.eng.Again()
		if r.By != itself {
			err = p.askAgain()
		}
	default:
		end := engine.GiveUp(h)
		return &end, nil
	}
	p.eng.Extend(time.Now())
	p.attached = time.Now() // a hold's time is the person's, not the unit's
	p.watch(Waiting, "", nil)
	return nil, err
}

func orPerson(by string) string {
	if by == "" {
		return "a person"
	}
	return by
}

// askAgain makes the unit show its prompt again where the dialogue has a key
// for that.
func (p *play) askAgain() error {
	p.lastHeard = time.Now()
	if p.Dialogue.Redraw == nil {
		return nil
	}
	return p.redraw("a person asked to look again")
}

// byHand sends what a person has typed.
func (p *play) byHand(h engine.Hold, r Release, now time.Time) error {
	parts := []transcript.Part{{Bytes: []byte(r.Text)}}
	if r.Secret {
		parts = []transcript.Part{{Secret: secretByHand}}
		if err := p.rec.Window(secretByHand); err != nil {
			return &recordError{err}
		}
		p.window = windowTyping
	}
	p.since = p.scr.Place()
	e := transcript.Event{Why: "hand", Stage: h.Stage, Exchange: h.Exchange, By: r.By, Data: parts}
	if err := p.send(e, r.Text); err != nil {
		return err
	}
	if p.window == windowTyping {
		p.window = windowEntered
	}
	if !r.NoEnter {
		if err := p.send(transcript.Event{Why: "hand", By: r.By, Text: "Enter"}, p.Dialogue.Line.Enter.Bytes); err != nil {
			return err
		}
	}
	p.here++
	p.eng.ByHand(h, now)
	return nil
}

// reattach waits for a line that has gone to come back, and takes it up. One
// that goes again at once is waited for again, for no longer than Away.
func (p *play) reattach() error {
	limit := time.Now().Add(p.Away)
	for {
		err := p.reattachOnce()
		again := errors.Is(err, errLost) && !errors.Is(err, console.ErrStuck) && p.Reopen != nil
		if !again || time.Now().After(limit) {
			return err
		}
		if err := p.sleep(reopenEvery); err != nil {
			return err
		}
	}
}

func (p *play) reattachOnce() error {
	p.shutWindow()
	p.note("line-lost", fmt.Sprintf("the line went away%s", p.where()))
	if err := p.rec.Sync(); err != nil {
		return &recordError{err}
	}
	p.detach()
	p.watch(Away, "the line is gone; put it back", nil)
	line, err := p.reopen()
	if err != nil {
		// The run needs a line to close.
		p.ear, p.m = listen(p.Line), newPlainMatcher(p.Line)
		return err
	}
	p.leftStanding(p.halfTyped, p.halfSecret)
	if !p.lastHeard.After(p.enteredAt) {
		// Nothing was heard after the last Enter: it may have been lost.
		p.leftStanding(p.entered.n, p.entered.secret)
	}
	p.attach(line)
	p.note("line-back", fmt.Sprintf("the line is back as %s; what the unit did meanwhile was not witnessed", line.Info().Device))
	p.watch(Waiting, "the line is back", nil)
	return p.settleIn("the line is back")
}

// leftStanding notes what may stand half typed at the planned unit.
func (p *play) leftStanding(n int, secret bool) {
	p.standing.n = max(p.standing.n, n)
	p.standing.secret = p.standing.secret || secret && n > 0
	p.halfTyped = 0
}

// settleIn takes back what was half typed when the line or an earlier run was
// cut, and makes the unit say where it is. It may be another unit: what stands
// at the planned one is taken back each time, until something has been
// entered there.
func (p *play) settleIn(because string) error {
	if p.Dialogue.Redraw == nil {
		return nil
	}
	if p.standing.n > 0 {
		e, keys := p.erasing(p.standing.n, p.standing.secret)
		e.Text = "half typed when the line or the run was cut"
		if err := p.send(e, keys); err != nil {
			return err
		}
	}
	return p.showAfresh(because)
}

// reopen opens the lost line again, as soon as it is there.
func (p *play) reopen() (console.Line, error) {
	if p.Reopen == nil {
		return nil, errLost
	}
	limit := time.Now().Add(p.Away)
	for {
		line, err := p.Reopen(p.ctx)
		if err == nil {
			return line, nil
		}
		if p.ctx.Err() != nil {
			return nil, errStopped
		}
		if time.Now().After(limit) {
			return nil, fmt.Errorf("%w: %w", errLost, err)
		}
		if err := p.sleep(reopenEvery); err != nil {
			return nil, err
		}
	}
}

// reopenEvery is how often a line that is gone is tried.
const reopenEvery = 500 * time.Millisecond

func (p *play) sleep(d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-p.ctx.Done():
		return errStopped
	}
}

// stoppedEnding says in what state a stopped run leaves the unit.
func (p *play) stoppedEnding() engine.Ending {
	state := fmt.Sprintf("%d answers had been given", p.answered)
	if p.answered == 1 {
		state = "1 answer had been given"
	}
	switch {
	case p.halfTyped > 0:
		state += "; an answer stands half typed at the unit and was not entered"
	case p.lastLine() != "":
		state += fmt.Sprintf("; the unit's last line is %q", p.lastLine())
	}
	return engine.Ending{How: engine.Stopped,
		Sentence: fmt.Sprintf("The run was stopped%s: %s.", p.where(), state),
		Next:     "Run again to go on: the run picks up where the unit is."}
}
