package schedule

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func mustPlan(t interface{ Fatalf(string, ...any) }, b Batch) Schedule {
	s, err := Plan(b)
	if err != nil {
		t.Fatalf("%v", err)
	}
	if err := fault(b, s); err != nil {
		t.Fatalf("%v\n%+v", err, s)
	}
	if s.Makespan < s.Bounds.Lowest() {
		t.Fatalf("makespan %s is below the bound %+v", s.Makespan, s.Bounds)
	}
	return s
}

func checkShortest(t interface{ Fatalf(string, ...any) }, b Batch) {
	s := mustPlan(t, b)
	want := shortest(b)
	if s.Makespan != want || !s.Shortest || s.Guarantee != 1 {
		t.Fatalf("makespan %d, by trying every order %d\n%+v\n%+v", s.Makespan, want, b, s)
	}
}

// TestShortest compares small batches with every order there is.
func TestShortest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { checkShortest(t, anyBatch(t, 1, 4, 9)) })
}

// TestShortestOfMany does the same for some thousands of batches: a wrong
// bound in the search shows in one of some hundreds only.
func TestShortestOfMany(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 5))
	for n, batches := range map[int]int{3: 1500, 4: 200, 5: 2} {
		for range batches {
			checkShortest(t, drawnBatch(r, n, 9))
		}
	}
	for range 2 { // beyond what is always searched to the end, on lines alone: 40,320 orders
		b := drawnBatch(r, 8, 9)
		b.MoveCable = 0
		for i := range b.Units {
			b.Units[i].Hands, b.Units[i].After = 0, nil
		}
		checkShortest(t, b)
	}
}

func drawnBatch(r *rand.Rand, n, longest int) Batch {
	some := func() time.Duration { return max(0, time.Duration(r.IntN(longest+longest/3)-longest/3)) } // a quarter are 0
	b := Batch{Lines: 1 + r.IntN(3), Technicians: 1 + r.IntN(2), MoveCable: time.Duration(r.IntN(3))}
	for i := range n {
		u := Unit{Name: fmt.Sprint("unit-", i), Hands: some(), Boot: some(), BootWatched: r.IntN(2) == 0, Dialogue: some(), Wait: some()}
		if i > 0 && r.IntN(4) == 0 {
			u.After = []string{fmt.Sprint("unit-", r.IntN(i))}
		}
		if i > 1 && r.IntN(3) == 0 { // a twin of the one before: the search tries one order of twins only
			u = b.Units[i-1]
			u.Name = fmt.Sprint("unit-", i)
		}
		b.Units = append(b.Units, u)
	}
	return b
}

// TestShortestKept: batches whose shortest schedule a bound of the search
// once cut off: one for lines taken longer than others are needed, one for a
// unit that needs no line.
func TestShortestKept(t *testing.T) {
	checkShortest(t, Batch{Lines: 2, Technicians: 1, Units: []Unit{
		{Name: "a"}, {Name: "b", Dialogue: 8, Wait: 3}, {Name: "c", Dialogue: 2, After: []string{"a"}}, {Name: "d", Boot: 1, Dialogue: 1, Wait: 9},
	}})
	checkShortest(t, Batch{Lines: 1, Technicians: 1, MoveCable: 1, Units: []Unit{
		{Name: "a", Dialogue: 1, Wait: 1}, {Name: "b", Hands: 3, Wait: 1}, {Name: "c", Dialogue: 4, After: []string{"a"}},
	}})
}

// TestBoundsHold: no bound is above the shortest schedule, and every list
// schedule keeps its ratio to it.
func TestBoundsHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := anyBatch(t, 1, ExactUnits, 30)
		s := mustPlan(t, b)
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		ratio, proof := w.guarantee()
		best := w.bestList(s.Bounds.Lowest())
		if float64(best.makespan) > ratio*float64(s.Makespan)*(1+1e-12) {
			t.Fatalf("list %d, shortest %d, guaranteed %g by %s", best.makespan, s.Makespan, ratio, proof)
		}
		for k, r := range rules {
			p := w.list(r)
			if err := fault(b, w.schedule(p)); err != nil {
				t.Fatalf("rule %d: %v", k, err)
			}
			if !s.Shortest {
				t.Fatalf("%d units are not searched to the end", len(b.Units))
			}
			if p.makespan > s.Bounds.Lines+s.Bounds.Technicians+s.Bounds.Unit || p.makespan < s.Makespan {
				t.Fatalf("rule %d: %d, shortest %d, bounds %+v", k, p.makespan, s.Makespan, s.Bounds)
			}
		}
	})
}

