package draw

import (
	"flag"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linehand/script/plan/disk"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/plan/schedule"
)

var update = flag.Bool("update", false, "write the golden drawings anew")

func elevationOf() Elevation {
	return Elevation{
		Rack: rack.Rack{Name: "rack-1", Height: 8},
		Items: []rack.Item{
			{Name: "deep-1", Lowest: 1, Height: 4, Weight: 40.8},
			{Name: "quay-sw1", Lowest: 7, Height: 1, Weight: 6.2},
			{Name: "patch", Lowest: 7, Height: 1, Side: rack.Rear},
			{Name: "too-high", Lowest: 8, Height: 2},
		},
		Beside: []string{"strip-1a", "strip-1b"},
	}
}

func mapOf() Map {
	a := netip.MustParseAddr
	return Map{
		Network: "quay", Prefix: netip.MustParsePrefix("192.0.2.0/27"), Block: netip.MustParsePrefix("192.0.2.0/27"),
		Edges:    []netip.Addr{a("192.0.2.0"), a("192.0.2.31")},
		Taken:    []Taken{{a("192.0.2.1"), Gateway, "the gateway of network quay"}, {a("192.0.2.20"), Cluster, "the cluster skerry-deep"}, {a("192.0.2.21"), Port, "deep-1 port e0"}},
		Reserved: []Range{{a("192.0.2.2"), a("192.0.2.4")}},
	}
}

func feedsOf() []power.FeedLoad {
	return power.Check(
		[]power.Feed{{Name: "left", Volts: 230, Phases: 1, Breaker: 16, Code: power.IEC}, {Name: "right", Volts: 230, Phases: 1, Breaker: 6, Code: power.IEC}},
		[]power.Unit{{Name: "deep-1", Watts: 1400, Factor: 0.95, Cords: []power.Cord{{Feed: "left"}, {Feed: "right"}}}},
	).Feeds
}

func optionsOf(t testing.TB) []disk.Option {
	drives := make([]disk.Size, 12)
	for i := range drives {
		drives[i] = 20e12
	}
	options, err := disk.Compare(drives, 1, disk.Needs{Stated: disk.Stated{ReadErrors: 1e-15}})
	if err != nil {
		t.Fatal(err)
	}
	return options
}

func batchOf(t testing.TB) (schedule.Batch, schedule.Schedule) {
	b := schedule.Batch{Lines: 2, Technicians: 1, MoveCable: time.Minute, Units: []schedule.Unit{
		{Name: "deep-1", Hands: 35 * time.Minute, Boot: 5 * time.Minute, Dialogue: 2 * time.Minute, Wait: 12 * time.Minute},
		{Name: "deep-2", Hands: 35 * time.Minute, Boot: 5 * time.Minute, Dialogue: 2 * time.Minute, Wait: 12 * time.Minute, After: []string{"deep-1"}},
	}}
	s, err := schedule.Plan(b)
	if err != nil {
		t.Fatal(err)
	}
	return b, s
}

func TestGolden(t *testing.T) {
	batch, plan := batchOf(t)
	for _, p := range []*Picture{
		Rack("rack", elevationOf()), Subnet("subnet", mapOf()), Power("power", feedsOf()),
		Disks("disks", optionsOf(t), disk.Layout{Kind: disk.DoubleParity}), Schedule("schedule", batch, plan),
	} {
		t.Run(p.ID, func(t *testing.T) {
			got, file := string(p.SVG()), filepath.Join("testdata", p.ID+".svg.golden")
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the drawing is not that of %s; look at it, and run with -update if it is right:\n%s", file, got)
			}
			inside(t, p)
		})
	}
}

// inside fails where a box or a word reaches over the picture's edge.
func inside(t testing.TB, p *Picture) {
	t.Helper()
	for _, s := range p.Shapes {
		x, w := s.X, s.W
		if s.Form == Word {
			switch s.Anchor {
			case Middle:
				x -= w / 2
			case End:
				x -= w
			}
		}
		if x < -0.01 || x+w > p.Width+0.01 || s.Y < -0.01 || s.Y+s.H > p.Height+0.01 {
			t.Errorf("%s: %+v reaches over %g by %g", p.ID, s, p.Width, p.Height)
		}
	}
}

