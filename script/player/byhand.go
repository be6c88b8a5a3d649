package player

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/rs/zerolog"

	"linehand/console"
	"linehand/console/screen"
	"linehand/script/engine"
	"linehand/transcript"
)

// TypedByHand is the name that stands in a record where a person typed
// something: nobody can know which of it is a secret.
const TypedByHand = "typed"

// The codes of the notes that say what an entered line was.
const (
	NoteTyped  = "typed"        // its text is what the unit showed of it
	NoteHidden = "typed-hidden" // the unit did not show it as it was typed
)

// Hand is a person who types on a line, while everything is recorded.
//
// Each burst of keys is on disk before it is sent. Printable keys are
// recorded as a secret would be. At Enter, a line that the unit has shown as
// it was typed is noted in clear; one that it has hidden or masked is not.
// Secrets that the recorder knows are masked as always.
//
// A read of Keys cannot be called back: its goroutine ends with the next key
// after Play has returned, or when Keys ends.
type Hand struct {
	Line   console.Line // Play closes it
	Record Recorder
	Keys   io.Reader // what the person types, as a terminal in raw mode gives it
	Screen io.Writer // what the unit prints goes here as it comes
	Leave  byte      // the key that ends the session; 0: only the end of Keys
	// Piped says that Keys is no person: each line waits until the unit has
	// been quiet, and so does the end.
	Piped   bool
	Columns int // of the unit's screen; 80 if zero
	Person  string
	Log     zerolog.Logger
}

// hand is a session under way.
type hand struct {
	Hand
	ctx       context.Context
	ear       *ear
	scr       *screen.Screen
	line      typedLine
	lastHeard time.Time
	entered   int
}

// typedLine is what stands typed since the last Enter.
type typedLine struct {
	text   []byte
	from   screen.Place
	before string // the screen's line before the first key
	lost   bool   // keys were among it whose effect only the unit knows
}

// Play hands keys to the line and what the line says to the screen, until
// the person leaves, Keys ends, the line is lost or ctx is done. The ending
// is the record's last event.
func (h Hand) Play(ctx context.Context) engine.Ending {
	columns := h.Columns
	if columns == 0 {
		columns = 80
	}
	p := &hand{Hand: h, ctx: ctx, scr: screen.New(columns, 24), lastHeard: time.Now()}
	p.ear = listen(h.Line)
	err := p.loop()
	p.Line.Close()
	p.ear.wait()
	return p.close(p.ending(err))
}

// errLeft says that the person has left.
var errLeft = errors.New("left by the person")

func (p *hand) loop() error {
	stop := make(chan struct{})
	defer close(stop)
	keys := readKeys(p.Keys, stop)
	p.beginLine()
	for {
		select {
		case c := <-p.ear.chunks:
			if err := p.take(c); err != nil {
				return err
			}
		case burst, ok := <-keys:
			if !ok {
				return p.endOfKeys()
			}
			if err := p.burst(burst); err != nil {
				return err
			}
		case <-p.ctx.Done():
			return errStopped
		}
	}
}

// readKeys reads bursts of keys. The channel is closed when they end.
func readKeys(r io.Reader, stop <-chan struct{}) <-chan []byte {
	keys := make(chan []byte)
	go func() {
		defer close(keys)
		buf := make([]byte, 1024)
		for {
			n, err := r.Read(buf)
			if n > 0 {
				select {
				case keys <- append([]byte(nil), buf[:n]...):
				case <-stop:
					return
				}
			}
			if err != nil {
				return
			}
		}
	}()
	return keys
}

// endOfKeys hears out what the unit still says.
func (p *hand) endOfKeys() error {
	if err := p.untilQuiet(); err != nil {
		return err
	}
	return errLeft
}

// How long a unit must be quiet, and is waited for, where keys are piped.
const (
	pipedQuiet = 500 * time.Millisecond
	pipedMost  = 2 * time.Minute
)

func (p *hand) untilQuiet() error {
	if !p.Piped {
		return nil
	}
	for start := time.Now(); time.Since(start) < pipedMost; {
		from := p.lastHeard
		if from.Before(start) {
			from = start
		}
		due := from.Add(pipedQuiet)
		if !time.Now().Before(due) {
			return nil
		}
		if err := p.hear(due, nil); err != nil {
			return err
		}
	}
	return nil
}

