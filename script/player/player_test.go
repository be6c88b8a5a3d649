package player_test

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

const basic = `
wake: {press: Enter, every: 5s, within: 1m}
facts: {serial: 'Serial no\. (\S+)'}
stages:
  - stage: sign in
    looks: true
    exchanges:
      - {prompt: 'Sign in:', answer: '${factory.user}'}
      - {prompt: 'Pass phrase:', answer: '${factory.secret}'}
    refused-by: ['Sign-in refused']
  - stage: name
    within: 30s
    exchanges:
      - {prompt: 'Unit name:', answer: '${unit.name}'}
      - {prompt: 'Address:', answer: '${port.address}'}
    refused-by: ['out of range']
  - stage: read back
    looks: true
    exchanges:
      - prompt: 'S24>'
        answer: show
        reads: [{what: name, as: name, regexp: 'name (\S+)', equals: '${unit.name}'}, {what: address, as: address, regexp: 'address (\S+)', equals: '${port.address}'}]
    until: 'S24>'
`

var basicSecrets = secrets{"factory": "changeme-9", "admin": "correct-horse"}

// wellBehaved is a unit that does what the basic dialogue expects.
func wellBehaved(d *device) {
	d.say("Brackwater S24\r\nSerial no. BW-1\r\n")
	if d.ask("Sign in: ", plainly) != "setup" || d.ask("Pass phrase: ", nothing) != "changeme-9" {
		d.say("Sign-in refused\r\n")
		return
	}
	name := d.ask("Unit name: ", plainly)
	address := d.ask("Address: ", plainly)
	for d.ask("S24> ", plainly) == "show" {
		d.say("name " + name + "\r\naddress " + address + "\r\n")
	}
}

func TestPlaysToTheEnd(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: wellBehaved}.play(t)
	wantEnding(t, o, engine.Done, "2 values read back as planned")
	wantList(t, "answers", o.said("answer"), "setup", "‹secret factory›", "shelf-1", "192.0.2.11", "show")
	file, err := os.ReadFile(o.file)
	if err != nil || strings.Contains(string(file), "changeme-9") {
		t.Errorf("the record holds the secret, or cannot be read (%v)", err)
	}
}

func TestWrongChassisIsHeldBeforeAPlanValue(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-2", secrets: basicSecrets, device: wellBehaved}.play(t)
	wantEnding(t, o, engine.Chassis, "BW-1", "BW-2")
	wantList(t, "answers", o.said("answer"))
}

func TestASerialNumberThatPausesHalfWayIsReadWhole(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. B")
		time.Sleep(3 * time.Second)
		d.say("W-")
		time.Sleep(100 * time.Millisecond)
		d.say("1\r\n")
		wellBehaved(d)
	}}.play(t)
	wantEnding(t, o, engine.Done)
}

func TestUnseenChassisIsHeldBeforeAPlanValue(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.ask("Unit name: ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "serial number was not seen")
	wantList(t, "answers", o.said("answer"), "setup", "‹secret factory›")
}

func TestUnknownQuestionIsHeld(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Format all drives now? [y/n] ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "Format all drives now?")
	wantList(t, "answers", o.said("answer"), "setup")
}

func TestPromptWordsInsideRunningTextAreNoPrompt(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		for range 50 {
			d.say("checking Sign in:")
			time.Sleep(5 * time.Millisecond)
			d.say(" module, Pass phrase: module\r\n")
			d.say("Sign in:\r\n")
			time.Sleep(15 * time.Millisecond)
		}
		wellBehaved(d)
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "answers", o.said("answer"), "setup", "‹secret factory›", "shelf-1", "192.0.2.11", "show")
}

func TestTheSamePromptAgainIsARefusal(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		for d.ask("Unit name: ", plainly) != "" {
			d.say("That name is taken by the harbour office.\r\n")
		}
	}}.play(t)
	wantEnding(t, o, engine.Refused, "That name is taken by the harbour office.")
	wantList(t, "answers", o.said("answer"), "setup", "‹secret factory›", "shelf-1")
}

func TestWordsOfRefusalEndTheRun(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: secrets{"factory": "wrong", "admin": "x"}, device: func(d *device) {
		wellBehaved(d)
	}}.play(t)
	wantEnding(t, o, engine.Refused, "Sign-in refused")
}

