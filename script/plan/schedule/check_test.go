package schedule

import (
	"fmt"
	"slices"
	"time"

	"pgregory.net/rapid"
)

// fault looks at a schedule with nothing but the rules of the package
// comment, and gives the first that it breaks.
func fault(b Batch, s Schedule) error {
	if len(s.Assignments) != len(b.Units) {
		return fmt.Errorf("%d assignments for %d units", len(s.Assignments), len(b.Units))
	}
	ready := map[string]time.Duration{}
	lines, people := map[int][]Span{}, map[int][]Span{}
	var last time.Duration
	steps := 0
	for i, a := range s.Assignments {
		u := b.Units[i]
		if err := phases(b, u, a); err != nil {
			return fmt.Errorf("%s: %w", u.Name, err)
		}
		ready[u.Name] = a.Wait.End
		last = max(last, a.Wait.End)
		if needs := u.Dialogue > 0 || u.BootWatched && u.Boot > 0; needs {
			lines[a.Line] = append(lines[a.Line], Span{a.Connect.Start, a.Dialogue.End})
		} else if a.Line != 0 {
			return fmt.Errorf("%s needs no line and has %d", u.Name, a.Line)
		}
		if u.Hands > 0 {
			people[a.HandsBy] = append(people[a.HandsBy], a.Hands)
			steps++
		}
		if move(b, u) > 0 {
			people[a.ConnectBy] = append(people[a.ConnectBy], a.Connect)
			steps++
		}
	}
	if last != s.Makespan {
		return fmt.Errorf("the last unit is ready at %s, the makespan is %s", last, s.Makespan)
	}
	for i, u := range b.Units {
		for _, before := range u.After {
			if s.Assignments[i].Connect.Start < ready[before] {
				return fmt.Errorf("%s is connected before %s is ready", u.Name, before)
			}
		}
	}
	if err := apart(lines, b.Lines); err != nil {
		return fmt.Errorf("line %w", err)
	}
	if err := apart(people, b.Technicians); err != nil {
		return fmt.Errorf("technician %w", err)
	}
	return sameSteps(s, people, steps)
}

func phases(b Batch, u Unit, a Assignment) error {
	bootAfter := a.Hands
	if u.BootWatched {
		bootAfter = a.Connect
	}
	talkAfter := []Span{a.Connect, a.Boot}
	switch {
	case a.Unit != u.Name:
		return fmt.Errorf("the assignment is of %s", a.Unit)
	case a.Hands.Start < 0 || a.Hands.End-a.Hands.Start != u.Hands:
		return fmt.Errorf("hands %v", a.Hands)
	case a.Connect.Start < a.Hands.End || a.Connect.End-a.Connect.Start != move(b, u):
		return fmt.Errorf("connect %v after hands %v", a.Connect, a.Hands)
	case a.Boot.Start != bootAfter.End || a.Boot.End-a.Boot.Start != u.Boot:
		return fmt.Errorf("boot %v after %v", a.Boot, bootAfter)
	case !u.BootWatched && a.Connect.Start < a.Boot.End:
		return fmt.Errorf("connected during the boot that is not watched")
	case a.Dialogue.Start != max(talkAfter[0].End, talkAfter[1].End) || a.Dialogue.End-a.Dialogue.Start != u.Dialogue:
		return fmt.Errorf("dialogue %v", a.Dialogue)
	case a.Wait.Start != a.Dialogue.End || a.Wait.End-a.Wait.Start != u.Wait:
		return fmt.Errorf("wait %v", a.Wait)
	}
	return nil
}

// move is how long a cable is moved: not at all where no line is needed.
func move(b Batch, u Unit) time.Duration {
	if u.Dialogue > 0 || u.BootWatched && u.Boot > 0 {
		return b.MoveCable
	}
	return 0
}

// apart checks that nobody and nothing is taken twice at once. Stretches of
// no length take nothing.
func apart(taken map[int][]Span, n int) error {
	for number, spans := range taken {
		if number < 1 || number > n {
			return fmt.Errorf("%d of %d", number, n)
		}
		spans = slices.DeleteFunc(slices.Clone(spans), func(s Span) bool { return s.Start == s.End })
		slices.SortFunc(spans, func(a, b Span) int { return int(a.Start - b.Start) })
		for k := 1; k < len(spans); k++ {
			if spans[k].Start < spans[k-1].End {
				return fmt.Errorf("%d is taken twice: %v and %v", number, spans[k-1], spans[k])
			}
		}
	}
	return nil
}

