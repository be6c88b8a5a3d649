// Package visit plays a whole visit to one unit, in one record: the steps by
// hand before power, the first boot, the wait until the unit serves, the
// set-up after it, the proof, the steps by hand after it, the punch list and
// the sign-off.
//
// It decides nothing about a prompt: each dialogue is played by package
// script/player. It opens nothing by itself: the caller hands it who opens
// lines, who looks over the network, and who stands at the unit. Several
// visits at once, each on a goroutine of its caller, keep the order of their
// clusters by a Turns that they share.
//
// Cancelling the context stops a visit at any moment; what it has started has
// ended before Run returns.
package visit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"linehand/console"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// Visit is one unit, from the crate to the sign-off.
type Visit struct {
	Unit string

	Before, After []Step
	FirstBoot     *Talk // nil: the unit has no console
	SetUp, Proof  *Talk // nil: there is none for its kind

	Addresses []Address // that the first boot gives out; probed before it
	Ports     []Look    // every planned port, looked at in the proof
	SignIns   []SignIn  // tried in the proof over the network
	LogTarget *Log      // that the proof waits for; nil: none is planned

	Serial  string
	Secrets player.Secrets
	Record  player.Recorder
	Mask    func(string) string // takes secrets out of text for people; nil: none are known

	Person Person        // nil: nobody is there
	Name   string        // of the person, for the record
	Hands  *player.Hands // lasting ones, through which people take the line over; nil: nobody can
	// HalfTyped is for the first dialogue that is played, see player.Run.
	HalfTyped int
	Chassis   string // serial number that a person has read off the chassis
	Quick     bool   // steps are shown as one list
	Network   Network
	Turns     *Turns // nil: the visit is alone

	// Earlier is what an earlier record of the same visit holds; nil: none.
	Earlier *Earlier
	// Closes are the open points of the record that a later proof is after.
	Closes []Point
	// ClosesBy and By are who closes open points and by when, as 2006-01-02,
	// where nobody is asked.
	ClosesBy, By string
	// From is the part to begin with; "": the first.
	From Part
	// Only are the parts to play; nil: all of them.
	Only []Part

	Patience    time.Duration         // see player.Run
	Away        time.Duration         // see player.Run
	ProofWithin time.Duration         // how long the proof waits for what must answer (20 s if zero)
	Boot        time.Duration         // how long a boot of this kind takes, from earlier records; 0: not known
	Watch       func(player.Progress) // never called twice at once; nil: nobody watches
	Logger      zerolog.Logger
}

// Part is a part of a visit.
type Part string

// The parts of a visit, in their order.
const (
	Before    Part = "before"
	FirstBoot Part = "first boot"
	Serving   Part = "waiting"
	SetUp     Part = "set-up"
	Again     Part = "waiting after set-up"
	Proof     Part = "proof"
	After     Part = "after"
	Punch     Part = "punch list"
	SignOff   Part = "sign-off"
)

// Parts are all of them, in their order.
func Parts() []Part {
	return []Part{Before, FirstBoot, Serving, SetUp, Again, Proof, After, Punch, SignOff}
}

// Talk is a dialogue that is a part of the visit.
type Talk struct {
	Dialogue *script.Dialogue
	Values   script.Values
	// Open opens the line; facts are what the visit has read so far, such as
	// the host key that the console has shown. It may be called again after
	// the line was lost.
	Open func(ctx context.Context, facts map[string]string) (console.Line, error)
	Tune func(ctx context.Context, set console.Settings) (console.Line, error)
	// Fresh says that each opening begins anew at the unit, as a shell over SSH
	// does: a stage that was not met then had no need to be.
	Fresh bool
	// Serves is what must answer after the dialogue; without looks, nothing.
	Serves Wait
}

// Earlier is what an earlier record of the same visit says.
type Earlier struct {
	Record string            // its path
	Ended  string            // how, such as "held"; "" when it was cut off
	Ticked map[string]Answer // steps, by StepKey
	Done   []Part            // parts that have come to a good end
	Facts  map[string]string // such as the host key
	Certs  map[string]string // fingerprints, by LookKey
}

