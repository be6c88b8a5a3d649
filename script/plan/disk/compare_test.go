package disk

import (
	"strings"
	"testing"
	"time"
)

func findOption(t *testing.T, options []Option, l Layout) Option {
	t.Helper()
	for _, o := range options {
		if o.Layout == l {
			return o
		}
	}
	t.Fatalf("%s is not among the options", l)
	return Option{}
}

func TestCompareNeeds(t *testing.T) {
	options, err := Compare(same(12, 12*tb), 0, Needs{
		Stated:   Stated{RebuildRate: 200e6, ReadErrors: 1e-15, MTTF: 1e6, MTTR: 24},
		Capacity: 100 * tb, Survive: 2, Rebuild: 12 * time.Hour,
	})
	if err != nil {
		t.Fatal(err)
	}
	double := findOption(t, options, Layout{Kind: DoubleParity})
	if len(double.Misses) != 1 || double.Misses[0] != "rebuilds in 16h40m0s at best, not in 12h0m0s" {
		t.Errorf("double parity misses %q", double.Misses)
	}
	single := findOption(t, options, Layout{Kind: SingleParity})
	if len(single.Misses) != 2 || single.Misses[0] != "survives 1 failures for certain, not 2" || single.Fits() {
		t.Errorf("single parity misses %q", single.Misses)
	}
	if len(single.Against) != 1 || !strings.Contains(single.Against[0].Text, "132 TB") || single.Against[0].Source == "" {
		t.Errorf("against single parity: %+v", single.Against)
	}
	mirrors := findOption(t, options, Layout{Kind: StripedMirrors, Copies: 2})
	if mirrors.Misses[0] != "holds 72 TB (65.48 TiB), 28 TB less than needed" {
		t.Errorf("striped mirrors miss %q", mirrors.Misses)
	}
	striped := findOption(t, options, Layout{Kind: Striped})
	if len(striped.Against) != 1 || !strings.HasPrefix(striped.Against[0].Source, "md(4)") || striped.Rebuild != 0 {
		t.Errorf("striped: %+v", striped)
	}
}

// TestNeedsMetExactly: what is just enough is enough.
func TestNeedsMetExactly(t *testing.T) {
	options, err := Compare(same(6, 4*tb), 0, Needs{
		Stated: Stated{RebuildRate: 100e6, ReadErrors: 1e-15}, Capacity: 16 * tb, Survive: 2, Rebuild: 40_000 * time.Second,
	})
	if err != nil {
		t.Fatal(err)
	}
	double := findOption(t, options, Layout{Kind: DoubleParity})
	if !double.Fits() {
		t.Errorf("double parity misses %q", double.Misses)
	}
	// All that is left is read: five drives after one failure, four after two.
	if r := double.Rebuilds; len(r) != 2 || r[0].Reads != 20*tb || !r[0].Covered || r[1].Reads != 16*tb || r[1].Covered {
		t.Errorf("rebuilds %+v", r)
	}
}

func TestCompareListsEveryGrouping(t *testing.T) {
	options, err := Compare(same(24, tb), 0, Needs{})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, o := range options {
		if o.Impossible != "" {
			t.Errorf("%s: %s", o.Layout, o.Impossible)
		}
		if !o.Fits() {
			t.Errorf("%s: nothing is needed, and it misses %q", o.Layout, o.Misses)
		}
		names = append(names, o.Layout.String())
	}
	want := "striped; mirrored; striped mirrors, 2 copies; striped mirrors, 3 copies; single parity; double parity; " +
		"single parity groups, 2 groups; single parity groups, 3 groups; single parity groups, 4 groups; " +
		"single parity groups, 6 groups; single parity groups, 8 groups; " +
		"double parity groups, 2 groups; double parity groups, 3 groups; double parity groups, 4 groups; double parity groups, 6 groups"
	if got := strings.Join(names, "; "); got != want {
		t.Errorf("options:\n%s\nwant\n%s", got, want)
	}
}

func TestCompareImpossible(t *testing.T) {
	options, err := Compare(same(8, tb), 1, Needs{})
	if err != nil {
		t.Fatal(err)
	}
	want := map[Layout]string{
		{Kind: StripedMirrors, Copies: 2}: "striped mirrors, 2 copies: 7 drives do not divide into sets of 2 copies; keep 1 more as spares, or change the numbers",
		{Kind: StripedMirrors, Copies: 3}: "striped mirrors, 3 copies: 7 drives do not divide into sets of 3 copies; keep 1 more as spares, or change the numbers",
		{Kind: SingleParityGroups}:        "single parity groups: 7 drives besides the spares do not divide into two or more equal groups of at least 3",
		{Kind: DoubleParityGroups}:        "double parity groups: 7 drives besides the spares do not divide into two or more equal groups of at least 4",
	}
	for _, o := range options {
		if o.Impossible != want[o.Layout] {
			t.Errorf("%s: %q, want %q", o.Layout, o.Impossible, want[o.Layout])
		}
		if o.Fits() == (o.Impossible != "") {
			t.Errorf("%s fits: %v", o.Layout, o.Fits())
		}
	}
	if len(options) != 8 {
		t.Errorf("%d options", len(options))
	}
	few, err := Compare(same(2, tb), 0, Needs{})
	if err != nil {
		t.Fatal(err)
	}
	if got := findOption(t, few, Layout{Kind: DoubleParity}).Impossible; got != "double parity needs at least 4 drives besides the spares, and there are 2" {
		t.Errorf("two drives: %s", got)
	}
}