func TestAWrongEchoIsErasedAndTypedAgainSlower(t *testing.T) {
	lossy := func() func(int, byte) string {
		lost := false
		return func(n int, b byte) string {
			if n == 3 && !lost {
				lost = true
				return ""
			}
			return string(rune(b))
		}
	}()
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		name := d.ask("Unit name: ", lossy)
		address := d.ask("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + name + "\r\naddress " + address + "\r\n")
		}
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "answers", o.said("answer"), "setup", "‹secret factory›", "shelf-1", "shelf-1", "192.0.2.11", "show")
	if n := len(o.said("erase")); n != 1 {
		t.Errorf("erased %d times, want once", n)
	}
	if n := len(o.notes("echo")); n != 1 {
		t.Errorf("%d notes of a wrong echo, want 1", n)
	}
}

// A busy unit prints the blank that ends its prompt when the answer is on its
// way. A blank that comes where the prompt has its own is none of the prompt.
func TestTheBlankThatEndsAPromptComesLate(t *testing.T) {
	late := func(n int, b byte) string {
		if n == 0 {
			return " " + string(rune(b))
		}
		return string(rune(b))
	}
	for prompt, wrong := range map[string]int{"Unit name:": 0, "Unit name: ": 1} {
		first := true
		once := func(n int, b byte) string {
			if !first {
				return plainly(n, b)
			}
			first = false
			return late(n, b)
		}
		o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
			d.say("Serial no. BW-1\r\n")
			d.ask("Sign in: ", plainly)
			d.ask("Pass phrase: ", nothing)
			name := d.ask(prompt, once)
			address := d.ask("Address: ", plainly)
			for d.ask("S24> ", plainly) == "show" {
				d.say("name " + name + "\r\naddress " + address + "\r\n")
			}
		}}.play(t)
		if wrong == 0 {
			wantEnding(t, o, engine.Done)
		}
		if n := len(o.notes("echo")); (n > 0) != (wrong > 0) {
			t.Errorf("%q: %d notes of a wrong echo", prompt, n)
		}
	}
}

func TestADoubledLastCharacterIsSeenBeforeEnter(t *testing.T) {
	doubled := false
	var names []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.say("Unit name: ")
		var text []byte
		for b := d.key(); b != 0; b = d.key() {
			switch {
			case b == '\r':
				names = append(names, string(text))
				text = nil
				d.say("\r\nWhat now? ")
			case b == '\b':
				text = text[:len(text)-1]
				d.say("\b \b")
			default:
				text = append(text, b)
				d.say(string(rune(b)))
				if string(text) == "shelf-1" && !doubled {
					doubled = true
					time.Sleep(1100 * time.Microsecond) // one more character at 9600
					text = append(text, b)
					d.say(string(rune(b)))
				}
			}
		}
	}}.play(t)
	wantEnding(t, o, engine.Held, "What now?")
	wantList(t, "names entered", names, "shelf-1")
}

func TestNoEchoIsHeldAndNothingEntered(t *testing.T) {
	entered := false
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\nSign in: ")
		for b := d.key(); b != 0; b = d.key() {
			entered = entered || b == '\r'
		}
	}}.play(t)
	wantEnding(t, o, engine.Held, "shows nothing", "Enter was not sent")
	if entered {
		t.Error("Enter was sent although nothing was echoed")
	}
}

func TestAMaskedSecretThatLostACharacterIsTypedAgain(t *testing.T) {
	once := false
	dropOne := func(n int, b byte) string {
		if n == 2 && !once {
			once = true
			return ""
		}
		return "*"
	}
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		got := d.ask("Pass phrase: ", dropOne)
		if got != "changeme-9" {
			d.say("Sign-in refused\r\n")
		}
		d.ask("Unit name: ", plainly)
		d.ask("What now? ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "What now?")
	if n := len(o.said("erase")); n != 1 {
		t.Errorf("erased %d times, want once", n)
	}
}

func TestASecretShownByTheUnitIsNotRecorded(t *testing.T) {
	doubled := func(_ int, b byte) string { return string([]byte{b, b}) }
	for name, echo := range map[string]func(int, byte) string{"plainly": plainly, "doubled": doubled} {
		t.Run(name, func(t *testing.T) {
			o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
				d.say("Serial no. BW-1\r\n")
				d.ask("Sign in: ", plainly)
				d.ask("Pass phrase: ", echo)
				d.ask("What now? ", plainly)
			}}.play(t)
			file, err := os.ReadFile(o.file)
			if err != nil {
				t.Fatal(err)
			}
			for _, leak := range []string{"changeme-9", "cchhaannggee", "hangeme"} {
				if strings.Contains(string(file), leak) || strings.Contains(o.Sentence, leak) {
					t.Errorf("the record or the ending holds %q", leak)
				}
			}
		})
	}
}

