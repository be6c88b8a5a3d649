package disk

import (
	"math"
	"math/bits"
	"testing"

	"pgregory.net/rapid"
)

// anyLayout draws a layout and a number of members that it can have.
func anyLayout(t *rapid.T) (Layout, int) {
	kind := rapid.SampledFrom(Kinds()).Draw(t, "kind")
	switch kind {
	case StripedMirrors:
		copies := rapid.IntRange(2, 4).Draw(t, "copies")
		return Layout{Kind: kind, Copies: copies}, copies * rapid.IntRange(2, 8).Draw(t, "sets")
	case SingleParityGroups, DoubleParityGroups:
		groups := rapid.IntRange(2, 5).Draw(t, "groups")
		return Layout{Kind: kind, Groups: groups}, groups * rapid.IntRange(4, 9).Draw(t, "each")
	}
	return Layout{Kind: kind}, rapid.IntRange(4, 40).Draw(t, "members")
}

func anySizes(t *rapid.T, n int) []Size {
	return rapid.SliceOfN(rapid.Map(rapid.Int64Range(1, 30e12), func(v int64) Size { return Size(v) }), n, n).Draw(t, "sizes")
}

func mustWork(t *rapid.T, l Layout, drives []Size, spares int, stated Stated) Figures {
	f, err := Work(l, drives, spares, stated)
	if err != nil {
		t.Fatalf("%s over %d drives, %d spares: %v", l, len(drives), spares, err)
	}
	return f
}

func TestFiguresHangTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, members := anyLayout(t)
		spares := rapid.IntRange(0, 4).Draw(t, "spares")
		drives := anySizes(t, members+spares)
		stated := Stated{RebuildRate: 1e8, VerifyRate: 2e8, ReadErrors: 1e-15, MTTF: 1e6}
		f := mustWork(t, l, drives, spares, stated)
		if f.Usable <= 0 || f.Usable > f.Raw || f.GivenUp != f.Raw-f.Usable {
			t.Fatalf("usable %d of raw %d, given up %d", f.Usable, f.Raw, f.GivenUp)
		}
		if f.Certain > f.AtBest || f.AtBest >= f.Members || f.Members+f.Spares != f.Drives {
			t.Fatalf("%+v", f)
		}
		if f.Certain > 0 && (f.Usable > Size(f.Members-f.Certain)*f.Each || f.MTTDL <= 0) {
			t.Fatalf("holds more than the drives that are left: %+v", f)
		}
		for _, r := range f.Rebuilds {
			if r.Unreadable <= 0 || r.Unreadable > 1 || r.Reads > Size(f.Members)*f.Each || r.Covered == (r.Failed == f.Certain) {
				t.Fatalf("%+v", r)
			}
		}
		if again := mustWork(t, l, rapid.Permutation(drives).Draw(t, "order"), spares, stated); again.Usable != f.Usable || again.MTTDL != f.MTTDL {
			t.Fatal("the order of the drives changes the figures")
		}
	})
}

// TestGrowing: larger drives and more members never hold less; a larger
// drive never rebuilds faster; better drives never risk more.
func TestGrowing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, members := anyLayout(t)
		drives := anySizes(t, members)
		stated := Stated{RebuildRate: 1e8, ReadErrors: rapid.Float64Range(1e-17, 1e-13).Draw(t, "errors"), MTTF: 1e6, MTTR: 24}
		f := mustWork(t, l, drives, 0, stated)

		larger := append([]Size(nil), drives...)
		larger[rapid.IntRange(0, members-1).Draw(t, "which")] += Size(rapid.Int64Range(1, 1e12).Draw(t, "more"))
		g := mustWork(t, l, larger, 0, stated)
		if g.Usable < f.Usable || g.Raw <= f.Raw || g.Rebuild < f.Rebuild {
			t.Fatalf("a larger drive: %s and %s, before %s and %s", g.Usable, g.Rebuild, f.Usable, f.Rebuild)
		}
		for i, r := range g.Rebuilds {
			if r.Unreadable < f.Rebuilds[i].Unreadable {
				t.Fatalf("reads more, risks less: %+v, before %+v", r, f.Rebuilds[i])
			}
		}

		step := max(1, l.copies(), l.Groups)
		more := mustWork(t, l, append(drives, same(step, f.Each)...), 0, stated)
		if more.Usable < f.Usable || more.AtBest < f.AtBest || (l.Kind != Mirrored && (more.Usable == f.Usable || more.MTTDL > f.MTTDL)) {
			t.Fatalf("%d drives more: %+v, before %+v", step, more, f)
		}
		better := stated
		better.ReadErrors /= 10
		better.MTTF *= 2
		h := mustWork(t, l, drives, 0, better)
		if h.MTTDL <= f.MTTDL {
			t.Fatalf("twice the MTTF: %g h, before %g h", float64(h.MTTDL), float64(f.MTTDL))
		}
	})
}

// TestSurvivesByTrial fails every set of drives in turn and looks which lose
// data, by what each layout is: a parity group is lost with one or two drives
// more than it has parity, a set of copies with its last drive.
func TestSurvivesByTrial(t *testing.T) {
	lost := func(l Layout, n int, failed uint) bool {
		group, bears := n, 0
		switch l.Kind {
		case Mirrored:
			bears = n - 1
		case StripedMirrors:
			group, bears = l.Copies, l.Copies-1
		case SingleParity:
			bears = 1
		case DoubleParity:
			bears = 2
		case SingleParityGroups:
			group, bears = n/l.Groups, 1
		case DoubleParityGroups:
			group, bears = n/l.Groups, 2
		}
		for first := 0; first < n; first += group {
			if bits.OnesCount(failed>>first&(1<<group-1)) > bears {
				return true
			}
		}
		return false
	}
	for n := 2; n <= 12; n++ {
		options, err := Compare(same(n, tb), 0, Needs{})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range options {
			if o.Impossible != "" {
				continue
			}
			certain, atBest := n, 0
			for failed := uint(0); failed < 1<<n; failed++ {
				k := bits.OnesCount(failed)
				if lost(o.Layout, n, failed) {
					certain = min(certain, k-1)
				} else {
					atBest = max(atBest, k)
				}
			}
			if o.Certain != certain || o.AtBest != atBest {
				t.Errorf("%s over %d: survives %d to %d; by trial %d to %d", o.Layout, n, o.Certain, o.AtBest, certain, atBest)
			}
		}
	}
}

// TestTransferBounds: size/rate lies within one nanosecond below the result.
func TestTransferBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := Size(rapid.Int64Range(0, math.MaxInt64).Draw(t, "size"))
		rate := Size(rapid.Int64Range(1, math.MaxInt64).Draw(t, "rate"))
		d, err := Transfer(size, rate)
		exact := float64(size) / float64(rate)
		if err != nil {
			if exact < 9.2e9 {
				t.Fatalf("%d at %d: %v", size, rate, err)
			}
			return
		}
		if math.Abs(d.Seconds()-exact) > 1e-9+exact*1e-12 {
			t.Fatalf("%d at %d: %v, want %.12g s", size, rate, d, exact)
		}
	})
	for _, bad := range []struct{ size, rate Size }{{1, 0}, {1, -1}, {-1, 1}, {math.MaxInt64, 1}, {math.MaxInt64, 1e9 - 1e7}} {
		if d, err := Transfer(bad.size, bad.rate); err == nil {
			t.Errorf("%d at %d: %s", bad.size, bad.rate, d)
		}
	}
	if d, err := Transfer(math.MaxInt64, 1e9); err != nil || d != math.MaxInt64 {
		t.Errorf("the longest time: %d, %v", d, err)
	}
}
