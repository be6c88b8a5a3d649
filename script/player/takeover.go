package player

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"linehand/script/engine"
	"linehand/transcript"
)

// Hands let people take over the line of a run while it goes on. One Hands
// is for one run, or for all runs of a visit, one after the other.
//
// A run lets go of its line between two exchanges, at a hold, or while it
// waits: an answer that is being typed is typed to its end first. From then
// on it hears and records, and types nothing until the line is given back.
type Hands struct {
	calls chan *Grip
	over  chan struct{} // closed when the run is over
	lasts bool          // End says when that is
}

// NewHands makes the Hands of one run.
func NewHands() *Hands { return &Hands{calls: make(chan *Grip), over: make(chan struct{})} }

// NewLastingHands makes the Hands of several runs, one after the other. Who
// asks for the line between two of them waits for the next. End ends them.
func NewLastingHands() *Hands {
	h := NewHands()
	h.lasts = true
	return h
}

// End says that no run comes any more.
func (h *Hands) End() { close(h.over) }

// runOver is told when a run has ended.
func (h *Hands) runOver() {
	if h != nil && !h.lasts {
		close(h.over)
	}
}

// Errors of a Grip.
var (
	ErrOver      = errors.New("the run is over")
	ErrGivenBack = errors.New("the line was given back")
	ErrLineGone  = errors.New("the line is gone")
)

