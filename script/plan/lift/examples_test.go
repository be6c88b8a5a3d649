package lift

import (
	"math"
	"testing"
)

// Worked examples of NIOSH 94-110. Printed results are products of multipliers
// that were rounded to two decimals first, so that a product of five may be
// off by about 2.5 %; full is the value at full precision, worked out
// independently. Example 1 is from memory but for its multipliers.
func TestWorkedExamples(t *testing.T) {
	inspection := Task{System: US, Load: 26, Coupling: Fair, Origin: Point{H: 10, V: 22}, Destination: Point{H: 20, V: 59}, Rate: 3, Duration: Short}
	press := Task{System: US, Load: 44, Coupling: Fair, Origin: Point{H: 23, V: 15}, Destination: Point{H: 23, V: 63}, Control: true, Duration: Short}
	for _, tt := range []struct {
		name          string
		task          Task
		at            func(Result) End
		printed, full float64
	}{
		{"4, package inspection, origin", inspection, origin, 34.9, 34.81},
		{"4, package inspection, destination (H inferred)", inspection, destination, 15.2, 15.25},
		{"1, punch press, origin (from memory)", press, origin, 16.3, 16.03},
		{"1, punch press, destination (from memory)", press, destination, 14.5, 14.31},
	} {
		r, err := Assess(tt.task)
		if err != nil {
			t.Fatal(err)
		}
		got := tt.at(r).RWL
		if math.Abs(got-tt.printed) > .025*tt.printed {
			t.Errorf("%s: %.3f lb, printed %v", tt.name, got, tt.printed)
		}
		if math.Abs(got-tt.full) > .02 {
			t.Errorf("%s: %.3f lb, at full precision %v", tt.name, got, tt.full)
		}
	}
}

func origin(r Result) End      { return r.Origin }
func destination(r Result) End { return r.Destination }

// Example 4 as printed: the product of its rounded multipliers.
func TestExample4Multipliers(t *testing.T) {
	r, err := Assess(Task{System: US, Load: 26, Coupling: Fair, Origin: Point{H: 10, V: 22}, Destination: Point{H: 20, V: 59}, Rate: 3, Duration: Short})
	if err != nil {
		t.Fatal(err)
	}
	got := []float64{r.Origin.HM, r.Origin.VM, r.Origin.DM, r.Origin.AM, r.Origin.FM, r.Origin.CM}
	product := 51.
	for i, printed := range []float64{1, .94, .87, 1, .88, .95} {
		if math.Abs(got[i]-printed) > half {
			t.Errorf("multiplier %d: %v, printed %v", i, got[i], printed)
		}
		product *= math.Round(got[i]*100) / 100
	}
	if math.Abs(product-34.9) > .05 {
		t.Errorf("product of the rounded multipliers %v, printed 34.9", product)
	}
}

// Example 1: LI 2.7 at the origin and 3.0 at the destination, the worse of
// which counts (from memory). Rounded multipliers leave them 2.5 % of room.
func TestExample1Index(t *testing.T) {
	r, err := Assess(Task{System: US, Load: 44, Coupling: Fair, Origin: Point{H: 23, V: 15}, Destination: Point{H: 23, V: 63}, Control: true})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(r.Origin.LI)-2.7) > .05+.025*2.7 || math.Abs(float64(r.Destination.LI)-3.0) > .05+.025*3.0 || r.LI != r.Destination.LI {
		t.Errorf("LI %v and %v, counting %v; printed 2.7 and 3.0, counting 3.0", float64(r.Origin.LI), float64(r.Destination.LI), float64(r.LI))
	}
}

// Section 2.4.5: 30, 20 and 10 lb at 1, 2 and 4 lifts a minute give
// 1.60 + .07 + .20 = 1.9. The limits at FM 1 (20, 20, 15 lb) are from memory.
func TestCompositeExample(t *testing.T) {
	parts := []Part{{Load: 10, Limit: 15, Rate: 4}, {Load: 30, Limit: 20, Rate: 1}, {Load: 20, Limit: 20, Rate: 2}}
	got, err := Composite(parts, Short)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(got)-1.863) > .0005 || math.Abs(float64(got)-1.9) > .05 {
		t.Errorf("CLI %v, want 1.863 (printed 1.9)", float64(got))
	}
	if fm3, fm7 := Frequency(3, Short, true), Frequency(7, Short, true); fm3 != .88 || fm7 != .70 {
		t.Errorf("FM at 3 and 7: %v and %v, printed .88 and .70", fm3, fm7)
	}
}

// The procedure for lifting that is not continuous (NIOSH 94-110). The second
// row is printed as 3.4, which is a defect.
func TestAdjustedRate(t *testing.T) {
	for _, tt := range []struct{ rate, minutes, want float64 }{{10, 8, 5.333}, {10, 5, 3.333}, {10, 15, 10}, {10, 20, 10}} {
		if got := AdjustedRate(tt.rate, tt.minutes); math.Abs(got-tt.want) > .0005 {
			t.Errorf("%v a minute for %v of 15: %v, want %v", tt.rate, tt.minutes, got, tt.want)
		}
	}
}

// The examples of duration in NIOSH 94-110 (rev. 9/2021), and their edges.
func TestClassify(t *testing.T) {
	for _, tt := range []struct {
		name   string
		spells []Spell
		want   Duration
	}{
		{"30 work, 10 rest, 45 work", []Spell{{30, 10}, {45, 0}}, Moderate},
		{"30 work, 30 rest, 45 work", []Spell{{30, 30}, {45, 0}}, Short},
		{"2 h work, 36 min rest, 1 h work", []Spell{{120, 36}, {60, 0}}, Moderate},
		{"2 h work, 35 min rest, 1 h work", []Spell{{120, 35}, {60, 0}}, Long},
		{"one hour", []Spell{{60, 0}}, Short},
		{"just over", []Spell{{60.5, 0}}, Moderate},
		{"eight hours", []Spell{{480, 0}}, Long},
		{"the worst of the day counts", []Spell{{90, 60}, {10, 0}}, Moderate},
		{"none", nil, Short},
	} {
		got, err := Classify(tt.spells)
		if err != nil || got != tt.want {
			t.Errorf("%s: %v, %v; want %v", tt.name, got, err, tt.want)
		}
	}
	for _, bad := range [][]Spell{{{300, 10}, {200, 0}}, {{0, 5}}, {{10, -1}}, {{math.NaN(), 0}}, {{math.Inf(1), 0}}} {
		if got, err := Classify(bad); err == nil {
			t.Errorf("%v: %v without an error", bad, got)
		}
	}
}

// The constants of the two systems are not conversions of one another: 51 lb
// are 23.133 kg (0.45359237 kg/lb by definition).
func TestSystemsAreNotConverted(t *testing.T) {
	if got := 51 * .45359237; math.Abs(got-23.133) > .0005 {
		t.Errorf("51 lb = %v kg", got)
	}
	best := multipliersAt(t, Metric, func(*Task) {})
	bestUS := multipliersAt(t, US, func(*Task) {})
	if best.RWL != 23 || bestUS.RWL != 51 {
		t.Errorf("best case %v kg and %v lb, want 23 and 51", best.RWL, bestUS.RWL)
	}
}