func sameSteps(s Schedule, people map[int][]Span, n int) error {
	if len(s.Steps) != n {
		return fmt.Errorf("%d steps, want %d", len(s.Steps), n)
	}
	for k, step := range s.Steps {
		if k > 0 && step.Start < s.Steps[k-1].Start {
			return fmt.Errorf("step %d is out of order", k)
		}
		if !slices.Contains(people[step.Technician], step.Span) {
			return fmt.Errorf("step %+v is in no assignment", step)
		}
	}
	return nil
}

// shortest tries every order of all pieces of work, each put at the first
// gap where it fits beside those before it in the order; work by hand that
// takes no time is no piece. It shares no code with Plan.
func shortest(b Batch) time.Duration {
	g := &gaps{b: b, number: map[string]int{}, hands: make([]time.Duration, len(b.Units)), ready: make([]time.Duration, len(b.Units)), best: 1 << 62}
	for i, u := range b.Units {
		g.number[u.Name] = i
		g.hands[i], g.ready[i] = -1, -1
		if u.Hands == 0 {
			g.hands[i] = 0
		}
	}
	g.try(0)
	return g.best
}

type gaps struct {
	b            Batch
	number       map[string]int
	hands, ready []time.Duration // ends; -1 where not yet placed
	people, taps []Span          // taken, by anyone
	best         time.Duration
}

func (g *gaps) try(sofar time.Duration) {
	done := true
	for i, u := range g.b.Units {
		switch {
		case g.hands[i] < 0:
			done = false
			at := time.Duration(0)
			for !free(g.people, Span{at, at + u.Hands}, g.b.Technicians) {
				at++
			}
			g.with(Span{at, at + u.Hands}, Span{}, func() {
				g.hands[i] = at + u.Hands
				g.try(sofar)
				g.hands[i] = -1
			})
		case g.ready[i] < 0:
			done = false
			g.trySession(i, u, sofar)
		}
	}
	if done {
		g.best = min(g.best, sofar)
	}
}

func (g *gaps) trySession(i int, u Unit, sofar time.Duration) {
	cable := move(g.b, u)
	at, takes := g.hands[i], cable+u.Dialogue
	if u.BootWatched {
		takes += u.Boot
	} else {
		at += u.Boot
	}
	for _, name := range u.After {
		before := g.ready[g.number[name]]
		if before < 0 {
			return
		}
		at = max(at, before)
	}
	for !free(g.taps, Span{at, at + takes}, g.b.Lines) || !free(g.people, Span{at, at + cable}, g.b.Technicians) {
		at++
	}
	g.with(Span{at, at + cable}, Span{at, at + takes}, func() {
		g.ready[i] = at + takes + u.Wait
		g.try(max(sofar, g.ready[i]))
		g.ready[i] = -1
	})
}

func (g *gaps) with(person, tap Span, then func()) {
	people, taps := g.people, g.taps
	g.people = append(slices.Clone(people), person)
	g.taps = append(slices.Clone(taps), tap)
	then()
	g.people, g.taps = people, taps
}

// free counts at each unit of time how many are taken.
func free(taken []Span, want Span, of int) bool {
	for at := want.Start; at < want.End; at++ {
		n := 0
		for _, s := range taken {
			if s.Start <= at && at < s.End {
				n++
			}
		}
		if n >= of {
			return false
		}
	}
	return true
}

// anyBatch draws a batch with times up to longest.
func anyBatch(t *rapid.T, fewest, most int, longest int64) Batch {
	n := rapid.IntRange(fewest, most).Draw(t, "units")
	time0 := rapid.Map(rapid.Int64Range(0, longest), func(v int64) time.Duration { return time.Duration(v) })
	b := Batch{
		Lines: rapid.IntRange(1, 4).Draw(t, "lines"), Technicians: rapid.IntRange(1, 3).Draw(t, "technicians"),
		MoveCable: rapid.SampledFrom([]time.Duration{0, 1, 1 + time.Duration(longest/8)}).Draw(t, "move"),
	}
	for i := range n {
		u := Unit{Name: fmt.Sprintf("unit-%d", i), Hands: time0.Draw(t, "hands"), Boot: time0.Draw(t, "boot"),
			BootWatched: rapid.Bool().Draw(t, "watched"), Dialogue: time0.Draw(t, "dialogue"), Wait: time0.Draw(t, "wait")}
		if i > 0 && rapid.IntRange(0, 3).Draw(t, "joins") == 0 {
			u.After = []string{fmt.Sprintf("unit-%d", rapid.IntRange(0, i-1).Draw(t, "after"))}
		}
		b.Units = append(b.Units, u)
	}
	return b
}
