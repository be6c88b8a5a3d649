package progress

import (
	"io"
	"strings"
	"sync"
	"time"

	"github.com/vbauerster/cupwriter"
	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"linehand/script/player"
)

// bars is a board for a terminal.
type bars struct {
	out  *gate
	all  *mpb.Progress
	mu   sync.Mutex
	list []*mpb.Bar
}

// Bars makes a board that redraws itself on a terminal.
func Bars(terminal io.Writer) Board {
	g := newGate(terminal)
	return &bars{out: g, all: mpb.New(mpb.WithConsoleWriter(g), mpb.WithAutoRefresh(), mpb.WithWidth(widthElsewhere), mpb.WithRefreshRate(200*time.Millisecond))}
}

// widthElsewhere is how wide lines are where the terminal does not tell, and
// barWidth how wide a bar is.
const (
	widthElsewhere = 100
	barWidth       = 16
)

func (b *bars) Unit(name string, estimate time.Duration) func(player.Progress) {
	run := &shown{started: time.Now()}
	// A total of 0 is one that is not known yet; any other could not be changed.
	bar := b.all.New(0, mpb.BarStyle().Lbound("[").Filler("=").Tip(">").Padding(" ").Rbound("]"),
		mpb.BarWidth(barWidth),
		mpb.PrependDecorators(decor.Name(name+" ")),
		mpb.AppendDecorators(decor.Any(func(decor.Statistics) string { return " " + run.text(estimate) })),
	)
	b.mu.Lock()
	b.list = append(b.list, bar)
	b.mu.Unlock()
	return func(p player.Progress) {
		run.set(p)
		if p.Of > 0 {
			bar.SetTotal(int64(p.Of)+1, false)
			bar.SetCurrent(int64(p.No))
		}
		if p.Doing == player.Ended {
			bar.Abort(false)
		}
	}
}

func (b *bars) Quiet(f func()) {
	b.mu.Lock()
	n := len(b.list)
	b.mu.Unlock()
	b.out.shut(n, f)
}

func (b *bars) Close() {
	b.mu.Lock()
	for _, bar := range b.list {
		bar.Abort(false)
	}
	b.mu.Unlock()
	b.all.Wait()
}

// shown is what a bar shows of its run.
type shown struct {
	mu      sync.Mutex
	p       player.Progress
	started time.Time
	ended   time.Time
}

func (s *shown) set(p player.Progress) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.p = p
	if p.Doing == player.Ended {
		s.ended = time.Now()
	}
}

func (s *shown) text(estimate time.Duration) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	elapsed := time.Since(s.started)
	if !s.ended.IsZero() {
		elapsed = s.ended.Sub(s.started)
	}
	return State(s.p) + ", " + Times(elapsed, estimate)
}

// gate is the way to the terminal. It drops frames while somebody else uses
// the terminal.
type gate struct {
	*cupwriter.Writer
	out io.Writer

	mu   sync.Mutex
	busy int
	owed int // lines to be put below before the next frame
}

func newGate(out io.Writer) *gate {
	return &gate{Writer: cupwriter.New(out, true), out: out}
}

// Flush draws a frame of so many lines.
func (g *gate) Flush(lines int) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.busy > 0 {
		g.Reset()
		return nil
	}
	io.WriteString(g.out, strings.Repeat("\n", g.owed))
	g.owed = 0
	return g.Writer.Flush(lines)
}

// shut keeps frames out while f runs. The next frame goes up by as many lines
// as there are bars, so these are then put below what f has written: several
// questions one after the other have no gap between them.
func (g *gate) shut(bars int, f func()) {
	g.mu.Lock()
	g.busy++
	g.mu.Unlock()
	f()
	g.mu.Lock()
	defer g.mu.Unlock()
	g.busy--
	if g.busy == 0 {
		g.owed = bars
	}
}
