// Package player plays a dialogue over a line: it hears, records, asks the
// engine what to do, types, checks the echo and presses Enter.
//
// One run has three goroutines besides the caller's: a reader that owns
// reading from the line, and two inside the expect engine. All of them end
// before Play returns. What is heard is recorded before it is acted on; what
// is to be said is on disk before it is sent.
//
// The caller owes an open line, a recorder and a context. Cancelling the
// context stops the run safely: what is half typed is taken back, and the
// ending says in what state the unit was left.
package player

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rs/zerolog"

	"linehand/console"
	"linehand/console/screen"
	"linehand/script"
	"linehand/script/engine"
	"linehand/transcript"
)

// Run is one unit on one line.
type Run struct {
	Dialogue *script.Dialogue
	Target   engine.Target
	Line     console.Line // Play closes it
	Record   Recorder
	Secrets  Secrets

	// Reopen opens the line again after it was lost; nil: a lost line ends
	// the run. Away is how long the line may stay away (5 minutes if zero).
	Reopen func(context.Context) (console.Line, error)
	Away   time.Duration
	// Tune opens the line with other settings, to find the speed that fits
	// when what is heard is not text; nil: no other speed is tried.
	Tune func(context.Context, console.Settings) (console.Line, error)

	// Desk is asked at holds; nil: nobody is there, and a hold ends the run.
	Desk Desk
	// Hands let people take the line over while the run goes on; nil: nobody
	// can.
	Hands *Hands
	// Chassis is the serial number that a person has read off the chassis,
	// for kinds of unit that print none; "" if nobody has.
	Chassis string
	Person  string // who runs this, for the record
	// HalfTyped is how many characters an earlier run, which was cut off, may
	// have left typed at the unit without Enter; they are taken back first.
	HalfTyped int
	// Part is the name of the part of a visit that this run is: its ending is
	// then an event of kind transcript.Phase, and more may follow. "": the
	// run is the whole record.
	Part string
	// Patience is how long an unfinished line that matches nothing known may
	// stand before it counts as an unknown prompt (8 s if zero).
	Patience time.Duration

	Watch func(Progress)      // told of each change; nil: nobody watches
	Mask  func(string) string // takes secrets out of text for people; nil: none are known
	Log   zerolog.Logger
}

// Recorder is where a run puts its events. *transcript.Journal is one.
type Recorder interface {
	Heard(at time.Time, p []byte) error
	Say(e transcript.Event) error    // returns once the event is on disk
	Append(e transcript.Event) error // all kinds but heard and said
	Window(secret string) error      // a secret is being typed: withhold what may be its echo
	EndWindow() error
	Sync() error
}

// Secrets fetches the value of a secret.
type Secrets interface {
	Secret(name string) (string, error)
}

// Progress is what a run shows to whoever watches.
type Progress struct {
	Part     string // of a visit; "" when the run is no part of one
	Stage    string
	No, Of   int // stages, from 1; No is 0 before the first
	Doing    Doing
	Text     string // for people, without secrets
	Holding  *engine.Hold
	Answered int // exchanges answered so far
}

// Doing is what a run is doing.
type Doing string

// What a run may be doing.
const (
	Waiting Doing = "waiting"
	Typing  Doing = "typing"
	Holding Doing = "holding"
	Taken   Doing = "taken over"
	Away    Doing = "line away"
	Ended   Doing = "ended"
)

// play is a run under way. It lives on the goroutine that called Play.
type play struct {
	Run
	rec *gatherer // in front of Run.Record, which nothing else uses
	ctx context.Context
	eng *engine.Engine
	scr *screen.Screen
	ear *ear
	m   matcher

	since      screen.Place // where the text since the last answer begins
	lastHeard  time.Time
	attached   time.Time // when this line was opened
	heard      heardStats
	waker      waker
	pace       time.Duration // between characters; grows when the echo shows losses
	halfTyped  int           // characters typed whose Enter has not been sent
	halfSecret bool          // they are of a secret
	standing   standing      // at the planned unit, since its line went
	entered    standing      // what the last Enter was for
	enteredAt  time.Time
	window     windowState // a secret's echo is being withheld
	asked      time.Time   // when the redraw key was pressed last
	answered   int
	here       int // answered since this line was attached
	failed     *engine.Ending
	said       []byte // the last bytes sent, to know our own echo

	calls <-chan *Grip // where a person may ask for the line just now; nil: not now
	grip  *Grip        // who has asked, and is to be served next
}

