// Package schedule works out how long a batch of units takes on so many
// lines with so many technicians, and which cable goes where and when.
//
// A unit's work has these phases, in this order:
//
//	hands     a technician unpacks, racks and cables the unit
//	boot      the unit starts by itself, or its start is watched on the line
//	connect   a technician moves a free line's cable to the unit
//	dialogue  the line asks and answers; nobody is needed
//	wait      the unit finishes by itself
//
// A line serves one unit at a time, from the moving of its cable to the end
// of the dialogue; a watched boot comes between the two. A unit with neither
// needs no line and no cable. A technician is at
// one place at a time. Nothing that has begun is interrupted. A unit may name
// others that must be ready, their waiting over, before its own dialogue
// starts: those that join a cluster come After the one that starts it.
//
// The package is arithmetic alone: it reads no clock, and the same batch
// always gets the same schedule.
package schedule

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"
)

// Batch is what is to be scheduled.
type Batch struct {
	Units       []Unit
	Lines       int           // 1 or more
	Technicians int           // 1 or more
	MoveCable   time.Duration // a technician moves a line's cable to a unit; once for each that needs a line
}

// Unit is the work that one unit makes. Times are 0 where there is nothing
// to do or to wait for.
type Unit struct {
	Name         string
	Hands        time.Duration
	Boot         time.Duration
	BootWatched  bool          // the boot takes place on the line
	Dialogue     time.Duration // on the line: WireTime and the unit's own pauses
	Wait         time.Duration
	After        []string // units that must be ready before the cable is moved
	readyBefore  []int    // After by number
	neededBefore []int    // the units that name this one
}

// Schedule is what is done when, counted from the start of the batch.
type Schedule struct {
	Assignments []Assignment // one a unit, in the order of the batch
	Steps       []Step       // what the technicians do, by start
	Makespan    time.Duration
	Bounds      Bounds
	// Shortest: no schedule is shorter. Otherwise the makespan is at most
	// Guarantee times the shortest possible, by the proof named in Proof;
	// Makespan / Bounds.Lowest() is usually far better.
	Shortest  bool
	Guarantee float64
	Proof     string
}

// Span is a stretch of time from Start up to End.
type Span struct {
	Start, End time.Duration
}

// Assignment is one unit's way through the batch. Lines and technicians
// count from 1.
type Assignment struct {
	Unit      string
	Line      int // 0 where none is needed
	HandsBy   int // 0 where there is nothing to do by hand
	ConnectBy int // 0 where moving a cable takes no time
	Hands     Span
	Boot      Span
	Connect   Span // the line is taken from Connect.Start to Dialogue.End
	Dialogue  Span
	Wait      Span // at its end the unit is ready
}

// Step is one stretch of a technician's work.
type Step struct {
	Technician int
	Unit       string
	Line       int // whose cable is moved; 0 for the work by hand
	Span
}

// Bounds are times that no schedule can be shorter than.
type Bounds struct {
	Technicians time.Duration // their work shared out evenly, and what must follow it
	Lines       time.Duration // the lines' work shared out evenly, and what must precede and follow it
	Unit        time.Duration // the longest unit, with those that it comes after
}

// Lowest is the best of the bounds: the largest.
func (b Bounds) Lowest() time.Duration { return max(b.Technicians, b.Lines, b.Unit) }

// ExactUnits is the largest batch whose schedule is always the shortest.
// Batches up to SearchUnits are searched too, for at most searchSteps steps:
// enough for the shortest unless several technicians and lines are about
// equally busy. Schedule.Shortest tells.
const (
	ExactUnits  = 6
	SearchUnits = 10
	searchSteps = 300_000 // a fraction of a second
)

// Plan makes a schedule: the shortest up to ExactUnits units, above that the
// best of several list schedules, each with the proven ratio that
// Schedule.Guarantee gives, or better where a search finds better.
func Plan(batch Batch) (Schedule, error) {
	w, err := newWork(batch)
	if err != nil {
		return Schedule{}, err
	}
	bounds := w.bounds()
	best := w.bestList(bounds.Lowest())
	proved := false
	switch n := len(w.units); {
	case best.makespan == bounds.Lowest():
	case n <= ExactUnits:
		best, proved = w.search(best, bounds.Lowest(), math.MaxInt)
	case n <= SearchUnits:
		best, proved = w.search(best, bounds.Lowest(), searchSteps)
	}
	s := w.schedule(best)
	s.Bounds = bounds
	s.Guarantee, s.Proof = w.guarantee()
	switch {
	case s.Makespan == bounds.Lowest():
		s.Shortest, s.Guarantee, s.Proof = true, 1, "the makespan meets a lower bound"
	case proved:
		s.Shortest, s.Guarantee, s.Proof = true, 1, "branch and bound has excluded every shorter schedule"
	}
	return s, nil
}

// longest keeps all sums of a batch in range.
const longest = 100 * 365 * 24 * time.Hour

// work is a checked batch.
type work struct {
	Batch
	units []Unit
	order []int           // units, each after those that it comes after
	tail  []time.Duration // from the moving of the cable until all that comes after is ready
}

