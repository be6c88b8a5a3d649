package power

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func twoFeeds(code Code) []Feed {
	return []Feed{{Name: "A", Volts: 230, Phases: 1, Breaker: 16, Plug: "IEC 60309 16 A", Code: code}, {Name: "B", Volts: 230, Phases: 1, Breaker: 16, Plug: "IEC 60309 16 A", Code: code}}
}

func shelf(name string, watts float64, feeds ...string) Unit {
	u := Unit{Name: name, Watts: watts, Factor: 1}
	for _, f := range feeds {
		u.Cords = append(u.Cords, Cord{Feed: f, Inlet: "C14"})
	}
	return u
}

func told(r Report) string {
	var lines []string
	for _, f := range r.Findings {
		lines = append(lines, f.Severity+": "+f.Of+": "+f.What)
	}
	return strings.Join(lines, "\n")
}

func TestFindings(t *testing.T) {
	change := func(u Unit, f func(*Unit)) Unit { f(&u); return u }
	ok := shelf("deep-1", 920, "A", "B")
	for _, tt := range []struct {
		name  string
		feeds []Feed
		units []Unit
		want  string
	}{
		{"clean", twoFeeds(NEC), []Unit{ok}, ""},
		{"exactly 80 % with one feed failed", twoFeeds(NEC), []Unit{shelf("u1", 1472, "A", "B"), shelf("u2", 1472, "A", "B")}, ""},
		{"just over", twoFeeds(NEC), []Unit{shelf("u1", 1472, "A", "B"), shelf("u2", 1475, "A", "B")},
			"error: A: feed A carries 12.8 A with feed B failed, which asks for a breaker of 16.0 A and it has 16 A\n" +
				"error: B: feed B carries 12.8 A with feed A failed, which asks for a breaker of 16.0 A and it has 16 A"},
		{"the same under IEC", twoFeeds(IEC), []Unit{shelf("u1", 1472, "A", "B"), shelf("u2", 1600, "A", "B")},
			"warning: A: feed A carries 13.4 A with feed B failed, 83 % of its breaker of 16 A\n" +
				"warning: B: feed B carries 13.4 A with feed A failed, 83 % of its breaker of 16 A"},
		{"not continuous", twoFeeds(NEC), []Unit{change(shelf("u1", 3400, "A", "B"), func(u *Unit) {
			u.Short = true
			u.Cords[0].Inlet, u.Cords[1].Inlet = "C20", "C20"
		})}, ""},
		{"trips", twoFeeds(IEC), []Unit{shelf("u1", 2000, "A", "B"), shelf("u2", 2000, "A", "B")},
			"error: A: feed A carries 17.4 A with feed B failed and its breaker is 16 A\n" +
				"error: A: feed A carries 17.4 A with feed B failed through its IEC 60309 16 A, rated 16 A\n" +
				"error: B: feed B carries 17.4 A with feed A failed and its breaker is 16 A\n" +
				"error: B: feed B carries 17.4 A with feed A failed through its IEC 60309 16 A, rated 16 A"},
		{"single cord", twoFeeds(NEC), []Unit{shelf("quay-sw1", 100, "A")}, "warning: quay-sw1: quay-sw1 has a single cord, to feed A, where there is more than one feed"},
		{"both cords on one feed", twoFeeds(NEC), []Unit{shelf("u", 100, "B", "B")}, "warning: u: u goes dark when feed B fails: 0 supplies would be live and it needs 1"},
		{"two of three needed", twoFeeds(NEC), []Unit{change(shelf("u", 100, "A", "A", "B"), func(u *Unit) { u.Needs = 2 })},
			"warning: u: u goes dark when feed A fails: 1 supply would be live and it needs 2"},
		{"needs more than it has", twoFeeds(NEC), []Unit{change(shelf("u", 100, "A", "B"), func(u *Unit) { u.Needs = 3 })}, "error: u: u needs 3 live supplies and has 2 cords"},
		{"coupler", []Feed{{Name: "A", Volts: 230, Phases: 1, Breaker: 32, Code: IEC}}, []Unit{shelf("u", 2350, "A")},
			"error: u: u draws up to 10.2 A through its C13/C14 on feed A, rated 10 A"},
		{"unknown coupler", twoFeeds(NEC), []Unit{change(ok, func(u *Unit) { u.Cords = []Cord{{Feed: "A", Inlet: "C99"}, {Feed: "B"}} })},
			`warning: deep-1: the inlet "C99" of deep-1 is not known here: its rating was not checked`},
		{"plug of too little voltage", []Feed{{Name: "A", Volts: 208, Phases: 1, Breaker: 15, Plug: "NEMA 5-15"}}, []Unit{shelf("u", 100, "A")},
			"error: A: feed A has 208 V and its NEMA 5-15 is rated 125 V"},
		{"breaker over plug", []Feed{{Name: "A", Volts: 120, Phases: 1, Breaker: 30, Plug: "NEMA 5-15"}}, []Unit{shelf("u", 100, "A")},
			"warning: A: the breaker of feed A, 30 A, lets more through than its NEMA 5-15, rated 15 A"},
		{"unknown plug", []Feed{{Name: "A", Volts: 120, Phases: 1, Breaker: 15, Plug: "round one"}}, []Unit{shelf("u", 100, "A")},
			`warning: A: the plug "round one" of feed A is not known here: its rating was not checked`},
		{"no such feed", twoFeeds(NEC), []Unit{shelf("u", 100, "A", "C")},
			"error: u: cord 2 of u goes to feed \"C\", which is not in the plan"},
		{"no cord, no watts, bad factor, bad needs", twoFeeds(NEC), []Unit{{Name: "u", Watts: 1}, shelf("v", 0, "A"), change(ok, func(u *Unit) { u.Factor = 1.1 }), change(ok, func(u *Unit) { u.Needs = -1 })},
			"error: u: u has no cord\nerror: v: v draws 0 W\nerror: deep-1: deep-1 has a power factor of 1.1\nerror: deep-1: deep-1 needs -1 live supplies"},
		{"bad feeds", []Feed{{Name: "A", Volts: 230, Phases: 2, Breaker: 16}, {Name: "B", Phases: 1, Breaker: 16}, {Name: "C", Volts: 1, Phases: 1, Breaker: 1, Code: "X"}, {Name: "C", Volts: 230, Phases: 1, Breaker: 16}}, nil,
			"error: A: feed A has 2 phases\nerror: B: feed B has 0 V and a breaker of 16 A\nerror: C: feed C follows the code \"X\"\nerror: C: two feeds are named \"C\""},
		{"pair on one phase", twoFeeds(NEC)[:1], []Unit{{Name: "u", Watts: 1, Factor: 1, Cords: []Cord{{Feed: "A", Pair: L1N}}}}, "error: u: cord 1 of u is between L1-N, and feed A has one phase"},
		{"no pair on three", []Feed{{Name: "A", Volts: 208, Phases: 3, Breaker: 30}}, []Unit{shelf("u", 1, "A")}, "error: u: cord 1 of u does not say between which lines of feed A it is"},
		{"power factor", twoFeeds(NEC), []Unit{change(ok, func(u *Unit) { u.Factor = 0 })}, "note: deep-1: the power factor of deep-1 is not stated: reckoned with 0.9"},
		{"unbalanced", []Feed{{Name: "A", Volts: 208, Phases: 3, Breaker: 30}}, []Unit{{Name: "u", Watts: 1000, Factor: 1, Cords: []Cord{{Feed: "A", Pair: L1L2}}}},
			"warning: A: the fullest line of feed A carries 50 % more than the mean of the three (4.8, 4.8 and 0.0 A)"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := Check(tt.feeds, tt.units)
			if got := told(r); got != tt.want {
				t.Errorf("\ngot  %s\nwant %s", got, tt.want)
			}
			for _, f := range r.Findings {
				if f.Mend == "" {
					t.Errorf("nothing mends %q", f.What)
				}
			}
			if _, err := json.Marshal(r); err != nil || !strings.Contains(r.Caution, "defer to local codes") || r.Heat.Caution == "" {
				t.Errorf("JSON %v, caution %q", err, r.Caution)
			}
		})
	}
}