// standing is what may stand half typed at a unit that was lost from sight.
type standing struct {
	n      int // characters
	secret bool
}

// errors that end what is being done; they never leave the package.
var (
	errStopped = errors.New("stopped by a person")
	errLost    = errors.New("the line is gone")
)

// recordError is a failure of the recorder: nothing more may be sent.
type recordError struct{ err error }

func (e *recordError) Error() string { return "writing the session record: " + e.err.Error() }
func (e *recordError) Unwrap() error { return e.err }

// Play plays the run to its end and returns how it ended. The ending is the
// record's last event. It returns an error only when the run could not
// begin.
func (r Run) Play(ctx context.Context) (engine.Ending, error) {
	defer r.Hands.runOver()
	eng, err := engine.New(r.Dialogue, r.Target)
	if err != nil {
		r.Line.Close()
		return engine.Ending{}, err
	}
	if r.Away == 0 {
		r.Away = 5 * time.Minute
	}
	if r.Patience == 0 {
		r.Patience = 8 * time.Second
	}
	if r.Mask == nil {
		r.Mask = func(s string) string { return s }
	}
	p := &play{Run: r, rec: &gatherer{Recorder: r.Record}, ctx: ctx, eng: eng, pace: r.Dialogue.Line.Pace}
	p.scr = screen.New(max(r.Dialogue.Line.Columns, 20), 24)
	p.scr.OnLine(p.finishedLine)
	p.attach(r.Line)
	ending := p.ending(p.loop())
	if p.grip != nil { // who has called at the last moment
		p.grip.end(ErrOver)
	}
	p.detach()
	return p.close(ending), nil
}

// attach takes up a line that was just opened.
func (p *play) attach(line console.Line) {
	p.cutLine()
	p.Line = line
	p.ear = listen(line)
	p.m = newMatcher(line)
	p.attached = time.Now()
	p.lastHeard = p.attached
	p.since = p.scr.Place()
	p.heard = heardStats{}
	p.said = nil
	p.here = 0
	p.waker = newWaker(p.Dialogue, p.attached, endedSettle*p.lineSettle())
	p.eng.Attached()
	if p.Chassis != "" && p.Dialogue.IdentityNone && p.Chassis == p.Target.Serial {
		p.eng.Confirm()
		p.note("chassis-confirmed", fmt.Sprintf("a person has read serial number %s off the chassis", p.Chassis))
		// The word holds for this cable in this socket only.
		p.Chassis = ""
	}
}

// cutLine ends the line that stood unfinished when the line before this one
// went. What comes now is not its rest: it may be another unit's, and half a
// serial number of one unit must not be read as the other's.
func (p *play) cutLine() {
	if p.ear == nil {
		return
	}
	p.scr.OnLine(nil)
	p.scr.Write([]byte("\x18\r\n")) // CAN ends a control sequence, ECMA-48 8.3.7
	p.scr.OnLine(p.finishedLine)
}

// detach lets go of the line and waits for everything that served it.
func (p *play) detach() {
	p.m.close()
	p.Line.Close()
	p.ear.wait()
}

// loop is the run: hear, look, act, until the run is over.
func (p *play) loop() (engine.Ending, error) {
	if p.HalfTyped > 0 {
		p.leftStanding(p.HalfTyped, true) // the number may tell a secret's length
		if err := p.settleIn("an earlier run was cut off"); err != nil && !errors.Is(err, errLost) {
			return engine.Ending{}, err
		}
	}
	for {
		end, err := p.step()
		if errors.Is(err, errLost) {
			if end, err = p.hungUp(); end == nil && err == nil {
				err = p.reattach()
			}
		}
		if err != nil {
			return engine.Ending{}, err
		}
		if end != nil {
			return *end, nil
		}
	}
}

