// Package progress shows how far runs have come: bars that redraw themselves
// on a terminal, and a line for each change elsewhere.
package progress

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"linehand/script/player"
)

// Board shows the runs of several units. Its methods may be called from any
// goroutine.
type Board interface {
	// Unit adds a unit and returns who is to be told of its progress.
	// Estimate is how long its run is likely to take; 0 when nobody knows,
	// less where nothing is to be said of it.
	Unit(name string, estimate time.Duration) func(player.Progress)
	// Quiet keeps the board still while f uses the terminal. Runs go on
	// meanwhile, and are shown afterwards.
	Quiet(f func())
	// Close waits until the last state is shown.
	Close()
}

// lines is a board for files and pipes.
type lines struct {
	mu      sync.Mutex
	out     io.Writer
	now     func() time.Time
	busy    int      // how many use the terminal
	waiting []string // lines that wait for them
}

// Lines makes a board that prints a line for each change.
func Lines(out io.Writer) Board { return &lines{out: out, now: time.Now} }

func (l *lines) Unit(name string, estimate time.Duration) func(player.Progress) {
	started := l.now()
	var last string
	return func(p player.Progress) {
		l.mu.Lock()
		defer l.mu.Unlock()
		state := State(p)
		if state == last || p.Doing == player.Ended {
			return
		}
		last = state
		l.print(fmt.Sprintf("%s: %s, %s\n", name, state, Times(l.now().Sub(started), estimate)))
	}
}

// print is called with the lock held.
func (l *lines) print(line string) {
	if l.busy > 0 {
		l.waiting = append(l.waiting, line)
		return
	}
	io.WriteString(l.out, line)
}

func (l *lines) Quiet(f func()) {
	l.mu.Lock()
	l.busy++
	l.mu.Unlock()
	f()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.busy--
	if l.busy > 0 {
		return
	}
	for _, line := range l.waiting {
		io.WriteString(l.out, line)
	}
	l.waiting = nil
}

func (l *lines) Close() {}

// State says in words where a run is.
func State(p player.Progress) string {
	where := fmt.Sprintf("stage %d of %d, %s", p.No, p.Of, p.Stage)
	switch {
	case p.No == 0 && p.Part != "" && p.Text != "":
		where = p.Text
	case p.No == 0 && p.Part != "" && p.Of == 0:
		where = ""
	case p.No == 0:
		where = "waiting for the first prompt"
	}
	if p.Part != "" {
		where = strings.TrimSuffix(p.Part+": "+where, ": ")
	}
	switch p.Doing {
	case player.Holding:
		return where + ", on hold"
	case player.Away:
		return where + ", the line is away"
	case player.Ended:
		return where + ", ended"
	}
	return where
}

// Times says how long a run has taken and is likely to take.
func Times(elapsed, estimate time.Duration) string {
	text := Clock(elapsed) + " elapsed"
	if estimate < 0 {
		return text
	}
	if estimate == 0 {
		return text + ", no estimate yet"
	}
	return text + ", about " + Clock(estimate) + " in all"
}

// Clock is a duration as minutes and seconds.
func Clock(d time.Duration) string {
	s := int(d.Round(time.Second) / time.Second)
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}