// run is a visit under way. It lives on the goroutine that called Run.
type run struct {
	Visit
	ctx    context.Context
	rec    *witness
	part   Part
	points points
	seen   map[string]string // certificate fingerprints, by look

	unseen  int  // planned addresses that the proof could not look at
	changed bool // a dialogue has changed the unit
	halt    bool // the part's ending ends the visit, whatever it is
}

// errors that end a visit; they never leave the package.
var errStopped = errors.New("stopped by a person")

// Run plays the visit to its end and returns how it ended. The ending is the
// record's last event. It returns an error only when the visit could not
// begin.
func (v Visit) Run(ctx context.Context) (engine.Ending, error) {
	if v.From != "" && !slices.Contains(Parts(), v.From) {
		return engine.Ending{}, fmt.Errorf("a visit has no part %q; there are %s", v.From, names(Parts()))
	}
	if v.Mask == nil {
		v.Mask = func(s string) string { return s }
	}
	if watch := v.Watch; watch != nil {
		var one sync.Mutex // a boot is watched on a goroutine of its own
		v.Watch = func(p player.Progress) {
			one.Lock()
			defer one.Unlock()
			watch(p)
		}
	}
	r := &run{Visit: v, ctx: ctx, rec: newWitness(v.Record), seen: make(map[string]string)}
	defer func() { r.Turns.ended(v.Unit, false) }()
	if v.Earlier != nil {
		r.rec.knew(v.Earlier.Facts)
		for look, print := range v.Earlier.Certs {
			r.seen[look] = print
		}
	}
	end := r.parts()
	r.Turns.ended(v.Unit, end == nil)
	return r.close(r.finish(end)), nil
}

func names(parts []Part) string {
	text := ""
	for i, p := range parts {
		if i > 0 {
			text += ", "
		}
		text += string(p)
	}
	return text
}

// parts plays the parts up to the sign-off. An ending says that the visit
// cannot go on.
func (r *run) parts() *engine.Ending {
	r.ask()
	for _, p := range []struct {
		name  Part
		there bool
		play  func() (engine.Ending, error)
	}{
		{Before, len(r.Before) > 0, func() (engine.Ending, error) { return r.steps(r.Before) }},
		{FirstBoot, r.FirstBoot != nil, r.firstBoot},
		{Serving, r.FirstBoot != nil, func() (engine.Ending, error) { return r.wait(r.FirstBoot.Serves) }},
		{SetUp, r.SetUp != nil, func() (engine.Ending, error) { return r.talk(r.SetUp) }},
		{Again, r.SetUp != nil && len(r.SetUp.Serves.Looks) > 0, func() (engine.Ending, error) { return r.wait(r.SetUp.Serves) }},
		{Proof, r.Proof != nil || len(r.Ports) > 0, r.prove},
		{After, len(r.After) > 0, func() (engine.Ending, error) { return r.steps(r.After) }},
	} {
		if p.there && !r.without(p.name) {
			if end, stop := r.one(p.name, p.play); stop {
				return &end
			}
		}
		if p.name == Serving {
			r.Turns.served(r.Unit)
		}
	}
	return nil
}

// without tells whether a part is not to be played in this run, and notes
// what is left out because the person said where to begin.
func (r *run) without(p Part) bool {
	if r.Only != nil && !slices.Contains(r.Only, p) {
		return true
	}
	all := Parts()
	if r.From == "" || slices.Index(all, p) >= slices.Index(all, r.From) {
		return false
	}
	r.note("left-out", fmt.Sprintf("part %q is left out: this run begins with part %q", p, r.From))
	return true
}

