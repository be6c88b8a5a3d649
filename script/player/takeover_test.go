package player_test

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// take takes the line over after a while.
func take(t *testing.T, h *player.Hands, after time.Duration) *player.Grip {
	t.Helper()
	time.Sleep(after)
	g, err := h.Take(context.Background(), "Robin")
	if err != nil {
		t.Errorf("take over: %v", err)
		return nil
	}
	return g
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Error(err)
	}
}

// slowly is a unit that thinks for ten seconds before it asks for a name.
func slowly(got *[]string) func(*device) {
	return func(d *device) {
		d.say("Brackwater S24\r\nSerial no. BW-1\r\n")
		*got = append(*got, d.ask("Sign in: ", plainly), d.ask("Pass phrase: ", nothing))
		time.Sleep(10 * time.Second)
		name := d.ask("Unit name: ", plainly)
		*got = append(*got, name)
		address := d.ask("Address: ", plainly)
		*got = append(*got, address)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + name + "\r\naddress " + address + "\r\n")
		}
	}
}

// events are those of a kind with a code, by who did it.
func (o outcome) by(code string) (list []string) {
	for _, e := range o.rec.Events {
		if e.Code == code {
			list = append(list, e.By)
		}
	}
	return list
}

func TestTakenOverAndAnsweredByHand(t *testing.T) {
	var got []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: slowly(&got), person: func(h *player.Hands) {
		g := take(t, h, 5*time.Second)
		time.Sleep(20 * time.Second) // the question comes, and the run leaves it alone
		must(t, g.Type([]byte("shel")))
		must(t, g.Type([]byte("f-1\r")))
		time.Sleep(5 * time.Second)
		must(t, g.GiveBack())
		if err := g.Type([]byte("x")); !errors.Is(err, player.ErrGivenBack) {
			t.Errorf("typed after giving back: %v", err)
		}
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "setup", "changeme-9", "shelf-1", "192.0.2.11")
	wantList(t, "typed by the run", o.said("answer"), "setup", "‹secret factory›", "192.0.2.11", "show")
	wantList(t, "typed by hand", o.said("hand"), "‹secret typed›", "‹secret typed›", "\r")
	wantList(t, "shown", o.notes(player.NoteTyped), "shelf-1")
	wantList(t, "taken over by", o.by(player.NoteTaken), "Robin")
	wantList(t, "given back by", o.by(player.NoteGivenBack), "Robin")
	if !slices.ContainsFunc(o.notes("progress"), func(s string) bool { return strings.Contains(s, "Unit name") }) {
		t.Errorf("that the question was not witnessed is not noted: %q", o.notes("progress"))
	}
	for _, e := range o.rec.Events {
		if e.Kind == transcript.Said && e.Why == "hand" && e.By != "Robin" {
			t.Errorf("typed by hand, and by %q: %+v", e.By, e)
		}
	}
}

func TestTakenOverAndGivenBackUntouched(t *testing.T) {
	var got []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: slowly(&got), person: func(h *player.Hands) {
		g := take(t, h, 5*time.Second)
		time.Sleep(3 * time.Second)
		must(t, g.GiveBack())
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "setup", "changeme-9", "shelf-1", "192.0.2.11")
}

// An answer that is being typed is typed to its end before a person gets the
// line.
func TestNoAnswerIsLeftHalfTyped(t *testing.T) {
	var got []string
	o := rig{dialogue: strings.Replace(basic, "wake:", "line: {pace: 500ms}\nwake:", 1), serial: "BW-1", secrets: basicSecrets, device: slowly(&got), person: func(h *player.Hands) {
		g := take(t, h, 1500*time.Millisecond) // in the middle of the first answer
		time.Sleep(3 * time.Second)
		must(t, g.GiveBack())
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "setup", "changeme-9", "shelf-1", "192.0.2.11")
	wantList(t, "erased", o.said("erase"))
}

// waits is somebody at the desk who never decides, and counts the holds.
type waits struct{ raised, withdrawn int }

func (w *waits) Hold(ctx context.Context, _ player.Held) (player.Release, error) {
	w.raised++
	<-ctx.Done()
	w.withdrawn++
	return player.Release{}, ctx.Err()
}

func TestTakenOverAtAHold(t *testing.T) {
	var got []string
	desk := &waits{}
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, desk: desk, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		got = append(got, d.ask("Table of characters (1-9): ", plainly))
		name, address := d.ask("Unit name: ", plainly), d.ask("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + name + "\r\naddress " + address + "\r\n")
		}
	}, person: func(h *player.Hands) {
		g := take(t, h, 30*time.Second)
		must(t, g.GiveBack()) // the hold stands again
		g = take(t, h, time.Minute)
		must(t, g.Type([]byte("7\r")))
		must(t, g.GiveBack())
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "7")
	if desk.raised != 2 || desk.withdrawn != 2 {
		t.Errorf("the hold was raised %d times and withdrawn %d times, want 2 and 2", desk.raised, desk.withdrawn)
	}
	wantList(t, "released", o.by("take-over"), "Robin", "Robin")
}

