package disk_test

import (
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"linehand/script"
	"linehand/script/plan/disk"
)

func TestParseSize(t *testing.T) {
	tests := map[string]disk.Size{
		"16 TB": 16e12, "14.55 TiB": 15997894184141, "512GiB": 549755813888, "512 gib": 549755813888,
		"1,000,204,886,016": 1000204886016, "1000204886016 bytes": 1000204886016, "0": 0, "1.5 kB": 1500,
		"9223372036854775807": 9223372036854775807, " 3 PB\r\n": 3e15, "0.5 B": 1,
	}
	for text, want := range tests {
		if got, err := disk.ParseSize(text); err != nil || got != want {
			t.Errorf("%q: %d, %v; want %d", text, int64(got), err, int64(want))
		}
	}
	for text, want := range map[string]string{
		"": "is not a size", "TB": "is not a size", "-1 TB": "is not a size", "1,5 TB": "is not a size", "1e3 TB": "is not a size",
		"16 T": `has the unit "T"`, "16 Tb ps": "is not a size", "16 XB": `has the unit "XB"`, "9223372036854775808": "9.2 EB",
	} {
		if _, err := disk.ParseSize(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", text, err, want)
		}
	}
}

func TestSizeText(t *testing.T) {
	tests := []struct {
		size            disk.Size
		places          int
		decimal, binary string
	}{
		{0, 2, "0 B", "0 B"}, {999, 2, "999 B", "999 B"}, {1000, 2, "1 kB", "1000 B"}, {1024, 3, "1.024 kB", "1 KiB"},
		{999_995, 2, "1 MB", "976.56 KiB"}, {999_994, 2, "999.99 kB", "976.56 KiB"},
		{1<<40 - 1, 2, "1.1 TB", "1 TiB"}, {120e12, 4, "120 TB", "109.1394 TiB"}, {-1500, 1, "-1.5 kB", "-1.5 KiB"},
		{9223372036854775807, 3, "9.223 EB", "8 EiB"}, {1536, 0, "2 kB", "2 KiB"},
	}
	for _, tt := range tests {
		if d, b := tt.size.Decimal(tt.places), tt.size.Binary(tt.places); d != tt.decimal || b != tt.binary {
			t.Errorf("%d: %q and %q, want %q and %q", int64(tt.size), d, b, tt.decimal, tt.binary)
		}
	}
	if got := disk.Size(120e12).String(); got != "120 TB (109.14 TiB)" {
		t.Errorf("both: %q", got)
	}
}

var sizeUnits = []string{"", "B", "b", "bytes", "byte", "kB", "KB", "MB", "GB", "TB", "PB", "KiB", "MiB", "GiB", "TiB", "PiB", "tib",
	"T", "K", "kb/s", "iB", "XB", "TiBs", "EB", "ZB", "YiB"}

// TestSizeAsCompared: what a plan reads as a size, the comparison of a
// read-back reads as the same size, and the other way round.
func TestSizeAsCompared(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.StringMatching(`[0-9]{1,6}(,[0-9]{3}){0,2}(\.[0-9]{1,4})?|[0-9,.]{1,5}`).Draw(t, "number")
		text := number + rapid.SampledFrom([]string{"", " ", "  ", "\t"}).Draw(t, "gap") + rapid.SampledFrom(sizeUnits).Draw(t, "unit")
		agree(t, text)
	})
}

func agree(t interface{ Fatalf(string, ...any) }, text string) {
	size, err := disk.ParseSize(text)
	equal, compareErr := script.Compare(script.AsSize, text, text)
	if err != nil && strings.Contains(err.Error(), "9.2 EB") {
		return
	}
	if (err == nil) != (compareErr == nil) {
		t.Fatalf("%q: %v here, %v in the comparison", text, err, compareErr)
	}
	if err != nil {
		return
	}
	if !equal {
		t.Fatalf("%q is not itself", text)
	}
	if strings.Contains(text, ".") {
		return // to the nearest byte here, exact there
	}
	if same, err := script.Compare(script.AsSize, fmt.Sprintf("%d B", int64(size)), text); err != nil || !same {
		t.Fatalf("%q is %d bytes here, another number in the comparison (%v)", text, int64(size), err)
	}
}

// FuzzParseSize: no text upsets it, what it takes is what the comparison
// takes, and what is printed in full reads back as the same size.
func FuzzParseSize(f *testing.F) {
	for _, seed := range []string{"16 TB", "14.55 TiB", "512GiB", "1,000,204,886,016", "16 T", "9 EB", "1.5", "0.000000001 kB", "\x00"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		agree(t, text)
		size, err := disk.ParseSize(text)
		if err != nil {
			return
		}
		for _, printed := range []string{size.Decimal(18), new(big.Int).SetInt64(int64(size)).String()} {
			if len(printed) > 12 && strings.Contains(printed, ".") {
				continue // more places than are read
			}
			if again, err := disk.ParseSize(printed); err != nil || again != size {
				t.Fatalf("%q -> %q -> %d, %v; want %d", text, printed, int64(again), err, int64(size))
			}
		}
	})
}
