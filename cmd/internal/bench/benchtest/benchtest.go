// Package benchtest has a bench in memory, for tests of what sits on a bench:
// its lines are scripted, and what people did to it is kept.
package benchtest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"linehand/cmd/internal/bench"
)

// Step is one step of a line's script.
type Step struct {
	// Do changes the line; nil: it stays as it is.
	Do func(*bench.Line)
	// Shown is what its screen holds from here on; nil: as before.
	Shown *bench.Shown
}

// Call is something that a person did.
type Call struct {
	By   bench.Person
	What string // the method's name; for a keyboard "Type", "Secret", "GiveBack"
	ID   string // of the line, the hold or the unit
	Text string // label, unit, choice or what was typed; never a secret
}

// Bench is a bench in memory. Its methods may be called from any goroutine.
type Bench struct {
	name string

	mu       sync.Mutex
	seq      uint64
	lines    []*line
	units    map[string]bool // that the plan has
	released map[string]bool // holds
	failing  map[string]error
	calls    []Call
	watchers map[chan bench.Change]bool
}

type line struct {
	bench.Line
	steps   []Step
	shown   bench.Shown
	showing map[chan bench.Shown]bool
	before  bench.State // before somebody took it over
}

var _ bench.Bench = (*Bench)(nil)

// New makes a bench with lines. The units of the lines are in its plan; Plan
// adds others.
func New(name string, lines ...bench.Line) *Bench {
	b := &Bench{name: name, units: map[string]bool{}, released: map[string]bool{}, failing: map[string]error{}, watchers: map[chan bench.Change]bool{}}
	for _, l := range lines {
		b.Set(l)
	}
	return b
}

// Plan names units that the plan has besides those on the lines.
func (b *Bench) Plan(units ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, u := range units {
		b.units[u] = true
	}
}

// Set puts a line in place, or replaces the one with its ID.
func (b *Bench) Set(l bench.Line) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if l.Unit != "" {
		b.units[l.Unit] = true
	}
	if at := b.find(l.ID); at != nil {
		at.Line = l
		b.changed(at)
		return
	}
	at := &line{Line: l, showing: map[chan bench.Shown]bool{}}
	b.lines = append(b.lines, at)
	b.changed(at)
}

// Script appends steps to a line's script. Next goes one step on.
func (b *Bench) Script(id string, steps ...Step) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if l := b.find(id); l != nil {
		l.steps = append(l.steps, steps...)
	}
}

// Next takes the next step of a line's script; false: there is none.
func (b *Bench) Next(id string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.find(id)
	if l == nil || len(l.steps) == 0 {
		return false
	}
	s := l.steps[0]
	l.steps = l.steps[1:]
	if s.Do != nil {
		s.Do(&l.Line)
	}
	b.changed(l)
	if s.Shown != nil {
		l.show(*s.Shown)
	}
	return true
}

// Run takes a step on each line with a script every time that the interval is
// over, until ctx ends.
func (b *Bench) Run(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		for _, l := range b.Lines() {
			b.Next(l.ID)
		}
	}
}

// Print puts a screen on a line.
func (b *Bench) Print(id string, s bench.Shown) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if l := b.find(id); l != nil {
		l.show(s)
	}
}

// Tell sends a change that is about no line, such as "orders" or "records".
func (b *Bench) Tell(what string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tell(bench.Change{What: what})
}

// Fail makes a method, by its name, fail with err; nil: not any more.
func (b *Bench) Fail(method string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.failing[method] = err
}

// Calls are what people did, the first one first. What failed is not among
// them.
func (b *Bench) Calls() []Call {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.calls)
}

func (b *Bench) find(id string) *line {
	for _, l := range b.lines {
		if l.ID == id {
			return l
		}
	}
	return nil
}

// changed stamps a line and tells the watchers.
func (b *Bench) changed(l *line) {
	copied := clone(l.Line)
	b.tell(bench.Change{What: "line", Line: &copied})
}

func (b *Bench) tell(c bench.Change) {
	b.seq++
	c.Seq = b.seq
	for w := range b.watchers {
		select {
		case w <- c:
		default: // too slow: it sees by Seq that it has missed something
		}
	}
}