// A half typed secret stands unseen at a prompt that the run knows: it must
// not be added to.
func TestHalfTypedByHandIsTakenBack(t *testing.T) {
	for name, test := range map[string]struct {
		redraw string
		held   bool
	}{"with a redraw key": {"redraw: Ctrl-R", false}, "without one": {"", true}} {
		t.Run(name, func(t *testing.T) {
			var got []string
			desk := &waits{}
			o := rig{dialogue: test.redraw + basic, serial: "BW-1", secrets: basicSecrets, desk: desk, device: halfTyped(&got), person: func(h *player.Hands) {
				g := take(t, h, 5*time.Second)
				time.Sleep(10 * time.Second)
				must(t, g.Type([]byte("zyxwv")))
				must(t, g.GiveBack())
				if !test.held {
					return
				}
				g = take(t, h, time.Minute)
				must(t, g.Secret("changeme-9"))
				must(t, g.GiveBack())
			}}.play(t)
			wantEnding(t, o, engine.Done)
			wantList(t, "the unit got", got, "setup", "changeme-9", "shelf-1", "192.0.2.11")
			if held := desk.raised > 0; held != test.held {
				t.Errorf("held: %v, want %v", held, test.held)
			}
			file, err := os.ReadFile(o.file)
			if err != nil {
				t.Fatal(err)
			}
			if i := strings.Index(string(file), "zyxwv"); i >= 0 {
				t.Errorf("the record holds what was typed of the secret: %s", file[max(0, i-200):i+40])
			}
		})
	}
}

// halfTyped thinks before it asks for the pass phrase, and has a Ctrl-R that
// shows the question afresh.
func halfTyped(got *[]string) func(*device) {
	return func(d *device) {
		read := func(prompt string, echo func(int, byte) string) {
			d.say(prompt)
			var text []byte
			for b := d.key(); b != '\r' && b != 0; b = d.key() {
				switch b {
				case '\b':
					text = text[:max(0, len(text)-1)]
				case 0x12:
					d.say("\r\n" + prompt)
				default:
					text = append(text, b)
					d.say(echo(0, b))
				}
			}
			d.say("\r\n")
			*got = append(*got, string(text))
		}
		d.say("Serial no. BW-1\r\n")
		read("Sign in: ", plainly)
		time.Sleep(10 * time.Second)
		read("Pass phrase: ", nothing)
		read("Unit name: ", plainly)
		read("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + (*got)[2] + "\r\naddress " + (*got)[3] + "\r\n")
		}
	}
}

func TestASecretTypedByHandIsWithheld(t *testing.T) {
	var got []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		time.Sleep(10 * time.Second)
		got = append(got, d.ask("Pass phrase: ", plainly)) // a unit that shows it
		name, address := d.ask("Unit name: ", plainly), d.ask("Address: ", plainly)
		for d.ask("S24> ", plainly) == "show" {
			d.say("name " + name + "\r\naddress " + address + "\r\n")
		}
	}, person: func(h *player.Hands) {
		g := take(t, h, 5*time.Second)
		time.Sleep(10 * time.Second)
		must(t, g.Secret("only-robin-knows"))
		must(t, g.GiveBack())
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "only-robin-knows")
	wantList(t, "typed by hand", o.said("hand"), "‹secret typed by hand›", "\r")
	file, err := os.ReadFile(o.file)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(file), "only-robin") {
		t.Error("the record holds the secret")
	}
}

func TestALineThatGoesWhileItIsTakenOver(t *testing.T) {
	var got []string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		time.Sleep(10 * time.Second)
		d.far.Unplug()
	}, replug: func(d *device) {
		slowly(&got)(d)
	}, person: func(h *player.Hands) {
		g := take(t, h, 5*time.Second)
		<-g.Over()
		if err := g.Type([]byte("x")); !errors.Is(err, player.ErrLineGone) {
			t.Errorf("typed on a line that is gone: %v", err)
		}
	}}.play(t)
	wantEnding(t, o, engine.Done)
	wantList(t, "the unit got", got, "setup", "changeme-9", "shelf-1", "192.0.2.11")
}

func TestStoppedWhileTakenOver(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\nWhat now? ")
		time.Sleep(time.Minute)
	}, context: func(ctx context.Context) (context.Context, context.CancelFunc) {
		return context.WithTimeout(ctx, 30*time.Second)
	}, person: func(h *player.Hands) {
		g := take(t, h, 20*time.Second)
		must(t, g.Type([]byte("fit")))
		<-g.Over()
		if _, err := h.Take(context.Background(), "Sam"); !errors.Is(err, player.ErrOver) {
			t.Errorf("taken over after the end: %v", err)
		}
	}, desk: &waits{}}.play(t)
	wantEnding(t, o, engine.Stopped)
	if n := len(o.said("erase")); n != 1 {
		t.Errorf("what was half typed was taken back %d times, want once", n)
	}
}