func TestReadBackThatDiffers(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		name := d.ask("Unit name: ", plainly)
		d.ask("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + name + "\r\naddress 192.0.2.111\r\n")
		}
	}}.play(t)
	wantEnding(t, o, engine.Differs, "1 value reads back otherwise")
	var found bool
	for _, e := range o.rec.Events {
		if e.Kind == transcript.ReadBack && e.Name == "address" {
			found = true
			if e.Equal || e.Got != "192.0.2.111" || e.Want != "192.0.2.11" || e.Value != "ports.e0.address" {
				t.Errorf("read-back event %+v", e)
			}
		}
	}
	if !found {
		t.Error("the read-back is not in the record")
	}
}

func TestASilentUnitIsWokenAndThenDiagnosed(t *testing.T) {
	presses := 0
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		for b := d.key(); b != 0; b = d.key() {
			presses++
		}
	}}.play(t)
	wantEnding(t, o, engine.Silent, "othing was heard", "1m")
	if presses < 10 || presses > 13 {
		t.Errorf("Enter was pressed %d times in a minute, want every 5 s", presses)
	}
}

func TestAUnitThatHasOnlyCoughedIsWoken(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("\r\n") // all that is left of what it said
		for d.key() != '\r' {
		}
		wellBehaved(d)
	}}.play(t)
	wantEnding(t, o, engine.Done)
}

func TestARedrawThatIsNotAnsweredIsHeld(t *testing.T) {
	deaf := func(text string) func(*device) {
		return func(d *device) {
			d.say("Serial no. BW-1\r\n" + text)
			for d.key() != 0 {
			}
		}
	}
	r := rig{dialogue: "redraw: Ctrl-R" + basic, serial: "BW-1", secrets: basicSecrets}
	r.device = deaf("What now? ")
	o := r.play(t)
	wantEnding(t, o, engine.Held, "What now?", "does not answer the redraw key")
	if last := o.rec.Events[len(o.rec.Events)-1]; last.At > 30*time.Second {
		t.Errorf("held only after %v", last.At)
	}
	// The end of what was heard is no text: the speed has changed meanwhile.
	r.device = deaf(strings.Repeat("all is well so far, ", 5) + "\xfe\x80\xf8\x01\xff\xf8\x02\x03\xfe\x80\xf8\x01\xff\xf8\x02\x03")
	wantEnding(t, r.play(t), engine.Garbled, "not text")
}

func TestAnUnknownQuestionIsNotWoken(t *testing.T) {
	var got []byte
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Format all drives? [Y/n] ")
		for b := d.key(); b != 0; b = d.key() {
			got = append(got, b)
		}
	}}.play(t)
	wantEnding(t, o, engine.Held, "Format all drives?")
	if len(got) > 0 {
		t.Errorf("the unit got %q", got)
	}
}

func TestLoopBackIsTold(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		for b := d.key(); b != 0; b = d.key() {
			d.say(string(rune(b)))
		}
	}}.play(t)
	wantEnding(t, o, engine.LoopBack, "nly our own bytes")
}

func TestRubbishIsTold(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		for range 40 {
			d.say("\xfe\x80\xf8\x00\xe0\xff")
			time.Sleep(10 * time.Millisecond)
		}
	}}.play(t)
	wantEnding(t, o, engine.Garbled, "not text")
}

func TestSevenBitTextIsTold(t *testing.T) {
	parity := func(text string) string {
		var b []byte
		for _, c := range []byte(text) {
			ones := 0
			for x := c; x != 0; x &= x - 1 {
				ones++
			}
			if ones%2 == 1 {
				c |= 0x80
			}
			b = append(b, c)
		}
		return string(b)
	}
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say(parity("Brackwater S24 storage shelf\r\nSerial no. BW-1\r\nSign in: "))
	}}.play(t)
	wantEnding(t, o, engine.Garbled, "7E1")
}

func TestStrangeTextIsTold(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Welcome aboard.\r\nready\r\n")
	}}.play(t)
	wantEnding(t, o, engine.Strange, "ready")
}