// TestLargeBatches: whatever the batch, the schedule keeps the rules, and is
// between its lower bound and what is guaranteed.
func TestLargeBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := anyBatch(t, SearchUnits+1, 150, 1000)
		b.Lines = rapid.IntRange(1, 40).Draw(t, "many lines")
		s := mustPlan(t, b)
		if got := float64(s.Makespan) / float64(max(1, s.Bounds.Lowest())); got > s.Guarantee {
			t.Fatalf("%g times the bound, guaranteed %g by %s", got, s.Guarantee, s.Proof)
		}
		again := mustPlan(t, b)
		if !reflect.DeepEqual(s, again) {
			t.Fatal("the same batch has two schedules")
		}
	})
}

// TestSearchedBatches: the search may stop before the end; it is then no
// worse than the lists, and says that it proves nothing.
func TestSearchedBatches(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 10))
	for range 40 {
		b := drawnBatch(r, SearchUnits, 99)
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		bound := w.bounds().Lowest()
		list := w.bestList(bound)
		found, proved := w.search(list, bound, 2000)
		if err := fault(b, w.schedule(found)); err != nil || found.makespan > list.makespan || found.makespan < bound {
			t.Fatalf("search %d, list %d, bound %d, %v", found.makespan, list.makespan, bound, err)
		}
		longer, provedToo := w.search(list, bound, 20_000)
		if longer.makespan > found.makespan || proved && (longer.makespan != found.makespan || !provedToo) {
			t.Fatalf("in 2,000 steps %d (proved: %v), in 20,000 %d (%v)", found.makespan, proved, longer.makespan, provedToo)
		}
	}
}

// TestLinesOnly: with nothing but the lines to share, the ratio is Graham's.
func TestLinesOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := anyBatch(t, 1, ExactUnits, 20)
		b.MoveCable = 0
		for i := range b.Units {
			u := &b.Units[i]
			u.Hands, u.Boot, u.Wait, u.After = 0, 0, 0, nil
		}
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		ratio, proof := w.guarantee()
		if want := 4./3 - 1/(3*float64(w.Lines)); ratio != want || !strings.Contains(proof, "1969") {
			t.Fatalf("guaranteed %g by %s, want %g", ratio, proof, want)
		}
		if p := w.list(rules[0]); float64(p.makespan) > ratio*float64(mustPlan(t, b).Makespan)*(1+1e-12) {
			t.Fatalf("longest first %d, shortest %d", p.makespan, mustPlan(t, b).Makespan)
		}
	})
}

// lineWork is a batch of dialogues alone.
func lineWork(lines int, takes ...int) Batch {
	b := Batch{Lines: lines, Technicians: 1}
	for i, d := range takes {
		b.Units = append(b.Units, Unit{Name: fmt.Sprint("unit-", i), Dialogue: time.Duration(d) * time.Minute})
	}
	return b
}

// TestGraham1969: the worst case of longest-first on m lines (Graham 1969,
// from memory): two each of 2m-1 down to m+1, three of m. Longest-first takes
// 4m-1, the shortest 3m.
func TestGraham1969(t *testing.T) {
	for m := 2; m <= 12; m++ {
		var takes []int
		for d := 2*m - 1; d > m; d-- {
			takes = append(takes, d, d)
		}
		takes = append(takes, m, m, m)
		b := lineWork(m, takes...)
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.list(rules[0]).makespan; got != time.Duration(4*m-1)*time.Minute {
			t.Errorf("%d lines: longest first takes %s, want %d min", m, got, 4*m-1)
		}
		s := mustPlan(t, b)
		if len(takes) <= SearchUnits && s.Makespan != time.Duration(3*m)*time.Minute {
			t.Errorf("%d lines: %s, want %d min", m, s.Makespan, 3*m)
		}
		if s.Bounds.Lowest() > time.Duration(3*m)*time.Minute || s.Guarantee < float64(4*m-1)/float64(3*m)-1e-12 && !s.Shortest {
			t.Errorf("%d lines: bounds %+v, guaranteed %g", m, s.Bounds, s.Guarantee)
		}
	}
}

// TestGraham1966: the worst case of any list on m lines (Graham 1966, from
// memory): m(m-1) of 1, then one of m. In that order 2m-1, the shortest m.
func TestGraham1966(t *testing.T) {
	inOrder := func(_ *work, i int) time.Duration { return time.Duration(-i) }
	for m := 2; m <= 8; m++ {
		takes := append(slices.Repeat([]int{1}, m*(m-1)), m)
		b := lineWork(m, takes...)
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.list(rule{inOrder, inOrder, handsFirst}).makespan; got != time.Duration(2*m-1)*time.Minute {
			t.Errorf("%d lines: in that order %s, want %d min", m, got, 2*m-1)
		}
		if s := mustPlan(t, b); s.Makespan != time.Duration(m)*time.Minute || !s.Shortest {
			t.Errorf("%d lines: %s, want %d min", m, s.Makespan, m)
		}
	}
}