// Take waits until the run has let go of its line.
func (h *Hands) Take(ctx context.Context, by string) (*Grip, error) {
	g := &Grip{by: by, strokes: make(chan stroke), over: make(chan struct{})}
	select {
	case h.calls <- g:
		return g, nil
	case <-h.over:
		return nil, ErrOver
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Grip is a line that a person has taken over. Its methods may be called
// from any goroutine; they return when what was typed has left.
type Grip struct {
	by      string
	strokes chan stroke
	over    chan struct{} // closed when the line is no longer the person's
	why     error         // set before over is closed
}

// stroke is one thing that the person does.
type stroke struct {
	keys   []byte
	secret string
	back   bool
	done   chan error
}

// Type sends keys as a terminal in raw mode gives them; a carriage return is
// what the dialogue's Enter sends. Printable keys are recorded as a secret
// would be, and a line that the unit has shown as it was typed is noted in
// clear at its Enter (see Hand).
func (g *Grip) Type(keys []byte) error { return g.do(stroke{keys: append([]byte(nil), keys...)}) }

// Secret types a secret and Enter. Neither it nor its echo is recorded.
func (g *Grip) Secret(text string) error { return g.do(stroke{secret: text}) }

// GiveBack lets the run go on: it looks where the unit is.
func (g *Grip) GiveBack() error { return g.do(stroke{back: true}) }

// Over is closed when the line is no longer the person's: it was given back,
// the line or the run is gone.
func (g *Grip) Over() <-chan struct{} { return g.over }

func (g *Grip) do(s stroke) error {
	s.done = make(chan error, 1)
	select {
	case g.strokes <- s:
		return <-s.done
	case <-g.over:
		return g.why
	}
}

func (g *Grip) end(why error) {
	g.why = why
	close(g.over)
}

// callers is where people ask for the line; nil where nobody can.
func (r Run) callers() <-chan *Grip {
	if r.Hands == nil {
		return nil
	}
	return r.Hands.calls
}

// keyed is what a person has typed since the line was taken over.
type keyed struct {
	*play
	by    string
	line  typedLine
	typed bool
}

// takenOver serves the person who has called, and takes the run up again.
// held is the hold at which the line was taken; nil when there was none.
func (p *play) takenOver(held *engine.Hold) (*engine.Ending, error) {
	g := p.grip
	p.grip = nil
	k := &keyed{play: p, by: g.by}
	err := k.serve(g)
	switch {
	case errors.Is(err, errStopped):
		g.end(ErrOver)
		p.halfTyped, p.halfSecret = k.standing(), true
		p.takeBack()
		return nil, err
	case err != nil:
		g.end(fmt.Errorf("%w: %w", ErrLineGone, err))
		p.halfTyped, p.halfSecret = k.standing(), true
		p.eng.ByHand(engine.Hold{}, time.Now())
		return nil, err
	}
	g.end(ErrGivenBack)
	return k.takeUp(held)
}

// serve hears the line and types what the person types, until the line is
// given back.
func (k *keyed) serve(g *Grip) error {
	err := k.rec.Append(transcript.Event{Kind: transcript.Note, Code: NoteTaken, By: k.by, Text: "a person has taken the line over", Stage: k.eng.Progress().Stage})
	if err == nil {
		err = k.rec.Sync()
	}
	if err != nil {
		return &recordError{err}
	}
	k.watch(Taken, "", nil)
	k.begin()
	for {
		select {
		case c := <-k.ear.chunks:
			if err := k.take(c); err != nil {
				return err
			}
		case <-time.After(k.lineSettle() * endedSettle):
			if err := k.rec.quiet(); err != nil {
				return &recordError{err}
			}
		case s := <-g.strokes:
			err := k.stroke(s)
			s.done <- err
			if err != nil || s.back {
				return err
			}
		case <-k.ctx.Done():
			return errStopped
		}
	}
}

// The codes of the notes about a line that was taken over.
const (
	NoteTaken     = "taken-over"
	NoteGivenBack = "given-back"
)

func (k *keyed) stroke(s stroke) error {
	if s.back {
		err := k.rec.Append(transcript.Event{Kind: transcript.Note, Code: NoteGivenBack, By: k.by, Text: "the person has given the line back", Stage: k.eng.Progress().Stage})
		if err != nil {
			return &recordError{err}
		}
		return nil
	}
	k.shutWindow()
	k.typed = true
	if s.secret != "" {
		return k.secret(s.secret)
	}
	return k.burst(s.keys)
}

// burst sends keys, line by line.
func (k *keyed) burst(keys []byte) error {
	for len(keys) > 0 {
		n := len(keys)
		if i := strings.IndexAny(string(keys), "\r\n"); i >= 0 {
			n = i
		}
		if n > 0 {
			if err := k.typeKeys(keys[:n]); err != nil {
				return err
			}
		}
		if keys = keys[n:]; len(keys) == 0 {
			return nil
		}
		if keys = keys[1:]; len(keys) > 0 && keys[0] == '\n' {
			keys = keys[1:] // one Enter, as pasted text has it
		}
		if err := k.enter(); err != nil {
			return err
		}
	}
	return nil
}

func (k *keyed) typeKeys(keys []byte) error {
	if len(k.line.text) == 0 && !k.line.lost {
		k.begin()
	}
	k.line.add(keys)
	return k.send(transcript.Event{Why: "hand", By: k.by, Data: keyParts(keys)}, string(keys))
}

// enter presses Enter, when the echo of the line is there or does not come.
func (k *keyed) enter() error {
	if len(k.line.text) > 0 {
		shown := func() bool { return k.line.shown(k.scr) }
		wire := 2 * time.Duration(len(k.line.text)) * k.Line.Info().Settings.CharTime()
		for until := time.Now().Add(wire + echoShown); !shown() && time.Now().Before(until); {
			if _, err := k.pump(until, shown); err != nil {
				return err
			}
			if k.failed != nil {
				break
			}
		}
		// A recorder that fails shows at the Enter, which is recorded before it
		// is sent.
		_ = k.rec.Append(k.line.note(k.scr, k.by))
	}
	return k.pressEnter()
}

func (k *keyed) pressEnter() error {
	k.since = k.scr.Place()
	if k.window == windowTyping {
		k.window = windowEntered
	}
	err := k.send(transcript.Event{Why: "hand", By: k.by, Text: "Enter"}, k.Dialogue.Line.Enter.Bytes)
	k.begin()
	return err
}

// secret types a secret with its Enter.
func (k *keyed) secret(text string) error {
	if err := k.rec.Window(secretByHand); err != nil {
		return &recordError{err}
	}
	k.window = windowTyping
	err := k.send(transcript.Event{Why: "hand", By: k.by, Data: []transcript.Part{{Secret: secretByHand}}}, text)
	if err != nil {
		return err
	}
	return k.pressEnter()
}

// secretByHand is the name that stands in a record for a secret that a person
// has typed as one.
const secretByHand = "typed by hand"

func (k *keyed) begin() { k.line = typedLine{from: k.scr.Place(), before: k.scr.Current()} }

// standing is how many keys stand typed at the unit and were not entered.
func (k *keyed) standing() int {
	if len(k.line.text) == 0 && !k.line.lost || strings.Contains(k.scr.Since(k.line.from, sinceMost), "\n") {
		return 0 // a unit that takes one key and no Enter has gone on
	}
	return max(1, utf8.RuneCount(k.line.text))
}

// takeUp goes on after the line was given back: it looks where the unit is.
// What was not typed to its Enter is taken back, and the unit asked to show
// its prompt afresh; where it cannot be asked, a person says how to go on.
func (k *keyed) takeUp(held *engine.Hold) (*engine.Ending, error) {
	p := k.play
	p.eng.Extend(time.Now())
	switch {
	case p.failed != nil:
		return p.failed, nil
	case !k.typed && held != nil:
		return p.hold(*held) // as it was
	case !k.typed:
		p.watch(Waiting, "", nil)
		return nil, nil
	}
	half := k.standing()
	if half == 0 && len(k.line.text) > 0 {
		p.since = k.line.from
	}
	p.eng.ByHand(engine.Hold{}, time.Now())
	p.here++
	p.attached = time.Now()
	p.watch(Waiting, "", nil)
	if half == 0 {
		return nil, nil
	}
	e, keys := p.erasing(half, true)
	e.Text = "taken back: typed by hand, and Enter was not pressed"
	if err := p.send(e, keys); err != nil {
		return nil, err
	}
	if p.Dialogue.Redraw != nil {
		return p.failedOr(p.redraw("the line was given back"))
	}
	return p.hold(p.eng.HoldFor(engine.HoldUnknown, "keys were typed by hand without Enter and taken back, and the unit has no key that shows its prompt afresh"))
}
