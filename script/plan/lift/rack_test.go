package lift

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func shelf() Move {
	return Move{Unit: "deep-1", Weight: 32, Drives: 24, DriveWeight: .75, Depth: 600, From: 700, To: 800}
}

func mustAdvise(t testing.TB, m Move) Advice {
	t.Helper()
	a, err := ForRack(m)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// Worked by hand from the equation: 14 kg at H 44.13 (half a 19-inch panel and
// 20 cm), V 70 and 80, D 10, poor coupling: 23 x .5665 x .985 x 1 x 1 x .90 =
// 11.551 kg at both ends; two people are reckoned with .75 x 14 = 10.5 kg each.
func TestShelfWithDrivesOut(t *testing.T) {
	a := mustAdvise(t, shelf())
	two := a.DrivesOut.Teams[1]
	if a.DrivesOut.Weight != 14 || math.Abs(two.Share-10.5) > 1e-9 || math.Abs(two.RWL-11.551) > .001 || math.Abs(float64(two.LI)-.909) > .001 {
		t.Errorf("two people: %v of %v kg, limit %v, LI %v", two.Share, a.DrivesOut.Weight, two.RWL, float64(two.LI))
	}
	if !a.DrivesFirst || a.People != 2 || a.Device || a.DrivesIn.People != 0 {
		t.Errorf("drives first %v, people %d, device %v, with the drives in %d", a.DrivesFirst, a.People, a.Device, a.DrivesIn.People)
	}
	want := "Take the 24 drives of deep-1 out first, if its maker allows that, and mark each with its bay: 32.0 kg become 14.0 kg. Plan for at least 2 people; one of them gives the word. "
	if !strings.HasPrefix(a.Text, want) {
		t.Errorf("text %q", a.Text)
	}
}

func TestAdviceNamesItsLimits(t *testing.T) {
	high, heavy, light := shelf(), shelf(), shelf()
	high.To = 1800
	heavy.Weight = 90
	light.Weight, light.Drives, light.Depth, light.Unit = 4, 0, 250, "quay-sw1"
	for _, tt := range []struct {
		move   Move
		people int
		device bool
		finds  []string
	}{
		{shelf(), 2, false, []string{"lifting index of"}},
		{high, 2, true, []string{"above 175 cm", "above 1.0 for up to three people (beyond the equation"}},
		{heavy, 2, true, []string{"above 1.0 for up to three people"}},
		{light, 1, false, nil},
	} {
		a := mustAdvise(t, tt.move)
		if a.People != tt.people || a.Device != tt.device || len(a.Findings) != len(tt.finds) {
			t.Errorf("%s to %v: people %d, device %v, findings %+v", a.Unit, tt.move.To, a.People, a.Device, a.Findings)
			continue
		}
		for i, want := range tt.finds {
			if f := a.Findings[i]; !strings.Contains(f.What, want) || f.Severity != "warning" || f.Of != a.Unit || f.Why == "" || f.Mend == "" {
				t.Errorf("finding %+v, want %q", f, want)
			}
		}
		for _, want := range []string{"restricted space", "from memory", "defer to local codes", "no promise"} {
			if !strings.Contains(a.Text, want) {
				t.Errorf("%q is not in %q", want, a.Text)
			}
		}
		if strings.Contains(strings.ToLower(a.Text), "safe") {
			t.Errorf("the text speaks of safety: %q", a.Text)
		}
		if _, err := json.Marshal(a); err != nil {
			t.Errorf("as JSON: %v", err)
		}
	}
	if all := strings.Join(Limits(), "\n"); !strings.Contains(all, "restricted space") || len(Limits()) != 8 {
		t.Errorf("limits: %s", all)
	}
}

func TestBadMoves(t *testing.T) {
	for _, tt := range []struct {
		change func(*Move)
		want   string
	}{
		{func(m *Move) { m.Weight = 0 }, "lifting deep-1: its weight is not stated; take it from the maker's sheet"},
		{func(m *Move) { m.Weight = math.NaN() }, "lifting deep-1: the weight is NaN; give a number that is not negative"},
		{func(m *Move) { m.DriveWeight = 2 }, "lifting deep-1: 24 drives of 2 kg weigh as much as the whole unit of 32 kg; check the weights"},
		{func(m *Move) { m.Drives = -1 }, "lifting deep-1: it has -1 drives; give a number that is not negative"},
		{func(m *Move) { m.Depth = 0 }, "lifting deep-1: neither its depth nor the reach is stated; give one"},
		{func(m *Move) { m.To = -1; m.Unit = "" }, "lifting the unit: the height after is -1; give a number that is not negative"},
		{func(m *Move) { m.Coupling = 7 }, "lifting deep-1: coupling class 7 is none of poor, fair and good"},
		{func(m *Move) { m.Duration = 3 }, "lifting deep-1: duration class 3 is none of short, moderate and long; work of more than 8 hours is outside the equation"},
	} {
		m := shelf()
		tt.change(&m)
		if _, err := ForRack(m); err == nil || err.Error() != tt.want {
			t.Errorf("got %v, want %s", err, tt.want)
		}
	}
}

func TestIndexText(t *testing.T) {
	for i, want := range map[Index]string{1: "1.0", 1.001: "1.1", 2.5: "2.5", Index(math.Inf(1)): "beyond the equation"} {
		if i.String() != want {
			t.Errorf("%v: %q, want %q", float64(i), i.String(), want)
		}
	}
	if b, err := json.Marshal([]Index{1.25, Index(math.Inf(1))}); err != nil || string(b) != "[1.25,null]" {
		t.Errorf("%s, %v", b, err)
	}
}

func drawTask(t *rapid.T) Task {
	point := func(name string) Point {
		return Point{H: rapid.Float64Range(0, 70).Draw(t, name+" H"), V: rapid.Float64Range(0, 190).Draw(t, name+" V"), A: rapid.Float64Range(0, 140).Draw(t, name+" A")}
	}
	return Task{System: System(rapid.IntRange(0, 1).Draw(t, "system")), Load: rapid.Float64Range(.1, 100).Draw(t, "load"), Origin: point("origin"),
		Destination: point("destination"), Control: rapid.Bool().Draw(t, "control"), Rate: rapid.Float64Range(0, 17).Draw(t, "rate"),
		Duration: Duration(rapid.IntRange(0, 2).Draw(t, "duration")), Coupling: Coupling(rapid.IntRange(0, 2).Draw(t, "coupling"))}
}

// No change for the worse raises the limit.
func TestWorseIsNeverBetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		task := drawTask(t)
		before, err := Assess(task)
		if err != nil {
			t.Fatal(err)
		}
		worse := task
		more := rapid.Float64Range(0, 40).Draw(t, "more")
		switch rapid.IntRange(0, 5).Draw(t, "which") {
		case 0:
			worse.Origin.H += more
		case 1:
			worse.Origin.A += more
		case 2:
			worse.Rate += more / 4
		case 3:
			worse.Duration = min(worse.Duration+1, Long)
		case 4:
			worse.Coupling = max(worse.Coupling-1, Poor)
		case 5:
			worse.Control = true
		}
		after, err := Assess(worse)
		if err != nil {
			t.Fatal(err)
		}
		if after.RWL > before.RWL || after.LI < before.LI {
			t.Fatalf("limit %v became %v, index %v became %v", before.RWL, after.RWL, before.LI, after.LI)
		}
	})
}

