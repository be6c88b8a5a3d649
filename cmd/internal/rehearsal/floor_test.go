package rehearsal

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/fixtures/figures"
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
	out    int           // characters said
	settle time.Duration // what the line asks of a settle time
	late   time.Duration // settle times beyond that
}

// The reasons for which a run leaves the wire idle.
const (
	idleBegin  = "begin"  // before the first key
	idleSettle = "settle" // a prompt has come; before its answer
	idleEcho   = "echo"   // the echo is whole; before Enter
	idleHidden = "hidden" // a secret is typed, and nothing is shown of it; before Enter
	idleEnd    = "end"    // after the last character
)

func watchLine(l console.Line, d *script.Dialogue) *stopwatch {
	now := time.Now()
	return &stopwatch{Line: l, enter: d.Line.Enter.Bytes, settle: max(d.Line.Settle, 20*time.Millisecond), char: l.Info().Settings.CharTime(), heard: now, free: now,
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
		if why == idleSettle {
			s.late += gap - s.settle
		}
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
	elapsed, floor time.Duration
	pauses         time.Duration
	chars          int
	answers        int
	idle           map[string]time.Duration
	late           time.Duration // of the settle times, beyond what they are set to
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
func timeVisit(ctx context.Context, folder string, p *plan.Plan, secrets *secret.Store, unit string, opts Options) ([]timing, error) {
	u, err := p.Unit(unit)
	if err != nil {
		return nil, err
	}
	b, err := New(u, secrets, opts)
	if err != nil {
		return nil, err
	}
	defer b.Close()
	var times []timing
	for i, file := range []string{u.Dialogue, u.SetUp, u.Proof} {
		d, err := script.Load(file)
		if err != nil {
			return nil, err
		}
		t, err := timeDialogue(ctx, filepath.Join(folder, d.Name+".record"), b, u, d, secrets, i == 0)
		if err != nil {
			return nil, fmt.Errorf("%s with %s: %w", unit, d.Name, err)
		}
		times = append(times, t)
	}
	return times, nil
}

func timeDialogue(ctx context.Context, record string, b *Bench, u *plan.Unit, d *script.Dialogue, secrets *secret.Store, switchOn bool) (timing, error) {
	mask := transcript.NewMask()
	for _, name := range secrets.Names() {
		v, _ := secrets.Secret(name)
		mask.Add(name, v)
	}
	j, err := transcript.Create(record, transcript.Header{Unit: u.Name, Mode: "rehearse"}, mask)
	if err != nil {
		return timing{}, err
	}
	defer j.Close()
	line, err := b.Open(ctx)
	if err != nil {
		return timing{}, err
	}
	watch := watchLine(line, d)
	var before Floor
	start := time.Now()
	if switchOn {
		b.Start(context.WithoutCancel(ctx))
	} else {
		before = b.Floor()
	}
	answered := 0
	end, err := player.Run{
		Dialogue: d, Line: watch, Record: j, Secrets: secrets, Mask: mask.Text,
		Target: engine.Target{Serial: u.Serial, Values: u.Values},
		Watch:  func(p player.Progress) { answered = p.Answered },
	}.Play(ctx)
	elapsed := time.Since(start)
	after := b.Floor()
	if err != nil {
		return timing{}, err
	}
	switch end.How {
	case engine.Done, engine.Already, engine.Open: // open: the check of the drives runs on
	default:
		return timing{}, fmt.Errorf("ended %s: %s", end.How, end.Sentence)
	}
	watch.mu.Lock()
	defer watch.mu.Unlock()
	watch.count(idleEnd)
	return timing{unit: u.Name, dialogue: d.Name, elapsed: elapsed, floor: after.Total - before.Total,
		pauses: after.Pauses - before.Pauses, chars: after.Out + after.In - before.Out - before.In,
		answers: answered, idle: watch.idle, late: watch.late}, nil
}

// floorLimit is what all dialogues together may take, as a multiple of what
// the wire and the units need.
var floorLimit = map[int]float64{9600: 1.02, 115200: 1.10}

// TestWireFloor plays all dialogues that have a simulated unit in virtual
// time, where nothing costs time but the wire, the unit, and what the run
// waits for by its own rules: what is left is the same on every machine.
func TestWireFloor(t *testing.T) {
	p, secrets := demo(t)
	table := floorTable("wire-floor-rules", "Wire floor by the rules alone: virtual time, no machine")
	for _, speed := range []int{9600, 115200} {
		var all []timing
		for _, unit := range floorUnits {
			synctest.Test(t, func(t *testing.T) {
				times, err := timeVisit(t.Context(), t.TempDir(), p, secrets, unit, Options{Settings: at(speed), Seed: 1, InMemory: true})
				if err != nil {
					t.Fatal(err)
				}
				all = append(all, times...)
			})
		}
		for _, x := range all {
			floorRow(table, speed, x.ratio(), x)
		}
		whole := sum(all)
		floorRow(table, speed, whole.ratio(), whole)
		rest := sum(withoutBootLog(all))
		rest.dialogue = "without quillon-x48"
		floorRow(table, speed, rest.ratio(), rest)
		if whole.ratio() > floorLimit[speed] {
			t.Errorf("at %d all dialogues take %.4f times what wire and units need, want %.2f at most", speed, whole.ratio(), floorLimit[speed])
		}
	}
	floorNotes(table)
	if figures.Full() || testing.Verbose() {
		if err := table.Publish(); err != nil {
			t.Fatal(err)
		}
	}
}

func at(speed int) console.Settings {
	set := console.Default
	set.Speed = speed
	return set
}

// sum adds runs up.
func sum(list []timing) timing {
	all := timing{unit: "all", dialogue: "together", idle: map[string]time.Duration{}}
	for _, x := range list {
		all.elapsed += x.elapsed
		all.floor += x.floor
		all.pauses += x.pauses
		all.chars += x.chars
		all.answers += x.answers
		all.late += x.late
		for k, d := range x.idle {
			all.idle[k] += d
		}
	}
	return all
}

// withoutBootLog leaves out the dialogue most of which is a boot log of 200 KiB,
// in which there is nothing to wait for.
func withoutBootLog(list []timing) []timing {
	return slices.DeleteFunc(slices.Clone(list), func(x timing) bool { return x.dialogue == "quillon-x48" })
}

func floorTable(name, title string) *figures.Table {
	return figures.New(name, title, "bits/s", "unit", "dialogue", "ratio", "took s", "floor s", "characters", "pauses s", "answers",
		"begin ms", "settle ms", "of it late", "echo ms", "hidden ms", "end ms", "at once ms")
}

func floorRow(table *figures.Table, speed int, ratio float64, x timing) {
	table.Row(speed, x.unit, x.dialogue, fmt.Sprintf("%.4f", ratio), x.elapsed.Seconds(), x.floor.Seconds(), x.chars, x.pauses.Seconds(), x.answers,
		x.idle[idleBegin], x.idle[idleSettle], x.late, x.idle[idleEcho], x.idle[idleHidden], x.idle[idleEnd], -x.overlap())
}

func floorNotes(table *figures.Table) {
	table.Note(`floor: all characters of both ways, one after the other at line rate, and the unit's own
pauses (those that its simulation makes; none of ours is in there). took: from the start of
the run to its ending. took - floor = the columns in ms, added up:
  begin    silence after the line was opened, before the first key (a first boot: the unit's own pause)
  settle   quiet before each answer (20 ms by the dialogues); late: what timers, syncs and the machine added
  echo     from the last character of an echo to Enter: three characters, so that a doubled last one is seen
  hidden   the same for a secret of which nothing is shown
  end      quiet after the last character
  at once  negative: answers and their echoes are on the wire both ways at once, and keys in the unit's pauses
The limits (1.02 at 9600, 1.10 at 115200) are for all together. A dialogue that asks much and prints little
cannot come under them while a prompt must stand for 20 ms before it counts: that alone is more than its
characters take.`)
}
