package player_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/console/pair"
	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// keyboard hands out one burst a read, with a pause before each, and ends.
type keyboard struct {
	bursts []string
	pause  time.Duration
	stay   bool // no end of input: the person has walked off
}

func (k *keyboard) Read(p []byte) (int, error) {
	time.Sleep(k.pause)
	if len(k.bursts) == 0 {
		if k.stay {
			time.Sleep(time.Hour)
		}
		return 0, io.EOF
	}
	n := copy(p, k.bursts[0])
	k.bursts = k.bursts[1:]
	return n, nil
}

type handOutcome struct {
	outcome
	screen string
	raw    []byte // the record's file
}

// byHand plays a session against a scripted device, in virtual time.
func byHand(t *testing.T, h player.Hand, device func(*device), known secrets, stopAfter time.Duration) handOutcome {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hand.record")
	var o handOutcome
	synctest.Test(t, func(t *testing.T) {
		line, far := pair.New("test", console.Default)
		dev := newDevice(t, far)
		done := make(chan struct{})
		go func() { defer close(done); device(dev) }()
		mask := transcript.NewMask()
		for name, v := range known {
			mask.Add(name, v)
		}
		j, err := transcript.Create(path, transcript.Header{Unit: "by-hand", Mode: "byhand"}, mask)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		if stopAfter > 0 {
			time.AfterFunc(stopAfter, cancel)
		}
		var screen bytes.Buffer
		h.Line, h.Record, h.Screen, h.Person = line, j, &screen, "tester"
		o.Ending = h.Play(ctx)
		far.Close()
		<-done
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		o.screen = screen.String()
		time.Sleep(2 * time.Hour) // the keyboard's last read comes back
	})
	var err error
	if o.rec, err = transcript.Read(path); err != nil {
		t.Fatal(err)
	}
	if o.rec.Fault != nil {
		t.Errorf("the record is not whole: %v", o.rec.Fault)
	}
	if o.raw, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	return o
}

// signIn asks for a name with an echo and for a pass phrase without.
func signIn(d *device) {
	d.ask("name: ", plainly)
	d.ask("phrase: ", nothing)
	d.say("welcome\r\n$ ")
}

func TestHandRecordsWhatIsShownAndHidesTheRest(t *testing.T) {
	keys := &keyboard{pause: time.Second, bursts: []string{"f", "itter", "\r", "salt", "marsh", "\r", "\x1d", "never"}}
	o := byHand(t, player.Hand{Keys: keys, Leave: 0x1d}, signIn, nil, 0)
	wantLeft(t, o, "2 lines were entered")
	wantList(t, "shown", o.notes(player.NoteTyped), "fitter")
	if n := len(o.notes(player.NoteHidden)); n != 1 {
		t.Errorf("%d hidden lines noted, want 1", n)
	}
	wantList(t, "said", o.said("hand"), "‹secret typed›", "‹secret typed›", "\r", "‹secret typed›", "‹secret typed›", "\r")
	if bytes.Contains(o.raw, []byte("saltmarsh")) || bytes.Contains(o.raw, []byte("marsh")) {
		t.Error("the record holds what was typed at the hidden prompt")
	}
	if !strings.Contains(o.screen, "name: fitter") || !strings.Contains(o.screen, "welcome") {
		t.Errorf("the screen shows %q", o.screen)
	}
}

// wantLeft wants a session that the person has left, which is no fault.
func wantLeft(t *testing.T, o handOutcome, words string) {
	t.Helper()
	last := o.rec.Events[len(o.rec.Events)-1]
	if o.How != engine.Left || last.Code != "left" || last.Exit != 0 || !strings.Contains(o.Sentence, words) {
		t.Errorf("ended as %s (%s), on record as %s with exit code %d", o.How, o.Sentence, last.Code, last.Exit)
	}
}