// TestGrahamAnomaly: nine dialogues with an order to keep on three lines
// (Graham 1969, from memory): 3 2 2 2 4 4 4 4 9; the ninth after the first,
// the fifth to eighth after the fourth. In that order 12; with one line more
// the same list takes 15. The shortest is 12 as well: first, then ninth.
func TestGrahamAnomaly(t *testing.T) {
	inOrder := func(_ *work, i int) time.Duration { return time.Duration(-i) }
	for lines, want := range map[int]time.Duration{3: 12 * time.Minute, 4: 15 * time.Minute} {
		b := lineWork(lines, 3, 2, 2, 2, 4, 4, 4, 4, 9)
		b.Units[8].After = []string{"unit-0"}
		for i := 4; i < 8; i++ {
			b.Units[i].After = []string{"unit-3"}
		}
		w, err := newWork(b)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.list(rule{inOrder, inOrder, handsFirst}).makespan; got != want {
			t.Errorf("%d lines: in that order %s, want %s", lines, got, want)
		}
		if s := mustPlan(t, b); s.Makespan != 12*time.Minute || !s.Shortest || s.Bounds.Unit != 12*time.Minute {
			t.Errorf("%d lines: %s, bounds %+v", lines, s.Makespan, s.Bounds)
		}
	}
}

// TestJohnson: one technician and one line are two machines in a row. The
// five jobs of Johnson 1954 (from memory): 4 5, 4 1, 30 4, 6 30, 2 3; the
// shortest takes 47.
func TestJohnson(t *testing.T) {
	b := Batch{Lines: 1, Technicians: 1}
	for i, j := range [][2]int{{4, 5}, {4, 1}, {30, 4}, {6, 30}, {2, 3}} {
		b.Units = append(b.Units, Unit{Name: fmt.Sprint("unit-", i), Hands: time.Duration(j[0]), Dialogue: time.Duration(j[1])})
	}
	if s := mustPlan(t, b); s.Makespan != 47 || !s.Shortest {
		t.Errorf("makespan %d, want 47; bounds %+v", s.Makespan, s.Bounds)
	}
	w, err := newWork(b)
	if err != nil {
		t.Fatal(err)
	}
	if got := w.list(rules[3]).makespan; got != 47 {
		t.Errorf("by the rule for two machines %d, want 47", got)
	}
}

// TestCluster: three shelves, two lines: the one that starts the cluster
// first, the others when it is ready.
func TestCluster(t *testing.T) {
	shelf := Unit{Hands: 20 * time.Minute, Boot: 4 * time.Minute, BootWatched: true, Dialogue: 2 * time.Minute, Wait: 5 * time.Minute}
	b := Batch{Lines: 2, Technicians: 1, MoveCable: time.Minute}
	for _, name := range []string{"shelf-2", "shelf-3", "shelf-1"} {
		u := shelf
		u.Name = name
		if name != "shelf-1" {
			u.After = []string{"shelf-1"}
		}
		b.Units = append(b.Units, u)
	}
	s := mustPlan(t, b)
	// 20 by hand, 1 + 4 + 2 on the line, 5: shelf-1 is ready at 32. The
	// technician has 20 more for each of the others and moves three cables:
	// the last begins at 62 and is ready at 74.
	if s.Makespan != 74*time.Minute || !s.Shortest {
		t.Errorf("makespan %s, bounds %+v", s.Makespan, s.Bounds)
	}
	if first := s.Steps[0]; first.Unit != "shelf-1" || first.Line != 0 || first.Technician != 1 {
		t.Errorf("first step %+v", first)
	}
}

// TestNoLineNeeded: a unit with nothing to say on a console takes no line and
// no cable, and does not wait for one.
func TestNoLineNeeded(t *testing.T) {
	b := Batch{Lines: 1, Technicians: 1, MoveCable: 2, Units: []Unit{
		{Name: "strip", Hands: 5, Boot: 3, Wait: 1}, {Name: "shelf", Dialogue: 50, After: []string{"strip"}},
	}}
	s := mustPlan(t, b)
	if strip := s.Assignments[0]; s.Makespan != 61 || strip.Line != 0 || strip.ConnectBy != 0 || len(s.Steps) != 2 {
		t.Errorf("makespan %d, %+v, steps %+v", s.Makespan, strip, s.Steps)
	}
}