// TestRackBoxes draws racks with items anywhere, also over one another and
// outside: no two boxes of units may lie over one another, none outside, and
// each item is drawn or told to be left out.
func TestRackBoxes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := Elevation{Rack: rack.Rack{Name: rapid.String().Draw(t, "rack"), Height: rapid.IntRange(1, 60).Draw(t, "height")}}
		for i := range rapid.IntRange(0, 40).Draw(t, "items") {
			e.Items = append(e.Items, rack.Item{
				Name:   fmt.Sprintf("%d-%s", i, rapid.StringN(0, 70, -1).Draw(t, "name")),
				Lowest: rapid.IntRange(-2, 64).Draw(t, "lowest"), Height: rapid.IntRange(0, 64).Draw(t, "high"),
				Weight: rapid.Float64Range(0, 2000).Draw(t, "kg"),
				Side:   rapid.SampledFrom([]rack.Side{"", rack.Front, rack.Rear}).Draw(t, "side"),
			})
		}
		p := Rack("r", e)
		var boxes []Shape
		for _, s := range p.Shapes {
			if s.Form == Box && s.Class == "unit" {
				boxes = append(boxes, s)
			}
		}
		for i, a := range boxes {
			if a.W <= 0 || a.H <= 0 || a.Y < headHigh || a.Y+a.H > headHigh+float64(e.Rack.Height)*rowHigh {
				t.Fatalf("box %+v does not lie in the rack", a)
			}
			for _, b := range boxes[i+1:] {
				if a.X < b.X+b.W && b.X < a.X+a.W && a.Y < b.Y+b.H && b.Y < a.Y+a.H {
					t.Fatalf("boxes %+v and %+v lie over one another", a, b)
				}
			}
		}
		_, front := fitting(e, rack.Front)
		_, rear := fitting(e, rack.Rear)
		if len(boxes)+len(front)+len(rear) != len(e.Items) {
			t.Fatalf("%d boxes and %d left out of %d items", len(boxes), len(front)+len(rear), len(e.Items))
		}
	})
}

// TestShorten: what comes out is never wider than the room, and keeps the end
// of a name.
func TestShorten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text, room := rapid.String().Draw(t, "text"), rapid.Float64Range(0, 300).Draw(t, "room")
		if got := Shorten(text, room, Plain); Width(got, Plain) > room+1e-9 && got != text {
			t.Fatalf("Shorten(%q, %g) = %q is %g wide", text, room, got, Width(got, Plain))
		} else if got == text && Width(text, Plain) > room {
			t.Fatalf("Shorten(%q, %g) left it as it was", text, room)
		}
	})
	if got := Shorten("a-very-long-name-of-unit-27", 90, Plain); !strings.HasSuffix(got, "27") || !strings.HasPrefix(got, "a-v") {
		t.Errorf("Shorten lost an end: %q", got)
	}
}

// TestSubnetMarks: every address of a block is marked as what it is, at its
// own place.
func TestSubnetMarks(t *testing.T) {
	marks, who := mapOf().marks()
	for i, want := range map[int]Mark{0: Edge, 1: Gateway, 2: Reserved, 4: Reserved, 5: 0, 20: Cluster, 21: Port, 31: Edge} {
		if marks[i] != want {
			t.Errorf("address %d is %q, want %q", i, marks[i], want)
		}
	}
	if len(marks) != 32 || who[21] != "deep-1 port e0" {
		t.Errorf("%d marks, 21 is held by %q", len(marks), who[21])
	}
}

func TestEscape(t *testing.T) {
	e := elevationOf()
	e.Items[0].Name = `</text><script>alert("x")</script>` + "\x00\x1b"
	got := string(Rack("r", e).SVG())
	if strings.Contains(got, "<script") || strings.ContainsAny(got, "\x00\x1b") {
		t.Errorf("a name came through unescaped:\n%s", got)
	}
	if !strings.Contains(got, "&lt;script&gt;") {
		t.Error("the name is not there at all")
	}
}

// TestFeedBars: the mark of what is allowed stands at 80 % of the breaker (NEC
// 210.20(A), as quoted: a continuous load), and an overloaded feed is told in
// words and with a class of its own.
func TestFeedBars(t *testing.T) {
	p := Power("p", feedsOf())
	wide := barsWide - barLeft - barRight
	var limits, over int
	for _, s := range p.Shapes {
		if s.Class == "limit" {
			limits++
			if at := (s.X - barLeft) / wide; at < 0.7999 || at > 0.8001 {
				t.Errorf("the limit stands at %g of the breaker", at)
			}
		}
		if s.Class == "worst over" {
			over++
		}
	}
	if limits != 2 || over != 1 {
		t.Errorf("%d limits and %d overloaded bars, want 2 and 1", limits, over)
	}
	if !strings.Contains(string(p.SVG()), "too much") {
		t.Error("nothing says in words that it is too much")
	}
}
