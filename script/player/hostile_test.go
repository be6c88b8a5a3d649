package player_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"unicode"

	"linehand/script/engine"
	"linehand/script/player"
)

// hostile is what a unit may print to be taken for something else: control
// sequences of ECMA-48, and Unicode's direction marks, invisible signs and
// line separators (UAX 9, UTS 39).
const hostile = "\x1b]0;title\x07\x1b[2J\x1b[31mred\u202e\u2066txt.exe\u200b\ufeff\u2028\u009b6n\x9b\x08\x7f\x00deep\u0430"

// TestAHostileUnitIsShownHarmlessly: what a unit prints gets to people, in an
// ending, at a hold, as progress and in the log, without anything that could
// steer a terminal or hide; the record has it byte for byte.
func TestAHostileUnitIsShownHarmlessly(t *testing.T) {
	for name, device := range map[string]func(d *device){
		"unknown question": func(d *device) {
			d.say("Serial no. BW-1\r\nWhat " + hostile + "? ")
			for d.key() != 0 {
				d.say("\r\nWhat " + hostile + "? ")
			}
		},
		"refusal": func(d *device) {
			d.say("Serial no. BW-1\r\n")
			d.ask("Sign in: ", plainly)
			d.ask("Pass phrase: ", nothing)
			for range 3 {
				d.ask("Unit name: ", plainly)
				d.say("out of range " + hostile + "\r\n")
			}
		},
		"wrong value": func(d *device) {
			d.say("Serial no. BW-1\r\n")
			d.ask("Sign in: ", plainly)
			d.ask("Pass phrase: ", nothing)
			d.ask("Unit name: ", plainly)
			d.ask("Address: ", plainly)
			for d.ask("S24> ", plainly) == "show" {
				d.say("name " + hostile + "\r\naddress 192.0.2.11\r\n")
			}
		},
		"chassis": func(d *device) {
			for {
				d.say("Serial no. B\u202eW-2\u200b\r\nSign in: ")
				if d.key() == 0 {
					return
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			var told strings.Builder
			desk := deskOf(func(_ context.Context, held player.Held) (player.Release, error) {
				fmt.Fprintln(&told, held.Reason)
				fmt.Fprintln(&told, strings.Join(held.Screen, "\n"))
				return player.Release{Choice: player.GiveUp}, nil
			})
			o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: device, desk: desk}.play(t)
			fmt.Fprintln(&told, o.Sentence, o.Next)
			if o.How == engine.Done || o.How == engine.Broken {
				t.Errorf("ended %s: %s", o.How, o.Sentence)
			}
			for _, r := range told.String() {
				if r != '\n' && (unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co)) {
					t.Errorf("people are shown %U in %q", r, told.String())
					break
				}
			}
		})
	}
}

type deskOf func(context.Context, player.Held) (player.Release, error)

func (d deskOf) Hold(ctx context.Context, held player.Held) (player.Release, error) {
	return d(ctx, held)
}

// TestSecretLeftStandingUnseenIsErased: a run that was killed has left half a
// secret at a prompt that shows nothing. The next run does not add to it.
func TestSecretLeftStandingUnseenIsErased(t *testing.T) {
	var got string
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		text := "chang" // stands there already
		for {
			switch b := d.key(); b {
			case 0:
				return
			case 0x12:
				d.say("\r\nSerial no. BW-1\r\nPass phrase: ")
			case '\r':
				got = text
				d.say("\r\nUnit ready? ")
				for d.key() != 0 {
				}
				return
			case '\b':
				text = text[:max(0, len(text)-1)]
			default:
				text += string(rune(b))
			}
		}
	}}.with("redraw: Ctrl-R").play(t)
	if got != "changeme-9" {
		t.Errorf("the unit took %q (ended %s: %s)", got, o.How, o.Sentence)
	}
}

func (r rig) with(line string) rig {
	r.dialogue = line + "\n" + r.dialogue
	return r
}

// TestALineCutInTwoIsNotOneUnits: the cable goes while a unit prints its
// serial number and comes back in another unit, whose words end that line.
// The serial number is not taken for the other's.
func TestALineCutInTwoIsNotOneUnits(t *testing.T) {
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1 firmw")
		d.far.Unplug()
	}, replug: func(d *device) {
		d.say("are 3\r\nSelf-test\r\n")
		for d.ask("Unit name: ", plainly) != "" {
		}
	}}.play(t)
	if got := o.said("answer"); len(got) > 0 || o.How != engine.Held {
		t.Errorf("the other unit was told %q; ended %s: %s", got, o.How, o.Sentence)
	}
}

// TestHalfAnAnswerIsTakenBackFromTheRightUnit: the cable goes while an answer
// is half typed, comes back in another unit, and then in the first one.
func TestHalfAnAnswerIsTakenBackFromTheRightUnit(t *testing.T) {
	standing, entered, opened := "", "", 0
	name := func(d *device, unplugAt int) {
		for {
			switch b := d.key(); b {
			case 0:
				return
			case 0x12:
				d.say("\r\nSerial no. BW-1\r\nUnit name: " + standing)
			case '\b':
				if standing != "" {
					standing = standing[:len(standing)-1]
					d.say("\b \b")
				}
			case '\r':
				entered = standing
				d.say("\r\nUnit ready? ")
			default:
				if standing += string(rune(b)); len(standing) == unplugAt {
					d.far.Unplug()
					return
				}
				d.say(string(rune(b)))
			}
		}
	}
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: func(d *device) {
		d.say("Serial no. BW-1\r\n")
		d.ask("Sign in: ", plainly)
		d.ask("Pass phrase: ", nothing)
		d.say("Unit name: ")
		name(d, 4)
	}, replug: func(d *device) {
		if opened++; opened == 1 {
			d.say("\r\nPress ")
			d.key()
			d.far.Unplug()
			return
		}
		name(d, -1)
	}}.with("redraw: Ctrl-R").play(t)
	if entered != "shelf-1" {
		t.Errorf("the unit took %q (ended %s: %s)", entered, o.How, o.Sentence)
	}
}