func TestUnequalDrives(t *testing.T) {
	// mdadm(8): the smallest member sets the size, spares included here.
	f, err := Work(Layout{Kind: SingleParity}, []Size{4 * tb, 4 * tb, 4 * tb, 3 * tb}, 1, Stated{})
	if err != nil || f.Usable != 6*tb || f.Raw != 15*tb || f.GivenUp != 9*tb {
		t.Errorf("%+v, %v", f, err)
	}
	if len(f.Cautions) != 1 || !strings.HasPrefix(f.Cautions[0].Source, "mdadm(8)") {
		t.Errorf("cautions: %+v", f.Cautions)
	}
}

func TestRefused(t *testing.T) {
	tests := []struct {
		layout Layout
		drives []Size
		spares int
		stated Stated
		want   string
	}{
		{Layout{Kind: "raided"}, same(4, tb), 0, Stated{}, `no layout is called "raided"`},
		{Layout{Kind: SingleParity}, nil, 0, Stated{}, "no drives are given"},
		{Layout{Kind: SingleParity}, []Size{tb, 0, tb}, 0, Stated{}, "drive 2 has a size of 0 bytes"},
		{Layout{Kind: SingleParity}, same(3, tb), 3, Stated{}, "3 spares of 3 drives"},
		{Layout{Kind: SingleParity}, same(3, tb), -1, Stated{}, "-1 spares"},
		{Layout{Kind: SingleParity}, same(3, tb), 1, Stated{}, "needs at least 3 drives besides the spares, and there are 2"},
		{Layout{Kind: Mirrored, Copies: 2}, same(4, tb), 0, Stated{}, "for more drives choose striped mirrors"},
		{Layout{Kind: Mirrored, Copies: 1}, same(4, tb), 0, Stated{}, "cannot have 1 copies"},
		{Layout{Kind: StripedMirrors}, same(5, tb), 0, Stated{}, "5 drives do not divide into sets of 2 copies; keep 1 more"},
		{Layout{Kind: SingleParityGroups}, same(9, tb), 0, Stated{}, "cannot have 0 groups"},
		{Layout{Kind: SingleParityGroups, Groups: 2}, same(9, tb), 0, Stated{}, "9 drives do not divide into 2 equal groups"},
		{Layout{Kind: DoubleParityGroups, Groups: -1}, same(9, tb), 0, Stated{}, "cannot have -1 groups"},
		{Layout{Kind: SingleParity, Groups: 2}, same(9, tb), 0, Stated{}, "takes no number of groups"},
		{Layout{Kind: SingleParity, Copies: 2}, same(9, tb), 0, Stated{}, "takes no number of copies"},
		{Layout{Kind: Striped}, same(3, 4e18), 0, Stated{}, "more than the 9.2 EB"},
		{Layout{Kind: Striped}, same(3, tb), 0, Stated{ReadErrors: 1}, "the rate of read errors is 1"},
		{Layout{Kind: Striped}, same(3, tb), 0, Stated{MTTF: -1}, "from 0 (unknown) to 1e12 hours"},
		{Layout{Kind: Striped}, same(3, tb), 0, Stated{RebuildRate: -1}, "is negative"},
		{Layout{Kind: SingleParity}, same(3, 30*tb), 0, Stated{RebuildRate: 1}, "rebuild time: 30 TB at 1 B a second take longer than 292 years"},
	}
	for _, tt := range tests {
		if _, err := Work(tt.layout, tt.drives, tt.spares, tt.stated); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v over %d: %v; want %q", tt.layout, len(tt.drives), err, tt.want)
		}
	}
	if _, err := Compare(same(4, tb), 0, Needs{Capacity: -1}); err == nil {
		t.Error("a negative need is taken")
	}
	if _, err := Compare(same(4, tb), 4, Needs{}); err == nil {
		t.Error("spares alone are taken")
	}
}

func TestParseKind(t *testing.T) {
	for text, want := range map[string]Kind{"Striped Mirrors": StripedMirrors, "single-parity": SingleParity, " double  parity-groups ": DoubleParityGroups} {
		if got, err := ParseKind(text); err != nil || got != want {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
	if _, err := ParseKind("parity"); err == nil || !strings.Contains(err.Error(), "write one of striped, mirrored,") {
		t.Errorf("unknown: %v", err)
	}
}

// BenchmarkCompare compares every layout over a large set of drives.
func BenchmarkCompare(b *testing.B) {
	drives := same(720, 16*tb)
	needs := Needs{Stated: Stated{RebuildRate: 2e8, VerifyRate: 2e8, ReadErrors: 1e-15, MTTF: 2e6}, Capacity: 1000 * tb}
	options := 0
	for b.Loop() {
		o, err := Compare(drives, 0, needs)
		if err != nil {
			b.Fatal(err)
		}
		options = len(o)
	}
	b.ReportMetric(float64(options), "layouts")
}