// 100 %-rated equipment is an exception of NEC 210.20(A) (from memory).
func TestFullRated(t *testing.T) {
	feeds := []Feed{{Name: "A", Volts: 100, Phases: 1, Breaker: 20, FullRated: true}}
	if got := told(Check(feeds, []Unit{{Name: "u", Watts: 2000, Factor: 1, Cords: []Cord{{Feed: "A"}}}})); got != "" {
		t.Error(got)
	}
}

func TestStates(t *testing.T) {
	r := Check(twoFeeds(NEC), []Unit{shelf("u1", 460, "A", "B"), shelf("u2", 230, "A")})
	a, b := r.Feeds[0], r.Feeds[1]
	near := func(got, want float64) bool { return math.Abs(got-want) < 1e-9 }
	if !near(a.Normal.Amps, 2) || !near(b.Normal.Amps, 1) || !near(a.Worst.Amps, 3) || a.Worst.Failed != "B" || !near(b.Worst.Amps, 2) || b.Worst.Failed != "A" {
		t.Errorf("A %+v\nB %+v", a, b)
	}
	if !near(a.Allowed, 12.8) || !near(a.Part, 3./16) || !near(r.Heat.Watts, 690) || !near(a.Worst.Watts, 690) || !near(a.Worst.Required, 3.75) {
		t.Errorf("A %+v, heat %+v", a, r.Heat)
	}
}

