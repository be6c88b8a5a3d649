package desk

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"linehand/script/engine"
	"linehand/script/player"
)

var held = player.Held{
	Hold: engine.Hold{Kind: engine.HoldUnknown, Reason: "the unit shows \"What?\"", Stage: "cluster",
		Hoped: []string{"Name of the cluster:"}, Stages: []string{"sign in", "cluster"}},
	Screen:  []string{"first row", "What?\x1b[2J"},
	Choices: []player.Choice{player.ByHand, player.Again, player.GoTo, player.GiveUp},
}

func TestChoices(t *testing.T) {
	confirm := held
	confirm.Choices = []player.Choice{player.Confirm, player.Again, player.GiveUp}
	for _, test := range []struct {
		typed string
		held  player.Held
		want  player.Release
	}{
		{"t\nyes please\n", held, player.Release{Choice: player.ByHand, Text: "yes please"}},
		{"T\n\n", held, player.Release{Choice: player.ByHand}},
		{"h\nsalt-marsh\n", held, player.Release{Choice: player.ByHand, Text: "salt-marsh", Secret: true}},
		{"a\n", held, player.Release{Choice: player.Again}},
		{"s\n2\n", held, player.Release{Choice: player.GoTo, Stage: "cluster"}},
		{"s\n9\ns\n1\n", held, player.Release{Choice: player.GoTo, Stage: "sign in"}},
		{"x\n", held, player.Release{Choice: player.GiveUp}},
		{"\nq\nr\nx\n", held, player.Release{Choice: player.GiveUp}}, // r is no choice at this hold
		{"r\n", confirm, player.Release{Choice: player.Confirm}},
		{"x", held, player.Release{Choice: player.GiveUp}}, // input that ends without a line end
	} {
		var out bytes.Buffer
		test.want.By = "tester"
		got, err := New(strings.NewReader(test.typed), &out, "tester", nil).For("shelf-1").Hold(t.Context(), test.held)
		if err != nil || got != test.want {
			t.Errorf("%q: got %+v, %v, want %+v", test.typed, got, err, test.want)
		}
		for _, want := range []string{"shelf-1: HOLD: the unit shows \"What?\".", "| first row", "- Name of the cluster:", "stage \"cluster\""} {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%q: the desk does not show %q:\n%s", test.typed, want, out.String())
			}
		}
		if strings.Contains(out.String(), "\x1b") || strings.Contains(out.String(), "salt-marsh") {
			t.Errorf("%q: the desk shows %q", test.typed, out.String())
		}
	}
}

// TestHostileUnitAtTheDesk: nothing of what a unit prints steers the terminal
// or turns its lines around.
func TestHostileUnitAtTheDesk(t *testing.T) {
	h := held
	h.Reason = "the unit shows \x1b[2J\u202e\u009b6n"
	h.Screen = []string{"\x1b]0;title\x07", "\u2066\u200bWhat?"}
	h.Hoped = []string{"Name\x1b[31m:"}
	var out bytes.Buffer
	if _, err := New(strings.NewReader("x\n"), &out, "tester", nil).For("shelf-1").Hold(t.Context(), h); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\x1b\x07\u009b\u202e\u2066\u200b") {
		t.Errorf("the desk shows %q", out.String())
	}
}

func TestEndOfInputIsAnError(t *testing.T) {
	if _, err := New(strings.NewReader("q\n"), io.Discard, "", nil).For("shelf-1").Hold(t.Context(), held); !errors.Is(err, errNobody) {
		t.Errorf("got %v", err)
	}
}

// TestOneAtATime: two units hold at once; the second is shown when the first
// is released.
func TestOneAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, typist := io.Pipe()
		var out lockedBuffer
		d := New(in, &out, "", nil)
		var all sync.WaitGroup
		for _, unit := range []string{"shelf-1", "shelf-2"} {
			all.Go(func() {
				if _, err := d.For(unit).Hold(t.Context(), held); err != nil {
					t.Errorf("%s: %v", unit, err)
				}
			})
		}
		synctest.Wait()
		if n := strings.Count(out.String(), "HOLD"); n != 1 {
			t.Errorf("%d holds are shown at once", n)
		}
		io.WriteString(typist, "x\n")
		synctest.Wait()
		if n := strings.Count(out.String(), "HOLD"); n != 2 {
			t.Errorf("%d holds have been shown after the first was released", n)
		}
		io.WriteString(typist, "x\n")
		all.Wait()
	})
}

// TestAHoldThatLifts: what is typed for a hold that has gone is no answer to
// the next one.
func TestAHoldThatLifts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, typist := io.Pipe()
		var out lockedBuffer
		d := New(in, &out, "", nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { _, err := d.For("shelf-1").Hold(ctx, held); done <- err }()
		synctest.Wait()
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("a hold that has lifted gives %v", err)
		}
		if !strings.Contains(out.String(), "shelf-1: the hold is over") {
			t.Errorf("the desk does not say so: %s", out.String())
		}
		var r player.Release
		go func() { var err error; r, err = d.For("shelf-2").Hold(t.Context(), held); done <- err }()
		synctest.Wait()
		io.WriteString(typist, "x\n")
		synctest.Wait()
		io.WriteString(typist, "a\n")
		if err := <-done; err != nil || r.Choice != player.Again {
			t.Errorf("the second hold was released by %q, %v", r.Choice, err)
		}
	})
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