// TestInputUntouched: a batch may be planned again, with other lines.
func TestInputUntouched(t *testing.T) {
	b := siteBatch(20)
	before := fmt.Sprintf("%+v", b)
	mustPlan(t, b)
	if after := fmt.Sprintf("%+v", b); after != before {
		t.Errorf("the batch was changed:\n%s\n%s", before, after)
	}
}

func TestRefused(t *testing.T) {
	unit := func(name string, after ...string) Unit { return Unit{Name: name, Dialogue: 1, After: after} }
	tests := []struct {
		batch Batch
		want  string
	}{
		{Batch{Lines: 1, Technicians: 1}, "no unit"},
		{Batch{Units: []Unit{unit("a")}, Technicians: 1}, "0 lines"},
		{Batch{Units: []Unit{unit("a")}, Lines: 1, Technicians: -1}, "-1 technicians"},
		{Batch{Units: []Unit{unit("a")}, Lines: 1, Technicians: 1, MoveCable: -1}, "moving a cable takes -1ns"},
		{Batch{Units: []Unit{unit("")}, Lines: 1, Technicians: 1}, "unit 1 of the batch has no name"},
		{Batch{Units: []Unit{unit("a"), unit("a")}, Lines: 1, Technicians: 1}, `unit "a" is in the batch twice`},
		{Batch{Units: []Unit{unit("a", "b")}, Lines: 1, Technicians: 1}, `unit "a" comes after "b", which is not in the batch`},
		{Batch{Units: []Unit{unit("d", "a"), unit("a", "c"), unit("b", "a"), unit("c", "b"), unit("e")}, Lines: 1, Technicians: 1},
			"units wait for one another without end: a, c, b, a, each after the next"},
		{Batch{Units: []Unit{unit("a", "a")}, Lines: 1, Technicians: 1}, "without end: a, a"},
		{Batch{Units: []Unit{{Name: "a", Boot: -1}}, Lines: 1, Technicians: 1}, `unit "a": a time of -1ns cannot be negative`},
		{Batch{Units: []Unit{{Name: "a", Boot: 1 << 62}}, Lines: 1, Technicians: 1}, "more than a hundred years"},
	}
	for _, tt := range tests {
		if _, err := Plan(tt.batch); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v; want %q", tt.batch, err, tt.want)
		}
	}
}

// TestWireTime: 8N1 sends ten bits a character: at 9600 bit/s 960 characters
// a second, 1.041667 ms each (framing arithmetic).
func TestWireTime(t *testing.T) {
	tests := []struct {
		characters  int64
		speed, bits int
		want        time.Duration
	}{
		{960, 9600, 10, time.Second}, {1, 9600, 10, 1041667}, {0, 9600, 10, 0}, {78, 9600, 10, 81250 * time.Microsecond},
		{11520, 115200, 10, time.Second}, {9600, 9600, 11, 11 * time.Second},
	}
	for _, tt := range tests {
		if got, err := WireTime(tt.characters, tt.speed, tt.bits); err != nil || got != tt.want {
			t.Errorf("%d at %d, %d bits: %d, %v; want %d", tt.characters, tt.speed, tt.bits, got, err, tt.want)
		}
	}
	for _, bad := range []struct {
		characters  int64
		speed, bits int
	}{{-1, 9600, 10}, {1, 0, 10}, {1, 9600, 0}, {1 << 62, 1, 10}, {1 << 62, 300, 1 << 30}} {
		if got, err := WireTime(bad.characters, bad.speed, bad.bits); err == nil {
			t.Errorf("%+v: %s", bad, got)
		}
	}
}

// TestTwins: equal units are interchangeable only where nothing tells them
// apart, the units that come after them included.
func TestTwins(t *testing.T) {
	b := lineWork(1, 5, 5, 5, 5, 6)
	b.Units[4].After = []string{"unit-3"}
	b.Units[2].After = []string{"unit-0"}
	w, err := newWork(b)
	if err != nil {
		t.Fatal(err)
	}
	s := searcher{work: w}
	for i := range b.Units {
		for k := range i { // nothing but unit-1 is free of order, and it has no twin
			if s.twins(i, k) {
				t.Errorf("%s and %s are taken for twins", b.Units[i].Name, b.Units[k].Name)
			}
		}
	}
	if w, err = newWork(lineWork(1, 5, 5)); err != nil || !(&searcher{work: w}).twins(0, 1) {
		t.Errorf("two equal units are no twins (%v)", err)
	}
}
