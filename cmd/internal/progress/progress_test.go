package progress

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/script/player"
)

func TestLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		b := Lines(&out)
		told := b.Unit("shelf-1", 90*time.Second)
		other := b.Unit("shelf-2", 0)
		told(player.Progress{Of: 3, Doing: player.Waiting})
		time.Sleep(65 * time.Second)
		told(player.Progress{Stage: "sign in", No: 1, Of: 3, Doing: player.Waiting})
		told(player.Progress{Stage: "sign in", No: 1, Of: 3, Doing: player.Typing}) // no news
		other(player.Progress{Stage: "sign in", No: 1, Of: 3, Doing: player.Holding})
		other(player.Progress{Stage: "sign in", No: 1, Of: 3, Doing: player.Away})
		told(player.Progress{Stage: "sign in", No: 1, Of: 3, Doing: player.Ended})
		b.Close()
		want := `shelf-1: waiting for the first prompt, 0:00 elapsed, about 1:30 in all
shelf-1: stage 1 of 3, sign in, 1:05 elapsed, about 1:30 in all
shelf-2: stage 1 of 3, sign in, on hold, 1:05 elapsed, no estimate yet
shelf-2: stage 1 of 3, sign in, the line is away, 1:05 elapsed, no estimate yet
`
		if out.String() != want {
			t.Errorf("got\n%s\nwant\n%s", out.String(), want)
		}
	})
}

func TestPartsOfAVisit(t *testing.T) {
	for want, p := range map[string]player.Progress{
		"waiting: 1 of 2 answer": {Part: "waiting", Text: "1 of 2 answer"},
		"before":                 {Part: "before"},
		"first boot: waiting for the first prompt": {Part: "first boot", Of: 3},
		"first boot: stage 1 of 3, sign in":        {Part: "first boot", Of: 3, No: 1, Stage: "sign in", Text: "more"},
		"set-up, on hold":                          {Part: "set-up", Doing: player.Holding},
	} {
		if got := State(p); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if got := Times(65*time.Second, -1); got != "1:05 elapsed" {
		t.Errorf("got %q", got)
	}
}

// TestQuiet: while somebody uses the terminal runs go on, and are shown after.
func TestQuiet(t *testing.T) {
	var out bytes.Buffer
	b := Lines(&out)
	told := b.Unit("shelf-1", 0)
	b.Quiet(func() {
		told(player.Progress{Stage: "sign in", No: 1, Of: 3})
		if out.Len() > 0 {
			t.Errorf("the board writes meanwhile: %q", out.String())
		}
	})
	if !strings.Contains(out.String(), "stage 1 of 3, sign in") {
		t.Errorf("the board does not show afterwards what came: %q", out.String())
	}
}

func TestClock(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0:00", 499 * time.Millisecond: "0:00", 59500 * time.Millisecond: "1:00", 61 * time.Second: "1:01",
		3599 * time.Second: "59:59", time.Hour: "1:00:00", 25*time.Hour + 61*time.Second: "25:01:01",
	} {
		if got := Clock(d); got != want {
			t.Errorf("Clock(%v) = %s, want %s", d, got, want)
		}
	}
}

// TestBars draws on something that is no terminal, and stays off it while
// somebody else uses it.
func TestBars(t *testing.T) {
	var out bytes.Buffer
	b := Bars(&out)
	told := b.Unit("shelf-1", 0)
	told(player.Progress{Stage: "cluster", No: 2, Of: 3, Doing: player.Waiting})
	b.Quiet(func() {
		out.WriteString("QUESTION")
	})
	told(player.Progress{Stage: "cluster", No: 2, Of: 3, Doing: player.Ended})
	b.Close()
	for _, want := range []string{"shelf-1", "stage 2 of 3, cluster", "no estimate yet", "QUESTION\n", "[======"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the board does not show %q: %q", want, out.String())
		}
	}
}