func TestMultipliersLieBetween0And1(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, err := Assess(drawTask(t))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range []End{r.Origin, r.Destination} {
			for i, m := range []float64{e.HM, e.VM, e.DM, e.AM, e.FM, e.CM} {
				if !(m >= 0 && m <= 1) {
					t.Fatalf("multiplier %d is %v", i, m)
				}
			}
		}
	})
}

// Taking drives out never asks for more people, and a team never bears less
// than an equal share each.
func TestDrivesOutIsNeverHarder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Move{Weight: rapid.Float64Range(5, 120).Draw(t, "weight"), Drives: rapid.IntRange(0, 60).Draw(t, "drives"),
			Depth: rapid.Float64Range(100, 1000).Draw(t, "depth"), From: rapid.Float64Range(0, 1900).Draw(t, "from"), To: rapid.Float64Range(0, 2000).Draw(t, "to")}
		if m.Drives > 0 {
			m.DriveWeight = rapid.Float64Range(0, .9).Draw(t, "part") * m.Weight / float64(m.Drives)
		}
		a, err := ForRack(m)
		if err != nil {
			t.Fatal(err)
		}
		for i := range a.DrivesIn.Teams {
			in, out := a.DrivesIn.Teams[i], a.DrivesOut.Teams[i]
			if out.LI > in.LI || in.Share < m.Weight/float64(in.People)-1e-9 {
				t.Fatalf("team of %d: index %v in, %v out, share %v of %v", in.People, in.LI, out.LI, in.Share, m.Weight)
			}
		}
		if a.Device != (a.People == 2 && !reaches(a)) {
			t.Fatalf("device %v with %d people", a.Device, a.People)
		}
	})
}

func reaches(a Advice) bool {
	c := a.DrivesIn
	if a.DrivesFirst {
		c = a.DrivesOut
	}
	return c.People > 0
}
