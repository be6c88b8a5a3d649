package disk

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

const tb = Size(1e12)

func same(n int, each Size) []Size { return slices.Repeat([]Size{each}, n) }

// TestCapacityRules: rules of usable capacity, least number of drives and
// failures survived, as the systems' manuals give them.
func TestCapacityRules(t *testing.T) {
	tests := []struct {
		source string
		layout Layout
		n      int
		usable int // drives' worth
		lives  int
		atBest int
	}{
		{"level 0: md(4), mkfs.btrfs(8)", Layout{Kind: Striped}, 5, 5, 0, 0},
		{"level 1: md(4), lvmraid(7)", Layout{Kind: Mirrored}, 2, 1, 1, 1},
		{"level 1, n ways: md(4), lvmraid(7)", Layout{Kind: Mirrored}, 4, 1, 3, 3},
		{"mkfs.btrfs(8) raid1: n s / 2", Layout{Kind: StripedMirrors, Copies: 2}, 6, 3, 1, 3},
		{"mkfs.btrfs(8) raid1c3: n s / 3", Layout{Kind: StripedMirrors, Copies: 3}, 6, 2, 2, 4},
		{"mkfs.btrfs(8) raid1c4: n s / 4", Layout{Kind: StripedMirrors, Copies: 4}, 8, 2, 3, 6},
		{"level 10: md(4), lvmraid(7): n s / c", Layout{Kind: StripedMirrors}, 4, 2, 1, 2},
		{"levels 4, 5: md(4), lvmraid(7): (n-1) s", Layout{Kind: SingleParity}, 3, 2, 1, 1},
		{"levels 4, 5: md(4), lvmraid(7): (n-1) s", Layout{Kind: SingleParity}, 9, 8, 1, 1},
		{"level 6: md(4): N+2 drives hold N", Layout{Kind: DoubleParity}, 10, 8, 2, 2},
		{"level 50: from memory, follows from 5: (n-g) s", Layout{Kind: SingleParityGroups, Groups: 2}, 6, 4, 1, 2},
		{"level 60: from memory, follows from 6: (n-2g) s", Layout{Kind: DoubleParityGroups, Groups: 2}, 8, 4, 2, 4},
		{"level 60: from memory, follows from 6: (n-2g) s", Layout{Kind: DoubleParityGroups, Groups: 3}, 24, 18, 2, 6},
	}
	for _, tt := range tests {
		f, err := Work(tt.layout, same(tt.n, tb), 0, Stated{})
		if err != nil {
			t.Errorf("%s: %v", tt.source, err)
			continue
		}
		if f.Usable != Size(tt.usable)*tb || f.Certain != tt.lives || f.AtBest != tt.atBest {
			t.Errorf("%s, %d drives: %s, survives %d to %d; want %d TB, %d to %d",
				tt.source, tt.n, f.Usable, f.Certain, f.AtBest, tt.usable, tt.lives, tt.atBest)
		}
	}
}

// TestMinimumDrives: the least number of drives, each a source's; where
// sources differ the test names the one that is followed.
func TestMinimumDrives(t *testing.T) {
	tests := []struct {
		source string
		layout Layout
		least  int
	}{
		{"md(4); btrfs allows 1", Layout{Kind: Striped}, 2},
		{"md(4), lvmraid(7)", Layout{Kind: Mirrored}, 2},
		{"mkfs.btrfs(8) raid1c3", Layout{Kind: Mirrored, Copies: 3}, 3},
		{"mkfs.btrfs(8) raid1c4", Layout{Kind: Mirrored, Copies: 4}, 4},
		{"lvmraid(7); md and btrfs allow 2", Layout{Kind: StripedMirrors, Copies: 2}, 4},
		{"md(4), lvmraid(7); btrfs allows 2", Layout{Kind: SingleParity}, 3},
		{"common practice, no source; lvm says 5, btrfs 3", Layout{Kind: DoubleParity}, 4},
		{"level 50, from memory", Layout{Kind: SingleParityGroups, Groups: 2}, 6},
		{"level 60, from memory", Layout{Kind: DoubleParityGroups, Groups: 2}, 8},
	}
	for _, tt := range tests {
		least, source := tt.layout.Minimum()
		if least != tt.least || source == "" {
			t.Errorf("%s: %s needs %d (%q), want %d", tt.source, tt.layout, least, source, tt.least)
		}
		if _, err := Work(tt.layout, same(tt.least, tb), 0, Stated{}); err != nil {
			t.Errorf("%s: the least number is refused: %v", tt.source, err)
		}
		if _, err := Work(tt.layout, same(tt.least-1, tb), 0, Stated{}); err == nil {
			t.Errorf("%s: one drive less is taken", tt.source)
		}
	}
}