func TestAStageThatTakesTooLong(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.ask("Unit name: ", plainly)
		d.say("thinking\r\n")
	}}.play(t)
	wantEnding(t, o, engine.Overdue, `stage "name"`, "thinking")
}

func TestQuestionsPassedOverAreHeld(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.ask("Unit name: ", plainly)
		d.ask("S24> ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "has not asked", "Address:")
}

func TestPicksUpAtAUnitThatIsHalfWay(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		address := d.ask("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name shelf-1\r\naddress " + address + "\r\n")
		}
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "answers", o.said("answer"), "192.0.2.11", "show")
	var unseen []string
	for _, e := range o.rec.Events {
		if e.Kind == transcript.Stage && e.State == "unseen" {
			unseen = append(unseen, e.Name)
		}
	}
	wantList(t, "stages not witnessed", unseen, "sign in")
}

func TestStopTakesBackWhatIsHalfTyped(t *testing.T) {
	var got []byte
	o := rig{dialogue: "line: {pace: 100ms}" + basic, serial: "BW-1", secrets: basicSecrets,
		context: func(ctx context.Context) (context.Context, context.CancelFunc) {
			return context.WithTimeout(ctx, 300*time.Millisecond)
		},
		device: func(d *device) {
			d.say("Serial no. BW-1\r\nSign in: ")
			for b := d.key(); b != 0; b = d.key() {
				got = append(got, b)
				d.say(string(rune(b)))
			}
		}}.play(t)
	wantEnding(t, o, engine.Stopped, "stopped", `stage "sign in"`)
	typed, erased := strings.Count(string(got), "\b"), len(got)-strings.Count(string(got), "\b")
	if typed == 0 || typed != erased || strings.Contains(string(got), "\r") {
		t.Errorf("the unit got %q", got)
	}
}

func TestALineThatComesBackGoesOnWhereTheUnitIs(t *testing.T) {
	o := rig{dialogue: "redraw: Ctrl-R" + basic, serial: "BW-1", secrets: basicSecrets,
		device: func(d *device) {
			d.say("Serial no. BW-1\r\n")
			d.ask("Sign in: ", plainly)
			d.ask("Pass phrase: ", nothing)
			d.say("Unit name: ")
			d.key()
			d.key()
			d.far.Unplug()
		},
		replug: func(d *device) {
			n := 0
			for b := d.key(); b == '\b'; b = d.key() {
				n++
			}
			d.say("\r\nSerial no. BW-1\r\n")
			name := d.ask("Unit name: ", plainly)
			address := d.ask("Address: ", plainly)
			for d.ask("S24> ", plainly) == "show" {
				d.say("name " + name + "\r\naddress " + address + "\r\n")
			}
		}}.play(t)
	wantEnding(t, o, engine.Done)
	if len(o.notes("line-lost")) != 1 || len(o.notes("line-back")) != 1 {
		t.Error("the record does not tell that the line was away")
	}
}

func TestALineThatStaysAway(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.far.Unplug()
	}}.play(t)
	wantEnding(t, o, engine.Lost, "did not come back")
}

// deskFunc is a person made of a function.
type deskFunc func(player.Held) player.Release

func (f deskFunc) Hold(_ context.Context, h player.Held) (player.Release, error) { return f(h), nil }

func TestAPersonTypesByHandAndTheRunGoesOn(t *testing.T) {
	var held []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets,
		desk: deskFunc(func(h player.Held) player.Release {
			held = append(held, h.Reason)
			if len(held) > 1 {
				return player.Release{Choice: player.GiveUp}
			}
			return player.Release{Choice: player.ByHand, Text: "n", By: "AB"}
		}),
		device: func(d *device) {
			d.say("Serial no. BW-1\r\n")
			d.ask("Sign in: ", plainly)
			d.ask("Pass phrase: ", nothing)
			if d.ask("Set the clock? [y/n] ", plainly) != "n" {
				return
			}
			name := d.ask("Unit name: ", plainly)
			address := d.ask("Address: ", plainly)
			for d.ask("S24> ", plainly) == "show" {
				d.say("name " + name + "\r\naddress " + address + "\r\n")
			}
		}}.play(t)
	wantEnding(t, o, engine.Done)
	if len(held) != 1 || !strings.Contains(held[0], "Set the clock?") {
		t.Errorf("held at %q", held)
	}
	wantList(t, "typed by hand", o.said("hand"), "n", "\r")
}