// one plays a part between its events. stop says that the visit must not go
// on after it.
func (r *run) one(name Part, play func() (engine.Ending, error)) (end engine.Ending, stop bool) {
	r.part = name
	if r.ctx.Err() != nil {
		return r.stopped(), true
	}
	r.append(transcript.Event{Kind: transcript.Phase, Name: string(name), State: transcript.Begun})
	r.tell("")
	end, err := play()
	if err != nil {
		end = r.endingOf(err)
	}
	r.rec.over(transcript.Event{Kind: transcript.Phase, Name: string(name), State: transcript.Over,
		Code: string(end.How), Text: end.Sentence, Exit: end.How.ExitCode(), Next: end.Next})
	if r.rec.failed != nil {
		return r.endingOf(&recordError{r.rec.failed}), true
	}
	if (name == FirstBoot || name == SetUp) && end.How != engine.Already {
		r.changed = true
	}
	return end, r.halt || !goesOn(end.How)
}

// goesOn tells whether a visit goes on after a part that has ended so.
func goesOn(h engine.How) bool {
	return h.Good() || h == engine.Open || h == engine.Differs
}

// recordError is a failure of the recorder: nothing more may be sent.
type recordError struct{ err error }

func (e *recordError) Error() string { return "writing the session record: " + e.err.Error() }
func (e *recordError) Unwrap() error { return e.err }

// heldError is a hold of the visit that nobody has released.
type heldError struct {
	reason, next string
}

func (e *heldError) Error() string { return e.reason }

func (r *run) endingOf(err error) engine.Ending {
	var rec *recordError
	var held *heldError
	switch {
	case errors.As(err, &rec):
		return engine.Ending{How: engine.NoRecord,
			Sentence: fmt.Sprintf("The session record could not be written in part %q: %v. Nothing was sent after that.", r.part, rec.err),
			Next:     "Make room on the disk (or mend it) and run again: the visit goes on where the unit is."}
	case r.ctx.Err() != nil || errors.Is(err, errStopped):
		return r.stopped()
	case errors.As(err, &held):
		return engine.Ending{How: engine.Held, Sentence: sentence(held.reason), Next: held.next}
	}
	return engine.Ending{How: engine.Broken, Sentence: fmt.Sprintf("The visit cannot go on in part %q: %v.", r.part, err),
		Next: "Correct what is named and run again."}
}

func (r *run) stopped() engine.Ending {
	return engine.Ending{How: engine.Stopped, Sentence: fmt.Sprintf("The visit was stopped in part %q.", r.part),
		Next: "Run again to go on: what the unit has already is read, and steps that are ticked can count."}
}

// close records how the visit ended.
func (r *run) close(end engine.Ending) engine.Ending {
	end.Sentence = r.Mask(end.Sentence)
	r.rec.over(transcript.Event{Kind: transcript.Ending, Code: string(end.How), Text: end.Sentence, Next: end.Next, Exit: end.How.ExitCode()})
	err := r.rec.failed
	if err == nil {
		err = r.rec.Sync()
	}
	if err != nil && end.How != engine.NoRecord {
		end = engine.Ending{How: engine.NoRecord,
			Sentence: fmt.Sprintf("%s But the end of the session record could not be written: %v.", end.Sentence, err),
			Next:     "Make room on the disk and keep the record as it is: it says that its end is missing."}
	}
	if r.Watch != nil {
		r.Watch(player.Progress{Part: string(r.part), Doing: player.Ended, Text: end.Sentence})
	}
	return end
}

// append records an event. A recorder that fails ends the visit after the
// part, and nothing is sent meanwhile: the player records before it sends.
func (r *run) append(e transcript.Event) { _ = r.rec.Append(e) }

func (r *run) note(code, text string) {
	r.append(transcript.Event{Kind: transcript.Note, Code: code, Text: text, By: r.Name})
}

// tell shows what the visit is doing.
func (r *run) tell(text string) {
	if r.Watch == nil {
		return
	}
	r.Watch(player.Progress{Part: string(r.part), Doing: player.Waiting, Text: r.Mask(text)})
}