// The line current of two equal outlet pairs is √3 of one, not their sum, and
// three equal line-to-neutral loads leave the neutral empty: both from the
// geometry of three phases.
func TestThreePhaseStates(t *testing.T) {
	feed := []Feed{{Name: "A", Volts: 208, Phases: 3, Breaker: 30}}
	cord := func(p Pair) Unit {
		return Unit{Name: string(p), Watts: 2080, Factor: 1, Cords: []Cord{{Feed: "A", Pair: p}}}
	}
	delta := Check(feed, []Unit{cord(L1L2), cord(L2L3), cord(L3L1)}).Feeds[0].Normal
	for _, line := range delta.Lines {
		if math.Abs(line-10*math.Sqrt(3)) > 1e-9 {
			t.Errorf("delta: %v", delta.Lines)
		}
	}
	star := Check(feed, []Unit{cord(L1N), cord(L2N), cord(L3N)}).Feeds[0].Normal
	if math.Abs(star.Lines[0]-10*math.Sqrt(3)) > 1e-9 || star.Neutral > 1e-9 || math.Abs(BalancedVA(208, star.Amps)-3*2080) > 1e-6 {
		t.Errorf("star: %+v", star)
	}
	one := Check(feed, []Unit{cord(L1N)}).Feeds[0].Normal
	if math.Abs(one.Neutral-one.Lines[0]) > 1e-9 || one.Lines[1] > 1e-9 {
		t.Errorf("one line: %+v", one)
	}
}

func TestPairsAndLinesThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amps := rapid.Float64Range(0, 60)
		a, b, c := amps.Draw(t, "L1-L2"), amps.Draw(t, "L2-L3"), amps.Draw(t, "L3-L1")
		l1, l2, l3 := LinesOfPairs(a, b, c)
		// The relation as printed: X² = XY² + ZX² + XY ZX, and so round.
		for _, x := range [][3]float64{{l1, a, c}, {l2, a, b}, {l3, b, c}} {
			if math.Abs(x[0]*x[0]-(x[1]*x[1]+x[2]*x[2]+x[1]*x[2])) > 1e-9*(1+x[0]*x[0]) {
				t.Fatalf("line %v of pairs %v and %v", x[0], x[1], x[2])
			}
		}
		ra, rb, rc, err := PairsOfLines(l1, l2, l3)
		if err != nil || math.Abs(ra-a)+math.Abs(rb-b)+math.Abs(rc-c) > 1e-5 {
			t.Fatalf("%v %v %v came back as %v %v %v, %v", a, b, c, ra, rb, rc, err)
		}
	})
}

// What is drawn is what the units draw, whichever feed has failed, as long as
// every unit has a live cord; and no line current is above the plain sum.
func TestNothingIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		feeds := []Feed{{Name: "A", Volts: 400, Phases: 3, Breaker: 32}, {Name: "B", Volts: 400, Phases: 3, Breaker: 32}}
		units := make([]Unit, rapid.IntRange(1, 8).Draw(t, "units"))
		sum := 0.0
		for i := range units {
			pair := func(name string) Pair { return rapid.SampledFrom(pairs).Draw(t, name) }
			units[i] = Unit{Name: fmt.Sprint(i), Watts: rapid.Float64Range(1, 3000).Draw(t, "watts"), Factor: 1,
				Cords: []Cord{{Feed: "A", Pair: pair("a")}, {Feed: "B", Pair: pair("b")}}}
			sum += units[i].Watts
		}
		r := Check(feeds, units)
		a, b := r.Feeds[0], r.Feeds[1]
		if math.Abs(a.Normal.Watts+b.Normal.Watts-sum) > 1e-6 || math.Abs(a.Failures[0].Watts-sum) > 1e-6 || math.Abs(r.Heat.Watts-sum) > 1e-6 {
			t.Fatalf("%v W: %v and %v, alone %v", sum, a.Normal.Watts, b.Normal.Watts, a.Failures[0].Watts)
		}
		if a.Failures[0].Amps > sum/(400/math.Sqrt(3))+1e-9 || a.Worst.Amps < a.Normal.Amps {
			t.Fatalf("%+v", a)
		}
	})
}

func BenchmarkCheck(b *testing.B) {
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprintf("units=%d", n), func(b *testing.B) {
			var feeds []Feed
			var units []Unit
			for i := range n {
				if i%10 == 0 {
					for _, side := range []string{"A", "B"} {
						feeds = append(feeds, Feed{Name: fmt.Sprint(side, i/10), Volts: 230, Phases: 1, Breaker: 32})
					}
				}
				units = append(units, shelf(fmt.Sprint("u", i), 300, fmt.Sprint("A", i/10), fmt.Sprint("B", i/10)))
			}
			for b.Loop() {
				Check(feeds, units)
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "units/s")
		})
	}
}