func newWork(b Batch) (*work, error) {
	switch {
	case len(b.Units) == 0:
		return nil, errors.New("the batch has no unit")
	case b.Lines < 1:
		return nil, fmt.Errorf("the batch has %d lines: it needs at least one", b.Lines)
	case b.Technicians < 1:
		return nil, fmt.Errorf("the batch has %d technicians: it needs at least one", b.Technicians)
	case b.MoveCable < 0:
		return nil, fmt.Errorf("moving a cable takes %s: it cannot be negative", b.MoveCable)
	}
	w := &work{Batch: b, units: append([]Unit(nil), b.Units...)}
	// More resources than units change nothing but the cost of planning.
	w.Lines = min(b.Lines, len(b.Units))
	w.Technicians = min(b.Technicians, 2*len(b.Units))
	if err := w.checkTimes(); err != nil {
		return nil, err
	}
	if err := w.link(); err != nil {
		return nil, err
	}
	return w, w.sort()
}

func (w *work) checkTimes() error {
	var sum time.Duration
	for _, u := range w.units {
		for _, d := range [...]time.Duration{u.Hands, u.Boot, u.Dialogue, u.Wait, w.MoveCable} {
			if d < 0 {
				return fmt.Errorf("unit %q: a time of %s cannot be negative", u.Name, d)
			}
			if d > longest-sum {
				return errors.New("the times of the batch add up to more than a hundred years")
			}
			sum += d
		}
	}
	return nil
}

// link turns the names in After into numbers.
func (w *work) link() error {
	number := make(map[string]int, len(w.units))
	for i, u := range w.units {
		if u.Name == "" {
			return fmt.Errorf("unit %d of the batch has no name", i+1)
		}
		if _, twice := number[u.Name]; twice {
			return fmt.Errorf("unit %q is in the batch twice", u.Name)
		}
		number[u.Name] = i
		w.units[i].readyBefore, w.units[i].neededBefore = nil, nil
	}
	for i := range w.units {
		u := &w.units[i]
		for _, name := range u.After {
			before, ok := number[name]
			if !ok {
				return fmt.Errorf("unit %q comes after %q, which is not in the batch", u.Name, name)
			}
			u.readyBefore = append(u.readyBefore, before)
			w.units[before].neededBefore = append(w.units[before].neededBefore, i)
		}
	}
	return nil
}

// sort puts units after those that they come after, and works out tails.
func (w *work) sort() error {
	open := make([]int, len(w.units))
	for i, u := range w.units {
		open[i] = len(u.readyBefore)
		if open[i] == 0 {
			w.order = append(w.order, i)
		}
	}
	for k := 0; k < len(w.order); k++ {
		for _, next := range w.units[w.order[k]].neededBefore {
			if open[next]--; open[next] == 0 {
				w.order = append(w.order, next)
			}
		}
	}
	if len(w.order) < len(w.units) {
		return w.circle(open)
	}
	w.tail = make([]time.Duration, len(w.units))
	for k := len(w.order) - 1; k >= 0; k-- {
		i := w.order[k]
		var further time.Duration
		for _, next := range w.units[i].neededBefore {
			further = max(further, w.tail[next])
		}
		w.tail[i] = w.session(i) + w.units[i].Wait + further
	}
	return nil
}

// circle names the units that wait for one another: going back from one that
// never opened, every step stays among such units and so meets one again.
func (w *work) circle(open []int) error {
	at := slices.IndexFunc(open, func(n int) bool { return n > 0 })
	var path []string
	met := make(map[int]int)
	for {
		if first, again := met[at]; again {
			return fmt.Errorf("units wait for one another without end: %s, each after the next", strings.Join(append(path[first:], w.units[at].Name), ", "))
		}
		met[at] = len(path)
		path = append(path, w.units[at].Name)
		before := w.units[at].readyBefore
		at = before[slices.IndexFunc(before, func(b int) bool { return open[b] > 0 })]
	}
}

// session is how long a unit's line is taken; 0 where it needs none.
func (w *work) session(i int) time.Duration {
	u := &w.units[i]
	talk := u.Dialogue
	if u.BootWatched {
		talk += u.Boot
	}
	if talk == 0 {
		return 0
	}
	return w.MoveCable + talk
}

// move is how long a technician moves a line's cable to a unit.
func (w *work) move(i int) time.Duration { return min(w.MoveCable, w.session(i)) }

// unwatched is the boot that follows the work by hand without a line.
func (w *work) unwatched(i int) time.Duration {
	if w.units[i].BootWatched {
		return 0
	}
	return w.units[i].Boot
}

// WireTime is how long so many characters take at a speed in bit/s, one
// after the other, with start, parity and stop bits counted in bitsPerChar
// (10 for 8N1). It is rounded up to a nanosecond.
func WireTime(characters int64, speed, bitsPerChar int) (time.Duration, error) {
	if characters < 0 || speed < 1 || bitsPerChar < 1 {
		return 0, fmt.Errorf("%d characters of %d bits at %d bit/s have no time", characters, bitsPerChar, speed)
	}
	over, each := bits.Mul64(uint64(bitsPerChar), uint64(time.Second))
	high, low := bits.Mul64(uint64(characters), each)
	if over > 0 || high >= uint64(speed) {
		return 0, fmt.Errorf("%d characters at %d bit/s take longer than 292 years", characters, speed)
	}
	nanoseconds, rest := bits.Div64(high, low, uint64(speed))
	if rest > 0 {
		nanoseconds++
	}
	if nanoseconds > math.MaxInt64 {
		return 0, fmt.Errorf("%d characters at %d bit/s take longer than 292 years", characters, speed)
	}
	return time.Duration(nanoseconds), nil
}
