package rack

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func demo() Rack { return Rack{Name: "2", Height: 42, Rating: 900, Depth: 900, Base: 90} }

// told gives the findings but for notes, a line each.
func told(r Report) string {
	var lines []string
	for _, f := range r.Findings {
		if f.Severity != "note" {
			line := f.Severity + ": " + f.Of + ": " + f.What
			if f.Mend == "" {
				line += " (nothing to mend it)"
			}
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

func TestFindings(t *testing.T) {
	deep := Item{Name: "deep-2", Lowest: 3, Height: 4, Weight: 58, Depth: 700}
	sw := Item{Name: "quay-sw2", Lowest: 42, Height: 1, Weight: 6, Depth: 400}
	with := func(it Item, change func(*Item)) Item { change(&it); return it }
	for _, tt := range []struct {
		name  string
		items []Item
		want  string
	}{
		{"clean", []Item{deep, sw}, ""},
		{"beside", []Item{deep, with(sw, func(i *Item) { i.Lowest = 7 })}, ""},
		{"overlap by one U", []Item{deep, with(sw, func(i *Item) { i.Lowest = 6 })}, "error: quay-sw2: quay-sw2 at U 6 overlaps deep-2 at U 3 to 6"},
		{"overlap once, not four times", []Item{deep, with(deep, func(i *Item) { i.Name = "deep-3" })}, "error: deep-3: deep-3 at U 3 to 6 overlaps deep-2 at U 3 to 6"},
		{"top U", []Item{with(deep, func(i *Item) { i.Lowest = 39 })}, ""},
		{"above the top", []Item{with(deep, func(i *Item) { i.Lowest = 40 })}, "error: deep-2: deep-2 at U 40 to 43 is outside rack 2"},
		{"below the bottom", []Item{with(deep, func(i *Item) { i.Lowest = 0 })}, "error: deep-2: deep-2 at U 0 to 3 is outside rack 2"},
		{"no height", []Item{with(deep, func(i *Item) { i.Height = 0 })}, "error: deep-2: deep-2 is 0 U high"},
		{"huge", []Item{with(deep, func(i *Item) { i.Height, i.Lowest = math.MaxInt, math.MaxInt })}, "error: deep-2: deep-2 is 9223372036854775807 U high"},
		{"too deep", []Item{with(deep, func(i *Item) { i.Depth = 901 })}, "error: deep-2: deep-2 is 901 mm deep and rack 2 has 900 mm"},
		{"side", []Item{with(deep, func(i *Item) { i.Side = "left" })}, `error: deep-2: deep-2 is mounted at "left"`},
		{"back to back fits", []Item{deep, with(sw, func(i *Item) { i.Lowest, i.Side, i.Depth = 3, Rear, 200 })}, ""},
		{"back to back does not fit", []Item{deep, with(sw, func(i *Item) { i.Lowest, i.Side, i.Depth = 3, Rear, 201 })},
			"error: quay-sw2: quay-sw2 and deep-2 share U from both sides and are 901 mm deep together; rack 2 has 900 mm"},
		{"back to back unknown", []Item{deep, with(sw, func(i *Item) { i.Lowest, i.Side, i.Depth = 3, Rear, 0 })},
			"warning: quay-sw2: quay-sw2 and deep-2 share U from both sides, and not all depths are stated"},
		{"heavy above light", []Item{with(deep, func(i *Item) { i.Lowest = 30 }), with(sw, func(i *Item) { i.Lowest = 1 })},
			"warning: deep-2: deep-2 (58.0 kg) at U 30 to 33 stands above quay-sw2 (6.0 kg) at U 1"},
		{"too heavy", []Item{with(deep, func(i *Item) { i.Weight = 900.5 })}, "error: 2: rack 2 is to carry 900.5 kg and is rated for 900 kg"},
		{"not a number", []Item{with(deep, func(i *Item) { i.Weight = math.NaN() })}, "error: deep-2: deep-2 has a weight of NaN kg and a depth of 700 mm"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := told(Check(demo(), tt.items))
			if got != tt.want {
				t.Errorf("\ngot  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestBadRacks(t *testing.T) {
	for _, r := range []Rack{{Name: "a"}, {Name: "a", Height: Tallest + 1}, {Name: "a", Height: 42, Base: -1}, {Name: "a", Height: 42, Rating: math.Inf(1)}} {
		got := Check(r, []Item{{Name: "x", Lowest: 1, Height: 1}})
		if len(got.Findings) != 1 || got.Findings[0].Severity != "error" || got.Slots != nil {
			t.Errorf("%+v: %+v", r, got.Findings)
		}
	}
}

func TestReport(t *testing.T) {
	r := Check(Rack{Name: "a", Height: 6, Base: 80, Rating: 100}, []Item{
		{Name: "deep-1", Lowest: 1, Height: 2, Weight: 50}, {Name: "strip", Lowest: 4, Height: 1, Side: Rear}, {Name: "quay-sw1", Lowest: 6, Height: 1, Weight: 10}})
	if !slices.Equal(r.Empty, []int{3, 5}) {
		t.Errorf("empty %v", r.Empty)
	}
	if r.Slots[3] != (Slot{4, "", "strip"}) || r.Slots[1] != (Slot{2, "deep-1", ""}) {
		t.Errorf("slots %v", r.Slots)
	}
	if r.Weight != 60 || !slices.Equal(r.Unweighed, []string{"strip"}) {
		t.Errorf("weight %v, not weighed %v", r.Weight, r.Unweighed)
	}
	// By hand: (50 x (80 + 44.45) + 10 x (80 + 5.5 x 44.45)) / 60.
	if math.Abs(r.Centre-157.7875) > 1e-9 {
		t.Errorf("centre of gravity at %v", r.Centre)
	}
	// U 6 begins five U above the base: 80 + 222.25 mm.
	if s := r.Shelves[2]; s.Name != "quay-sw1" || math.Abs(s.Bottom-302.25) > 1e-9 || math.Abs(s.Top-346.7) > 1e-9 || !r.AboveFloor {
		t.Errorf("shelf %+v", s)
	}
	if r.Caution == "" {
		t.Error("no caution")
	}
}

func TestWhatIsNotStatedIsNoted(t *testing.T) {
	r := Check(Rack{Name: "a", Height: 6}, []Item{{Name: "x", Lowest: 1, Height: 1}, {Name: "y", Lowest: 2, Height: 1, Weight: 3}})
	var all []string
	for _, f := range r.Findings {
		all = append(all, f.Severity+" "+f.Of)
	}
	if want := []string{"note a", "note x", "note a"}; !slices.Equal(all, want) || r.AboveFloor {
		t.Errorf("got %v, want %v", all, want)
	}
	for _, f := range r.Findings[2:] {
		if !strings.Contains(f.Why, "maker") {
			t.Errorf("%q does not say whose the rating is", f.Why)
		}
	}
}

// EIA-310-D/E and IEC 60297 as quoted by several pages that agree.
func TestDimensions(t *testing.T) {
	for _, tt := range []struct {
		name      string
		got, want float64
		within    float64
	}{
		{"1 U in inches", Inches(UnitHeight), 1.75, 1e-12},
		{"42 U", HeightMM(42), 1866.9, 1e-9},
		{"1 U panel", PanelMM(1), 43.66, .005},
		{"panel width", Inches(PanelWidth), 19, 1e-12},
		{"rows of holes", Inches(HoleRows), 18 + 5./16, .05 / Inch},
		{"opening", Inches(Opening), 17.75, 1e-12},
		{"pitch 1 to 2", HoleCentres(1)[1] - HoleCentres(1)[0], 15.875, 1e-9},
		{"pitch 2 to 3", HoleCentres(1)[2] - HoleCentres(1)[1], 15.875, 1e-9},
		{"pitch 3 to the next U", HoleCentres(2)[0] - HoleCentres(1)[2], 12.7, 1e-9},
		{"first hole", Inches(HoleCentres(1)[0]), .25, 1e-12},
		{"second hole", Inches(HoleCentres(1)[1]), .875, 1e-12},
		{"third hole", Inches(HoleCentres(1)[2]), 1.5, 1e-12},
		{"there and back", Millimetres(Inches(123.4)), 123.4, 1e-9},
	} {
		if math.Abs(tt.got-tt.want) > tt.within {
			t.Errorf("%s: %v, want %v", tt.name, tt.got, tt.want)
		}
	}
}

// ANSI/ESD S20.20 and S1.1 as quoted by makers: 1 MOhm +-20 %, and 0.42 mA
// through 800 kOhm at 240 V.
func TestStrap(t *testing.T) {
	s := WristStrap()
	low, high := s.ResistorOhm*(1-s.ResistorPart), s.ResistorOhm*(1+s.ResistorPart)
	if low != 800e3 || high != 1.2e6 || s.MaxOhm != 3.5e7 || s.TesterLowOhm != 750e3 || s.TesterHighOhm != 1e7 {
		t.Errorf("%+v", s)
	}
	if s.BodyVolts != 100 || s.DeviceVolts != 200 || s.IsolatedConductorVolts != 35 {
		t.Errorf("%+v", s)
	}
	if got := Milliamps(240, low); math.Abs(got-.42) > .005 || got > .5 {
		t.Errorf("%v mA through the resistor, want 0.42, below 0.5", got)
	}
}

func drawItems(t *rapid.T) []Item {
	items := make([]Item, rapid.IntRange(0, 12).Draw(t, "items"))
	for i := range items {
		items[i] = Item{Name: fmt.Sprintf("i%d", i), Lowest: rapid.IntRange(-1, 14).Draw(t, "lowest"), Height: rapid.IntRange(0, 4).Draw(t, "height"),
			Weight: rapid.Float64Range(0, 60).Draw(t, "weight"), Side: rapid.SampledFrom([]Side{"", Front, Rear}).Draw(t, "side")}
	}
	return items
}

func rear(i Item) bool   { return i.Side == Rear }
func inside(i Item) bool { return i.Height >= 1 && i.Lowest >= 1 && i.Lowest+i.Height-1 <= 12 }

// The rule of overlap against every pair of items, the slow way.
func TestOverlapAgainstPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		items := drawItems(t)
		report := Check(Rack{Name: "a", Height: 12}, items)
		flagged := make(map[string]bool)
		for _, f := range report.Findings {
			if f.Severity == "error" {
				flagged[f.Of] = true
			}
		}
		for n, it := range items {
			want := !inside(it)
			for _, before := range items[:n] {
				if inside(it) && inside(before) && rear(it) == rear(before) && it.Lowest < before.Lowest+before.Height && before.Lowest < it.Lowest+it.Height {
					want = true
				}
			}
			if flagged[it.Name] != want {
				t.Fatalf("%+v: flagged %v, want %v; all %+v", it, flagged[it.Name], want, items)
			}
		}
	})
}

// The rule of weight against every pair, and its bottom-up order: sorted by
// weight from the bottom there is no warning.
func TestHeaviestLowAgainstPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		items := drawItems(t)
		warned := make(map[string]bool)
		for _, f := range Check(Rack{Name: "a", Height: 12}, items).Findings {
			if strings.Contains(f.What, "stands above") {
				warned[f.Of] = true
			}
		}
		for _, it := range items {
			want := false
			for _, low := range items {
				want = want || inside(it) && inside(low) && low.Weight > 0 && it.Weight > low.Weight && low.Lowest+low.Height <= it.Lowest
			}
			if warned[it.Name] != want {
				t.Fatalf("%+v: warned %v, want %v; all %+v", it, warned[it.Name], want, items)
			}
		}
	})
}