func TestHandMasksKnownSecretsAlsoWhenShown(t *testing.T) {
	keys := &keyboard{pause: time.Second, bursts: []string{"kelp-forest-7", "\r"}}
	o := byHand(t, player.Hand{Keys: keys}, func(d *device) { d.ask("name: ", plainly) }, secrets{"join": "kelp-forest-7"}, 0)
	wantLeft(t, o, "1 line was entered")
	if bytes.Contains(o.raw, []byte("kelp-forest-7")) {
		t.Error("the record holds a known secret")
	}
	wantList(t, "shown", o.notes(player.NoteTyped), "‹secret join›")
}

func TestHandRecordsBeforeItSends(t *testing.T) {
	keys := &keyboard{pause: time.Second, bursts: []string{"abc\r"}}
	o := byHand(t, player.Hand{Keys: keys}, func(d *device) { d.ask("> ", plainly) }, nil, 0)
	// The echo of a burst stands behind the event that announces it.
	said := -1
	for i, e := range o.rec.Events {
		if e.Kind == transcript.Said && said < 0 {
			said = i
		}
		if e.Kind == transcript.Heard && strings.Contains(e.Data[0].String(), "a") && said < 0 {
			t.Errorf("event %d: the echo is on record before what was typed", e.N)
		}
	}
	if said < 0 {
		t.Error("nothing was said")
	}
}

func TestHandEditsAndControlKeys(t *testing.T) {
	for _, test := range []struct {
		name   string
		bursts []string
		shown  []string
		said   []string
	}{
		{"backspace", []string{"abx", "\b", "c", "\r"}, []string{"abc"}, []string{"‹secret typed›", "\b", "‹secret typed›", "\r"}},
		{"arrow key", []string{"ab", "\x1b[A", "\r"}, nil, []string{"‹secret typed›", "\x1b[A", "\r"}},
		{"function key of VT100 style", []string{"\x1bOP"}, nil, []string{"\x1bOP"}},
		{"escape and a letter", []string{"\x1bq"}, nil, []string{"\x1b‹secret typed›"}},
		{"control key", []string{"\x03"}, nil, []string{"\x03"}},
		{"two lines at once, the second ahead of its prompt", []string{"ab\rcd\r"}, []string{"ab"}, []string{"‹secret typed›", "\r", "‹secret typed›", "\r"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			device := func(d *device) { d.ask("> ", plainly); d.ask("> ", plainly) }
			o := byHand(t, player.Hand{Keys: &keyboard{pause: time.Second, bursts: test.bursts}}, device, nil, 0)
			wantList(t, "said", o.said("hand"), test.said...)
			wantList(t, "shown", o.notes(player.NoteTyped), test.shown...)
		})
	}
}

func TestHandPipedWaitsForTheUnit(t *testing.T) {
	device := func(d *device) {
		time.Sleep(300 * time.Millisecond)
		d.say("booting\r\n")
		time.Sleep(400 * time.Millisecond)
		// No type-ahead: what came before the prompt is thrown away.
		for len(d.in) > 0 {
			<-d.in
		}
		d.ask("first: ", plainly)
		d.ask("second: ", plainly)
		time.Sleep(400 * time.Millisecond)
		d.say("done\r\n")
	}
	o := byHand(t, player.Hand{Keys: strings.NewReader("one\rtwo\r"), Piped: true}, device, nil, 0)
	wantList(t, "shown", o.notes(player.NoteTyped), "one", "two")
	if !strings.Contains(o.screen, "done") {
		t.Errorf("the session ended before the unit was heard out: %q", o.screen)
	}
}

func TestHandStopsAndLoses(t *testing.T) {
	idle := &keyboard{pause: time.Second, bursts: []string{"a"}, stay: true}
	o := byHand(t, player.Hand{Keys: idle}, signIn, nil, 5*time.Second)
	wantEnding(t, o.outcome, engine.Stopped, "0 lines")

	idle = &keyboard{pause: time.Second, bursts: []string{"a"}, stay: true}
	o = byHand(t, player.Hand{Keys: idle}, func(d *device) { d.say("> "); time.Sleep(3 * time.Second); d.far.Unplug() }, nil, 0)
	wantEnding(t, o.outcome, engine.Lost, "The line went away")
}