// show puts s on the line's screen and hands it to who watches.
func (l *line) show(s bench.Shown) {
	l.shown = s
	for w := range l.showing {
		select {
		case w <- s:
		default:
		}
	}
}

func clone(l bench.Line) bench.Line {
	if l.Hold != nil {
		h := *l.Hold
		l.Hold = &h
	}
	if l.Ending != nil {
		e := *l.Ending
		l.Ending = &e
	}
	return l
}

// Name is the bench's name.
func (b *Bench) Name() string { return b.name }

// Lines are the lines as they stand.
func (b *Bench) Lines() []bench.Line {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]bench.Line, len(b.lines))
	for i, l := range b.lines {
		out[i] = clone(l.Line)
	}
	return out
}

// Line is one line.
func (b *Bench) Line(id string) (bench.Line, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.find(id)
	if l == nil {
		return bench.Line{}, bench.ErrNoLine
	}
	return clone(l.Line), nil
}

// watchDepth is how many changes may wait for a watcher.
const watchDepth = 64

// Watch tells of changes until ctx ends.
func (b *Bench) Watch(ctx context.Context) <-chan bench.Change {
	w := make(chan bench.Change, watchDepth)
	b.mu.Lock()
	b.watchers[w] = true
	b.mu.Unlock()
	context.AfterFunc(ctx, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.watchers, w)
		close(w)
	})
	return w
}

// Show gives the line's screen, and each later one, until ctx ends.
func (b *Bench) Show(ctx context.Context, id string) (<-chan bench.Shown, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.find(id)
	if l == nil {
		return nil, bench.ErrNoLine
	}
	w := make(chan bench.Shown, watchDepth)
	w <- l.shown
	l.showing[w] = true
	context.AfterFunc(ctx, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(l.showing, w)
		close(w)
	})
	return w, nil
}

// act does something to a line, unless the method is to fail.
func (b *Bench) act(c Call, id string, do func(*line) error) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.failing[c.What]; err != nil {
		return err
	}
	l := b.find(id)
	if l == nil {
		return bench.ErrNoLine
	}
	if err := do(l); err != nil {
		return err
	}
	b.calls = append(b.calls, c)
	b.changed(l)
	return nil
}

// Label names a line.
func (b *Bench) Label(_ context.Context, by bench.Person, id, label string) error {
	return b.act(Call{by, "Label", id, label}, id, func(l *line) error {
		l.Label = label
		return nil
	})
}

// Rest keeps a line out of use, or puts it back.
func (b *Bench) Rest(_ context.Context, by bench.Person, id string, rest bool) error {
	return b.act(Call{by, "Rest", id, fmt.Sprint(rest)}, id, func(l *line) error {
		switch l.State {
		case bench.Playing, bench.Holding, bench.Taken:
			return bench.ErrState
		}
		l.State = bench.Listening
		if rest {
			l.State = bench.Resting
		}
		return nil
	})
}

// Knock asks who is on a line; the script says what comes of it.
func (b *Bench) Knock(_ context.Context, by bench.Person, id string) error {
	return b.act(Call{by, "Knock", id, ""}, id, func(l *line) error {
		switch l.State {
		case bench.Listening, bench.Unmatched, bench.Matched, bench.Finished:
			return nil
		}
		return bench.ErrState
	})
}

// Match says which unit a line's is.
func (b *Bench) Match(_ context.Context, by bench.Person, id, unit string) error {
	return b.act(Call{by, "Match", id, unit}, id, func(l *line) error {
		switch {
		case l.State != bench.Unmatched:
			return bench.ErrState
		case !b.units[unit]:
			return bench.ErrNoUnit
		}
		l.State, l.Unit, l.Person, l.Why = bench.Matched, unit, false, ""
		return nil
	})
}

// Allow lets the units on matched lines play; none: all.
func (b *Bench) Allow(_ context.Context, by bench.Person, units ...string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.failing["Allow"]; err != nil {
		return err
	}
	for _, u := range units {
		if !b.units[u] {
			return fmt.Errorf("%w: %s", bench.ErrNoUnit, u)
		}
	}
	b.calls = append(b.calls, Call{by, "Allow", "", strings.Join(units, " ")})
	for _, l := range b.lines {
		if l.State == bench.Matched && (len(units) == 0 || slices.Contains(units, l.Unit)) {
			l.State, l.Person, l.Why = bench.Playing, false, ""
			b.changed(l)
		}
	}
	return nil
}

