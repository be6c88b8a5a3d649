package rehearsal

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/secret"
	"linehand/transcript"
)

// stopwatch is a line that notes how long it was left idle before each thing
// that is said: where the time of a run goes that neither the wire nor the
// unit needed.
type stopwatch struct {
	console.Line
	enter string

	mu     sync.Mutex
	char   time.Duration
	heard  time.Time // when a character came last
	free   time.Time // when the wire has carried what was said
	typed  bool      // an answer stands there without its Enter
	fresh  bool      // something was heard since
	idle   map[string]time.Duration
	counts map[string]int
	out    int // characters said
}

// The reasons for which a run leaves the wire idle.
const (
	idleBegin  = "begin"  // before the first key
	idleSettle = "settle" // a prompt has come; before its answer
	idleEcho   = "echo"   // the echo is whole; before Enter
	idleHidden = "hidden" // a secret is typed, and nothing is shown of it; before Enter
	idleEnd    = "end"    // after the last character
)

func watchLine(l console.Line, enter string) *stopwatch {
	now := time.Now()
	return &stopwatch{Line: l, enter: enter, char: l.Info().Settings.CharTime(), heard: now, free: now,
		idle: map[string]time.Duration{}, counts: map[string]int{}}
}

func (s *stopwatch) Read(p []byte) (int, time.Time, error) {
	n, at, err := s.Line.Read(p)
	if n > 0 {
		s.mu.Lock()
		s.heard, s.fresh = at, true
		s.mu.Unlock()
	}
	return n, at, err
}

func (s *stopwatch) Write(p []byte) (int, error) {
	s.mu.Lock()
	why := idleSettle
	switch {
	case s.typed && s.fresh:
		why = idleEcho
	case s.typed:
		why = idleHidden
	case s.out == 0 && !s.fresh:
		why = idleBegin
	}
	s.count(why)
	s.typed = string(p) != s.enter && p[0] >= ' '
	s.fresh = false
	s.out += len(p)
	s.free = latest(time.Now(), s.free).Add(time.Duration(len(p)) * s.char)
	s.mu.Unlock()
	return s.Line.Write(p)
}

func (s *stopwatch) count(why string) {
	if gap := time.Since(latest(s.heard, s.free)); gap > 0 {
		s.idle[why] += gap
		s.counts[why]++
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// timing is how long one dialogue took, and what for.
type timing struct {
	unit, dialogue string
	how            engine.How
	elapsed, floor time.Duration
	pauses         time.Duration
	chars          int
	answers        int
	idle           map[string]time.Duration
}

func (t timing) ratio() float64 { return t.elapsed.Seconds() / t.floor.Seconds() }

// overlap is the time in which characters went both ways at once: the floor
// counts them one after the other.
func (t timing) overlap() time.Duration {
	left := t.elapsed - t.floor
	for _, d := range t.idle {
		left -= d
	}
	return -left
}

// floorUnits are the units of the demo site whose dialogues are timed: a
// shelf that starts a cluster, one that joins it, and a switch.
var floorUnits = []string{"deep-1", "deep-2", "quay-sw1"}

// timeVisit plays the three dialogues of a unit one after the other and
// times each.
func timeVisit(t testing.TB, p *plan.Plan, secrets *secret.Store, unit string, opts Options) []timing {
	t.Helper()
	u, err := p.Unit(unit)
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(u, secrets, opts)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var times []timing
	for i, file := range []string{u.Dialogue, u.SetUp, u.Proof} {
		d, err := script.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		times = append(times, timeDialogue(t, b, u, d, secrets, i == 0))
	}
	return times
}

func timeDialogue(t testing.TB, b *Bench, u *plan.Unit, d *script.Dialogue, secrets *secret.Store, switchOn bool) timing {
	t.Helper()
	mask := transcript.NewMask()
	for _, name := range secrets.Names() {
		v, _ := secrets.Secret(name)
		mask.Add(name, v)
	}
	j, err := transcript.Create(filepath.Join(t.TempDir(), "run.record"), transcript.Header{Unit: u.Name, Mode: "rehearse"}, mask)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	line, err := b.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	watch := watchLine(line, d.Line.Enter.Bytes)
	var before Floor
	start := time.Now()
	if switchOn {
		b.Start(context.WithoutCancel(t.Context()))
	} else {
		before = b.Floor()
	}
	answered := 0
	end, err := player.Run{
		Dialogue: d, Line: watch, Record: j, Secrets: secrets, Mask: mask.Text,
		Target: engine.Target{Serial: u.Serial, Values: u.Values},
		Watch:  func(p player.Progress) { answered = p.Answered },
	}.Play(t.Context())
	elapsed := time.Since(start)
	after := b.Floor()
	if err != nil {
		t.Fatal(err)
	}
	watch.mu.Lock()
	defer watch.mu.Unlock()
	watch.count(idleEnd)
	return timing{unit: u.Name, dialogue: d.Name, how: end.How, elapsed: elapsed, floor: after.Total - before.Total,
		pauses: after.Pauses - before.Pauses, chars: after.Out + after.In - before.Out - before.In, answers: answered, idle: watch.idle}
}

// TestWireFloor plays all dialogues that have a simulated unit in virtual
// time, where nothing costs time but the wire, the unit, and what the run
// waits for by its own rules: what is left is the same on every machine.
func TestWireFloor(t *testing.T) {
	p, secrets := demo(t)
	for _, speed := range []int{9600, 115200} {
		t.Run(fmt.Sprint(speed), func(t *testing.T) {
			var all []timing
			for _, unit := range floorUnits {
				synctest.Test(t, func(t *testing.T) {
					set := console.Default
					set.Speed = speed
					all = append(all, timeVisit(t, p, secrets, unit, Options{Settings: set, Seed: 1, InMemory: true})...)
				})
			}
			for _, x := range all {
				logTiming(t, x)
			}
			logTiming(t, sum(all))
		})
	}
}

func logTiming(t testing.TB, x timing) {
	t.Helper()
	t.Logf("%-9s %-22s %-8s %8.3f s / %8.3f s = %.4f  (%d chars, pauses %.3f s, %d answers)  begin %.1f settle %.1f echo %.1f hidden %.1f end %.1f overlap -%.1f ms",
		x.unit, x.dialogue, x.how, x.elapsed.Seconds(), x.floor.Seconds(), x.ratio(), x.chars, x.pauses.Seconds(), x.answers,
		ms(x.idle[idleBegin]), ms(x.idle[idleSettle]), ms(x.idle[idleEcho]), ms(x.idle[idleHidden]), ms(x.idle[idleEnd]), ms(x.overlap()))
}

func ms(d time.Duration) float64 { return d.Seconds() * 1000 }

// sum adds runs up.
func sum(list []timing) timing {
	all := timing{unit: "all", idle: map[string]time.Duration{}}
	for _, x := range list {
		all.elapsed += x.elapsed
		all.floor += x.floor
		all.pauses += x.pauses
		all.chars += x.chars
		all.answers += x.answers
		all.how = cmp.Or(all.how, "")
		for k, d := range x.idle {
			all.idle[k] += d
		}
	}
	return all
}
