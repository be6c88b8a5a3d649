package player_test

import (
	"strings"
	"testing"
	"time"

	"linehand/script/engine"
)

// TestALateMaskIsStillCompared: a unit takes most of a settle time before it
// shows the first sign of a mask, and has lost a character. The clock is the
// bubble's.
func TestALateMaskIsStillCompared(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		tries := 0
		d.ask("Pass phrase: ", func(n int, _ byte) string {
			if n == 0 {
				tries++
			}
			if tries == 1 && n == 0 {
				time.Sleep(18 * time.Millisecond)
				return "" // the first character is lost
			}
			return "*"
		})
		d.ask("What now? ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "What now?")
	if n := len(o.said("erase")); n != 1 {
		t.Errorf("erased %d times, want once: %q", n, o.notes("echo"))
	}
}

// TestTheFirstKey: a line that was just opened and says nothing is asked soon
// where the key for that accepts nothing, and late where it may take a
// default.
func TestTheFirstKey(t *testing.T) {
	for _, tt := range []struct {
		name, keys string
		key        byte
		after      time.Duration
	}{
		{"redraw", "redraw: Ctrl-R\n", 0x12, 100 * time.Millisecond},
		{"wake", "wake: {press: Enter, every: 5s, within: 1m}\n", '\r', time.Second},
		{"both", "redraw: Ctrl-R\nwake: {press: Enter, every: 5s, within: 1m}\n", 0x12, 100 * time.Millisecond},
		{"often", "redraw: Ctrl-R\nline: {settle: 50ms}\nwake: {press: Enter, every: 200ms, within: 1m}\n", 0x12, 200 * time.Millisecond},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var key byte
			var after time.Duration
			basicWith := tt.keys + dialogueWithout(basic, "wake:", "redraw:")
			rig{dialogue: basicWith, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
				start := time.Now()
				key = d.key()
				after = time.Since(start)
				d.ask("\r\nWhat now? ", plainly)
			}}.play(t)
			if key != tt.key || after != tt.after {
				t.Errorf("key %q after %v, want %q after %v", key, after, tt.key, tt.after)
			}
		})
	}
}

func dialogueWithout(dialogue string, keys ...string) string {
	var kept []string
	for line := range strings.SplitSeq(dialogue, "\n") {
		drop := false
		for _, k := range keys {
			drop = drop || strings.HasPrefix(line, k)
		}
		if !drop {
			kept = append(kept, line)
		}
	}
	return strings.Join(kept, "\n")
}

// TestABlankThatComesLate: a unit (or a busy machine) pauses for longer than a
// settle time between the end of a prompt and the blank behind it.
func TestABlankThatComesLate(t *testing.T) {
	var name string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.say("Unit name:")
		time.Sleep(30 * time.Millisecond)
		name = d.ask(" ", plainly)
		d.ask("What now? ", plainly)
	}}.play(t)
	wantEnding(t, o, engine.Held, "What now?")
	if name != "shelf-1" {
		t.Errorf("the unit took the name %q", name)
	}
}