// Release releases a hold; the line plays on, or has finished when it was
// given up.
func (b *Bench) Release(_ context.Context, by bench.Person, hold string, r bench.Release) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.failing["Release"]; err != nil {
		return err
	}
	if b.released[hold] {
		return bench.ErrReleased
	}
	for _, l := range b.lines {
		if l.Hold == nil || l.Hold.ID != hold {
			continue
		}
		if !slices.Contains(l.Hold.Choices, r.Choice) {
			return fmt.Errorf("%w: %q is no way out of this hold", bench.ErrChoice, r.Choice)
		}
		text := r.Choice
		if !r.Secret {
			text = strings.TrimSpace(strings.Join([]string{r.Choice, r.Stage, r.Text}, " "))
		}
		b.calls = append(b.calls, Call{by, "Release", hold, text})
		b.released[hold] = true
		l.Hold, l.State, l.Person, l.Why = nil, bench.Playing, false, ""
		if r.Choice == "give-up" {
			l.end("held", "Given up at a hold.")
		}
		b.changed(l)
		return nil
	}
	return bench.ErrNoHold
}

func (l *line) end(code, sentence string) {
	l.State = bench.Finished
	l.Ending = &bench.Ending{Code: code, Sentence: sentence, At: l.Since}
}

// TakeOver gives a keyboard on a line that plays or holds.
func (b *Bench) TakeOver(_ context.Context, by bench.Person, id string) (bench.Keyboard, error) {
	err := b.act(Call{by, "TakeOver", id, ""}, id, func(l *line) error {
		switch l.State {
		case bench.Taken:
			return bench.ErrTaken
		case bench.Playing, bench.Holding:
		default:
			return bench.ErrState
		}
		l.before, l.State, l.TakenBy = l.State, bench.Taken, by.Name
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &keyboard{b: b, by: by, id: id}, nil
}

// keyboard is a line taken over; what is typed shows on its screen.
type keyboard struct {
	b  *Bench
	by bench.Person
	id string
}

func (k *keyboard) Type(keys []byte) error {
	return k.b.act(Call{k.by, "Type", k.id, string(keys)}, k.id, func(l *line) error {
		if l.TakenBy != k.by.Name {
			return bench.ErrState
		}
		s := l.shown
		s.Screen = slices.Clone(s.Screen)
		if len(s.Screen) == 0 {
			s.Screen = []string{""}
		}
		last := len(s.Screen) - 1
		s.Screen[last] += plain(keys)
		s.Row, s.Column = last, len(s.Screen[last])
		l.show(s)
		return nil
	})
}

func plain(keys []byte) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, string(keys))
}

func (k *keyboard) Secret(string) error {
	return k.b.act(Call{k.by, "Secret", k.id, ""}, k.id, func(l *line) error {
		if l.TakenBy != k.by.Name {
			return bench.ErrState
		}
		return nil
	})
}

func (k *keyboard) GiveBack() error {
	return k.b.act(Call{k.by, "GiveBack", k.id, ""}, k.id, func(l *line) error {
		if l.TakenBy != k.by.Name {
			return bench.ErrState
		}
		l.State, l.TakenBy = l.before, ""
		return nil
	})
}

// Stop ends the run on a line as stopped.
func (b *Bench) Stop(_ context.Context, by bench.Person, id string) error {
	return b.act(Call{by, "Stop", id, ""}, id, func(l *line) error {
		switch l.State {
		case bench.Playing, bench.Holding, bench.Taken:
			l.Hold, l.TakenBy = nil, ""
			l.end("stopped", "Stopped by a person.")
			return nil
		}
		return bench.ErrState
	})
}

// Again has a unit that has finished wait for its turn once more.
func (b *Bench) Again(_ context.Context, by bench.Person, unit string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.failing["Again"]; err != nil {
		return err
	}
	if !b.units[unit] {
		return bench.ErrNoUnit
	}
	b.calls = append(b.calls, Call{by, "Again", unit, ""})
	for _, l := range b.lines {
		if l.Unit == unit && l.State == bench.Finished {
			l.State, l.Ending = bench.Matched, nil
			b.changed(l)
		}
	}
	return nil
}