// TestCapacityChecks: worked capacities, recomputed with an independent tool.
// That spares come off first is from memory; that they add no capacity is
// mdadm(8).
func TestCapacityChecks(t *testing.T) {
	tests := []struct {
		layout    Layout
		n, spares int
		each      Size
		usable    Size
		binary    string
	}{
		{Layout{Kind: Striped}, 4, 0, 4 * tb, 16 * tb, "14.5519 TiB"},
		{Layout{Kind: StripedMirrors}, 4, 0, 4 * tb, 8 * tb, "7.276 TiB"},
		{Layout{Kind: SingleParity}, 4, 0, 4 * tb, 12 * tb, "10.9139 TiB"},
		{Layout{Kind: DoubleParity}, 4, 0, 4 * tb, 8 * tb, "7.276 TiB"},
		{Layout{Kind: SingleParity}, 12, 1, 12 * tb, 120 * tb, "109.1394 TiB"},
		{Layout{Kind: DoubleParity}, 12, 1, 12 * tb, 108 * tb, "98.2254 TiB"},
		{Layout{Kind: StripedMirrors}, 12, 2, 12 * tb, 60 * tb, "54.5697 TiB"},
		{Layout{Kind: SingleParityGroups, Groups: 2}, 12, 0, 4 * tb, 40 * tb, "36.3798 TiB"},
		{Layout{Kind: DoubleParityGroups, Groups: 2}, 12, 0, 4 * tb, 32 * tb, "29.1038 TiB"},
		{Layout{Kind: SingleParityGroups, Groups: 2}, 24, 2, 8 * tb, 160 * tb, "145.5192 TiB"},
		{Layout{Kind: DoubleParityGroups, Groups: 3}, 24, 0, 8 * tb, 144 * tb, "130.9672 TiB"},
	}
	for _, tt := range tests {
		f, err := Work(tt.layout, same(tt.n, tt.each), tt.spares, Stated{})
		if err != nil {
			t.Errorf("%s over %d: %v", tt.layout, tt.n, err)
			continue
		}
		if f.Usable != tt.usable || f.Usable.Binary(4) != tt.binary || f.Raw != Size(tt.n)*tt.each {
			t.Errorf("%s over %d x %s, %d spares: %s = %s, raw %s; want %s = %s", tt.layout, tt.n, tt.each.Decimal(0), tt.spares,
				f.Usable.Decimal(4), f.Usable.Binary(4), f.Raw, tt.usable.Decimal(4), tt.binary)
		}
	}
}

// TestPrefixes: IEC 80000-13 and IEEE 1541 by units(7), recomputed with GNU
// units.
func TestPrefixes(t *testing.T) {
	binary := map[string]Size{
		"1 KiB": 1024, "1 MiB": 1048576, "1 GiB": 1073741824, "1 TiB": 1099511627776,
		"1 PiB": 1125899906842624, "1 EiB": 1152921504606846976,
	}
	ratios := map[string]float64{"k": 0.976562, "M": 0.953674, "G": 0.931323, "T": 0.909495, "P": 0.888178}
	for text, want := range binary {
		got, err := ParseSize(text)
		if err != nil || got != want || got.Binary(6) != text {
			t.Errorf("%s: %d, %v, printed %s", text, got, err, got.Binary(6))
		}
	}
	for letter, want := range ratios {
		decimal, _ := ParseSize("1 " + letter + "B")
		power, _ := ParseSize("1 " + strings.ToUpper(letter) + "iB")
		if ratio := float64(decimal) / float64(power); math.Abs(ratio-want) > 6e-7 { // printed cut off, not rounded
			t.Errorf("%s: %.7f, want %.6f", letter, ratio, want)
		}
	}
	for _, tooLarge := range []string{"1 ZiB", "1 YiB", "1 ZB", "1 YB", "8 EiB"} { // units known, more than 63 bits
		if _, err := ParseSize(tooLarge); err == nil || !strings.Contains(err.Error(), "9.2 EB") {
			t.Errorf("%s: %v", tooLarge, err)
		}
	}
}

// TestTerabytes: TB in TiB, recomputed with GNU units.
func TestTerabytes(t *testing.T) {
	table := map[int]string{
		1: "0.909495", 2: "1.818989", 4: "3.637979", 6: "5.456968", 8: "7.275958", 10: "9.094947", 12: "10.913936",
		14: "12.732926", 16: "14.551915", 18: "16.370905", 20: "18.189894", 24: "21.827873",
	}
	for n, want := range table {
		size := Size(n) * tb
		tib := float64(size) / (1 << 40)
		if got := strconv.FormatFloat(tib, 'f', 6, 64); got != want {
			t.Errorf("%d TB = %s TiB, want %s", n, got, want)
		}
		printed := strings.TrimRight(want, "0") + " TiB"
		if n == 1 { // below one TiB the next smaller unit is used
			printed = "931.322575 GiB"
		}
		if got := size.Binary(6); got != printed {
			t.Errorf("%d TB printed as %s, want %s", n, got, printed)
		}
	}
}