// hear takes what the line brings until a time, or until done says so.
func (p *hand) hear(until time.Time, done func() bool) error {
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	for done == nil || !done() {
		select {
		case c := <-p.ear.chunks:
			if err := p.take(c); err != nil {
				return err
			}
		case <-timer.C:
			return nil
		case <-p.ctx.Done():
			return errStopped
		}
	}
	return nil
}

// take records what was heard and shows it.
func (p *hand) take(c chunk) error {
	if len(c.bytes) > 0 {
		if err := p.Record.Heard(c.at, c.bytes); err != nil {
			return &recordError{err}
		}
		p.lastHeard = c.at
		p.scr.Write(c.bytes)
		p.scr.Queries() // the person's own terminal answers them, if any
		if _, err := p.Screen.Write(c.bytes); err != nil {
			return fmt.Errorf("show what the unit prints: %w", err)
		}
	}
	if c.err != nil {
		return fmt.Errorf("%w: %w", errLost, c.err)
	}
	return nil
}

// burst sends keys, line by line.
func (p *hand) burst(keys []byte) error {
	leave := false
	if i := strings.IndexByte(string(keys), p.Leave); p.Leave != 0 && i >= 0 {
		keys, leave = keys[:i], true
	}
	for len(keys) > 0 {
		if p.Piped {
			if err := p.untilQuiet(); err != nil {
				return err
			}
		}
		n := len(keys)
		if i := strings.IndexAny(string(keys), "\r\n"); i >= 0 {
			n = i
		}
		if n > 0 {
			if err := p.typeKeys(keys[:n]); err != nil {
				return err
			}
		}
		if keys = keys[n:]; len(keys) > 0 {
			if err := p.enter(keys[0]); err != nil {
				return err
			}
			keys = keys[1:]
		}
	}
	if leave {
		return errLeft
	}
	return nil
}

// typeKeys sends keys that are no Enter.
func (p *hand) typeKeys(keys []byte) error {
	if len(p.line.text) == 0 && !p.line.lost {
		p.beginLine()
	}
	p.line.add(keys)
	return p.send(keyParts(keys), keys, "")
}

// enter sends Enter, when the echo of the line is there or does not come.
func (p *hand) enter(key byte) error {
	if len(p.line.text) > 0 {
		wire := 2 * time.Duration(len(p.line.text)) * p.Line.Info().Settings.CharTime()
		shown := func() bool { return p.line.shown(p.scr) }
		if err := p.hear(time.Now().Add(wire+echoShown), shown); err != nil {
			return err
		}
		// A recorder that fails shows at the Enter, which is recorded before it
		// is sent.
		_ = p.Record.Append(p.line.note(p.scr, p.Person))
	}
	p.entered++
	if err := p.send([]transcript.Part{{Bytes: []byte{key}}}, []byte{key}, "Enter"); err != nil {
		return err
	}
	p.beginLine()
	return nil
}

// echoShown is how long the echo of a line may be late before Enter is sent
// without it.
const echoShown = 300 * time.Millisecond

func (p *hand) beginLine() {
	p.line = typedLine{from: p.scr.Place(), before: p.scr.Current()}
}

// shown tells whether the unit shows the line as it was typed.
func (l *typedLine) shown(scr *screen.Screen) bool {
	if l.lost {
		return false
	}
	typed := string(l.text)
	return scr.Since(l.from, sinceMost) == typed || scr.Current() == l.before+typed
}

// note is what the record says of the line when it is entered.
func (l *typedLine) note(scr *screen.Screen, by string) transcript.Event {
	e := transcript.Event{Kind: transcript.Note, Code: NoteHidden, By: by, Text: "a line that the unit did not show as it was typed"}
	if l.shown(scr) {
		e.Code, e.Text = NoteTyped, string(l.text)
	}
	return e
}

func (p *hand) send(parts []transcript.Part, keys []byte, name string) error {
	e := transcript.Event{Kind: transcript.Said, Why: "hand", By: p.Person, Text: name, Data: parts}
	if err := p.Record.Say(e); err != nil {
		return &recordError{err}
	}
	if _, err := p.Line.Write(keys); err != nil {
		_ = p.Record.Append(transcript.Event{Kind: transcript.Note, Code: "write-failed", Text: fmt.Sprintf("what was typed last may not have reached the unit: %v", err)})
		return fmt.Errorf("%w: %w", errLost, err)
	}
	return nil
}