// hungUp asks whether the run was over when the line went.
func (p *play) hungUp() (*engine.Ending, error) {
	now := time.Now()
	shown := engine.Shown{Since: p.sinceAnswer(), Quiet: now.Sub(p.lastHeard), Now: now, Heard: p.lastHeard}
	shown.Tail = tail(shown.Since)
	end, err := p.eng.HungUp(shown)
	if err != nil {
		return nil, err
	}
	if end != nil {
		p.note("hung-up", fmt.Sprintf("the unit ended the connection%s", p.where()))
	}
	p.marks()
	return end, nil
}

// step takes what the line brings until it is time to look, and looks.
func (p *play) step() (*engine.Ending, error) {
	live, err := p.eng.Live()
	if err != nil {
		return nil, err
	}
	p.calls = p.callers()
	moved, err := p.pump(p.nextLook(live), anything)
	p.calls = nil
	if p.grip != nil && err == nil {
		return p.takenOver(nil)
	}
	if err != nil || p.failed != nil {
		return p.failed, err
	}
	if moved && !engine.AtOnce(live) {
		return nil, nil
	}
	return p.look(live)
}

// anything makes a pump return at the first thing heard.
func anything() bool { return true }

// ending turns what ended the loop into the run's ending.
func (p *play) ending(end engine.Ending, err error) engine.Ending {
	var rec *recordError
	switch {
	case err == nil:
		return end
	case errors.Is(err, errStopped):
		return p.stoppedEnding()
	case errors.Is(err, console.ErrStuck):
		return engine.Ending{How: engine.Lost,
			Sentence: fmt.Sprintf("The line takes no bytes%s, also after it was opened again.", p.where()),
			Next:     "Check the flow control and the cable's wiring; then run again: the run goes on where the unit is."}
	case errors.Is(err, errLost):
		return engine.Ending{How: engine.Lost,
			Sentence: fmt.Sprintf("The line went away%s and did not come back within %s.", p.where(), p.Away),
			Next:     "Put the cable or the adapter back and run again: the run goes on where the unit is."}
	case errors.As(err, &rec):
		return engine.Ending{How: engine.NoRecord,
			Sentence: fmt.Sprintf("The session record could not be written%s: %v. Nothing was sent after that.", p.where(), rec.err),
			Next:     "Make room on the disk (or mend it) and run again: the run goes on where the unit is."}
	default:
		return engine.Ending{How: engine.Broken,
			Sentence: fmt.Sprintf("The run cannot go on%s: %v.", p.where(), err),
			Next:     "Correct the dialogue or the profile at the place named, and run again."}
	}
}

// close records how the run ended.
func (p *play) close(end engine.Ending) engine.Ending {
	end.Sentence = p.shown(end.Sentence)
	p.marks() // a failed recorder shows in the ending below
	last := transcript.Event{Kind: transcript.Ending, Code: string(end.How), Text: end.Sentence, Next: end.Next, Exit: end.How.ExitCode()}
	if p.Part != "" {
		last.Kind, last.State, last.Name = transcript.Phase, transcript.Over, p.Part
	}
	err := p.rec.Append(last)
	if err == nil {
		err = p.rec.Sync()
	}
	if err != nil && end.How != engine.NoRecord {
		end = engine.Ending{How: engine.NoRecord,
			Sentence: fmt.Sprintf("%s But the end of the session record could not be written: %v.", end.Sentence, err),
			Next:     "Make room on the disk and keep the record as it is: it says that its end is missing."}
	}
	p.watch(Ended, end.Sentence, nil)
	return end
}

// where names the place of the run, for sentences.
func (p *play) where() string {
	if s := p.eng.Progress().Stage; s != "" {
		return fmt.Sprintf(" in stage %q", s)
	}
	return " before the first stage"
}

// shown is text for people: without secrets, and without anything that a
// terminal, or an eye, would take for something else.
func (p *play) shown(text string) string { return transcript.Printable(p.Mask(text)) }

func (p *play) shownHold(h *engine.Hold) *engine.Hold {
	if h == nil {
		return nil
	}
	held := *h
	held.Reason = p.shown(held.Reason)
	return &held
}

func (p *play) watch(doing Doing, text string, hold *engine.Hold) {
	if p.Watch == nil {
		return
	}
	at := p.eng.Progress()
	p.Watch(Progress{Part: p.Part, Stage: at.Stage, No: at.No, Of: at.Of, Doing: doing, Text: p.shown(text), Holding: p.shownHold(hold), Answered: p.answered})
}