// TestStandardDrives: IDEMA LBA1-03 (the formula by several public sources).
func TestStandardDrives(t *testing.T) {
	sectors := map[int64]int64{
		500: 976773168, 1000: 1953525168, 2000: 3907029168, 4000: 7814037168, 8000: 15628053168, 12000: 23442069168,
	}
	for gb, want := range sectors {
		got, err := StandardSectors(gb, 512)
		if err != nil || got != want {
			t.Errorf("%d GB: %d sectors, %v; want %d", gb, got, err, want)
		}
		if large, err := StandardSectors(gb, 4096); err != nil || large*8 != want {
			t.Errorf("%d GB: %d large sectors, %v", gb, large, err)
		}
	}
	sizes := map[int64]Size{1000: 1000204886016, 4000: 4000787030016}
	for gb, want := range sizes {
		if got, err := StandardSize(gb); err != nil || got != want {
			t.Errorf("%d GB: %d, %v; want %d", gb, int64(got), err, int64(want))
		}
	}
	for _, bad := range []struct {
		gb     int64
		sector int
	}{{49, 512}, {0, 4096}, {1000, 520}, {math.MaxInt64, 512}} {
		if _, err := StandardSectors(bad.gb, bad.sector); err == nil {
			t.Errorf("%d GB in sectors of %d is taken", bad.gb, bad.sector)
		}
	}
}

// TestUnreadable: 1 - (1-r)^bits. Rows of 3 and 6 TB are a published question
// thread's, recomputed; those of 12 and 12.5 TB are recomputed only.
func TestUnreadable(t *testing.T) {
	tests := []struct {
		read    Size
		rate    float64
		percent string
	}{
		{3 * tb, 1e-14, "21.337"}, {3 * tb, 1e-15, "2.371"},
		{6 * tb, 1e-14, "38.122"}, {6 * tb, 1e-15, "4.687"},
		{12 * tb, 1e-14, "61.711"}, {12 * tb, 1e-15, "9.154"},
		{12*tb + tb/2, 1e-14, "63.212"}, // 1e14 bits: 1 - 1/e
	}
	for _, tt := range tests {
		if got := fmt.Sprintf("%.3f", 100*Unreadable(tt.read, tt.rate)); got != tt.percent {
			t.Errorf("%s at %g: %s %%, want %s", tt.read.Decimal(1), tt.rate, got, tt.percent)
		}
	}
	if got := Unreadable(12*tb+tb/2, 1e-14); math.Abs(got-(1-1/math.E)) > 1e-12 {
		t.Errorf("1e14 bits: %.15f, want 1 - 1/e", got)
	}
	// The naive power has lost the rate altogether: 1 - 1e-17 is 1.
	if got := Unreadable(tb, 1e-17); math.Abs(got-8e-5) > 1e-8 {
		t.Errorf("1 TB at 1e-17: %g, want about 8e-5", got)
	}
}

// TestRebuildReads: what a rebuild reads, by the same published thread.
func TestRebuildReads(t *testing.T) {
	tests := []struct {
		layout Layout
		n      int
		each   Size
		reads  Size
	}{
		{Layout{Kind: SingleParity}, 3, 3 * tb, 6 * tb},
		{Layout{Kind: SingleParity}, 4, 2 * tb, 6 * tb},
		{Layout{Kind: StripedMirrors}, 8, 3 * tb, 3 * tb}, // one partner only
	}
	for _, tt := range tests {
		f, err := Work(tt.layout, same(tt.n, tt.each), 0, Stated{ReadErrors: 1e-14})
		if err != nil || len(f.Rebuilds) != 1 {
			t.Fatalf("%s: %v, %v", tt.layout, f.Rebuilds, err)
		}
		if r := f.Rebuilds[0]; r.Reads != tt.reads || r.Covered || r.Unreadable != Unreadable(tt.reads, 1e-14) {
			t.Errorf("%s over %d: %+v, want %s read", tt.layout, tt.n, r, tt.reads)
		}
	}
}

// TestRebuildTime: size / rate, recomputed.
func TestRebuildTime(t *testing.T) {
	tests := []struct {
		size, rate Size
		hours      string
	}{
		{4 * tb, 100e6, "11.11"}, {8 * tb, 150e6, "14.81"}, {12 * tb, 200e6, "16.67"}, {20 * tb, 250e6, "22.22"},
	}
	for _, tt := range tests {
		f, err := Work(Layout{Kind: DoubleParity}, same(6, tt.size), 0, Stated{RebuildRate: tt.rate, VerifyRate: 2 * tt.rate})
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprintf("%.2f", f.Rebuild.Hours()); got != tt.hours {
			t.Errorf("%s at %s/s: %s h, want %s", tt.size, tt.rate, got, tt.hours)
		}
		if f.Verify != (f.Rebuild+1)/2 {
			t.Errorf("verify at twice the rate takes %s, a rebuild %s", f.Verify, f.Rebuild)
		}
	}
	if got, err := Transfer(1, 3); err != nil || got != 333333334*time.Nanosecond {
		t.Errorf("a third of a second rounds up to %d, %v", got, err)
	}
}