// add keeps up with what stands typed, as far as keys tell.
func (l *typedLine) add(keys []byte) {
	for _, k := range keys {
		switch {
		case k == '\b' || k == 0x7f:
			if _, n := utf8.DecodeLastRune(l.text); n > 0 {
				l.text = l.text[:len(l.text)-n]
			}
		case k == 0x15: // Ctrl-U, as POSIX terminals have it
			l.text = l.text[:0]
		case k < ' ':
			l.lost = true
		default:
			l.text = append(l.text, k)
		}
	}
}

// keyParts is what a record says of keys: control keys and the sequences of
// function keys as they are, runs of others as typed by hand.
func keyParts(keys []byte) []transcript.Part {
	var parts []transcript.Part
	for i := 0; i < len(keys); {
		n := controlKey(keys[i:])
		if n > 0 {
			parts = append(parts, transcript.Part{Bytes: append([]byte(nil), keys[i:i+n]...)})
			i += n
			continue
		}
		if last := len(parts) - 1; last < 0 || parts[last].Secret == "" {
			parts = append(parts, transcript.Part{Secret: TypedByHand})
		}
		i++
	}
	return parts
}

// controlKey is the length of the control key that keys begin with; 0 when
// they begin with another. ESC [ and ESC O begin what function keys send
// (ECMA-48 5.4 and 8.3.143).
func controlKey(keys []byte) int {
	switch {
	case keys[0] == 0x7f || keys[0] < ' ' && keys[0] != 0x1b:
		return 1
	case keys[0] != 0x1b:
		return 0
	case len(keys) >= 3 && keys[1] == 'O':
		return 3
	case len(keys) >= 3 && keys[1] == '[':
		for i, k := range keys[2:] {
			if k >= 0x40 && k <= 0x7e {
				return i + 3
			}
			if k < 0x20 || k > 0x3f {
				break
			}
		}
	}
	return 1
}

// ending says how the session ended.
func (p *hand) ending(err error) engine.Ending {
	lines := fmt.Sprintf("%d lines were entered", p.entered)
	if p.entered == 1 {
		lines = "1 line was entered"
	}
	var rec *recordError
	switch {
	case errors.Is(err, errLeft):
		return engine.Ending{How: engine.Left, Sentence: fmt.Sprintf("The person left the line; %s.", lines),
			Next: "The unit is as the person left it; nothing was compared with a plan."}
	case errors.Is(err, errStopped):
		return engine.Ending{How: engine.Stopped, Sentence: fmt.Sprintf("The session was stopped; %s.", lines),
			Next: "The unit is as the person left it; nothing was compared with a plan."}
	case errors.As(err, &rec):
		return engine.Ending{How: engine.NoRecord, Sentence: fmt.Sprintf("The session record could not be written: %v. Nothing was sent after that; %s.", rec.err, lines),
			Next: "Make room on the disk (or mend it) and begin again."}
	case errors.Is(err, errLost):
		return engine.Ending{How: engine.Lost, Sentence: fmt.Sprintf("The line went away; %s.", lines),
			Next: "Put the cable or the adapter back and begin again."}
	}
	return engine.Ending{How: engine.Broken, Sentence: fmt.Sprintf("The session cannot go on: %v; %s.", err, lines), Next: "Begin again."}
}

// close records how the session ended.
func (p *hand) close(end engine.Ending) engine.Ending {
	err := p.Record.Append(transcript.Event{Kind: transcript.Ending, Code: string(end.How), Text: end.Sentence, Next: end.Next, Exit: end.How.ExitCode(), By: p.Person})
	if err == nil {
		err = p.Record.Sync()
	}
	if err != nil && end.How != engine.NoRecord {
		end = engine.Ending{How: engine.NoRecord, Sentence: fmt.Sprintf("%s But the end of the session record could not be written: %v.", end.Sentence, err),
			Next: "Make room on the disk and keep the record as it is: it says that its end is missing."}
	}
	return end
}
