package script

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestCompareMasks holds dotted masks against the table of RFC 4632 3.1.
func TestCompareMasks(t *testing.T) {
	masks := strings.Fields(`0.0.0.0 128.0.0.0 192.0.0.0 224.0.0.0 240.0.0.0 248.0.0.0 252.0.0.0 254.0.0.0
		255.0.0.0 255.128.0.0 255.192.0.0 255.224.0.0 255.240.0.0 255.248.0.0 255.252.0.0 255.254.0.0
		255.255.0.0 255.255.128.0 255.255.192.0 255.255.224.0 255.255.240.0 255.255.248.0 255.255.252.0 255.255.254.0
		255.255.255.0 255.255.255.128 255.255.255.192 255.255.255.224 255.255.255.240 255.255.255.248 255.255.255.252 255.255.255.254
		255.255.255.255`)
	if len(masks) != 33 {
		t.Fatalf("%d masks in the table", len(masks))
	}
	for length, mask := range masks {
		for other := range masks {
			for _, form := range []string{"%d", "/%d"} {
				want := fmt.Sprintf(form, other)
				equal, err := Compare(AsMask, mask, want)
				if err != nil || equal != (length == other) {
					t.Errorf("%s against %s: %v, %v", mask, want, equal, err)
				}
			}
		}
	}
}

// compareTables: each pair with what the named source makes of it.
var compareTables = []struct {
	source    string
	kind      ValueKind
	got, want string
	equal     bool
}{
	{"RFC 5952 4.1", AsAddress, "2001:0db8::0001", "2001:db8::1", true},
	{"RFC 5952 4.2.1", AsAddress, "2001:db8:0:0:0:0:2:1", "2001:db8::2:1", true},
	{"RFC 5952 4.2.1", AsAddress, "2001:db8::0:1", "2001:db8::1", true},
	{"RFC 5952 4.2.2", AsAddress, "2001:db8::1:1:1:1:1", "2001:db8:0:1:1:1:1:1", true},
	{"RFC 5952 4.2.3", AsAddress, "2001:0:0:1:0:0:0:1", "2001:0:0:1::1", true},
	{"RFC 5952 4.2.3", AsAddress, "2001:db8:0:0:1:0:0:1", "2001:db8::1:0:0:1", true},
	{"RFC 5952 4.3", AsAddress, "2001:db8::AAAA", "2001:db8::aaaa", true},
	{"RFC 5952 5", AsAddress, "0:0:0:0:0:ffff:192.0.2.1", "::ffff:192.0.2.1", true},
	{"RFC 4291 2.2", AsAddress, "2001:DB8:0:0:8:800:200C:417A", "2001:db8::8:800:200c:417a", true},
	{"RFC 4291 2.2", AsAddress, "FF01:0:0:0:0:0:0:101", "ff01::101", true},
	{"RFC 4291 2.5.5.2", AsAddress, "::FFFF:192.0.2.7", "192.0.2.7", true},
	{"RFC 4291 2.5.5.1", AsAddress, "::192.0.2.7", "192.0.2.7", false}, // the other, deprecated form is no mapping
	{"by value", AsAddress, " 192.0.2.7\r\n", "192.0.2.7", true},
	{"by value", AsAddress, "192.0.2.70", "192.0.2.7", false},
	{"RFC 1878 hexadecimal", AsMask, "0xFFFFF000", "/20", true},
	{"RFC 4291 2.3", AsMask, "60", "/60", true},
	{"RFC 1035 2.3.1", AsName, "Shelf-1.Example.NET", "shelf-1.example.net", true},
	{"RFC 1034 3.1", AsName, "shelf-1.example.net.", "shelf-1.example.net", true},
	{"RFC 1035 2.3.1", AsName, "shelf-1", "shelf-2", false},
	{"arithmetic", AsNumber, "9000", "9000.0", true},
	{"arithmetic", AsNumber, "007", "7", true},
	{"arithmetic", AsNumber, "10000000000000000000001", "10000000000000000000000", false},
	{"by character", AsText, "Port e0 ", "Port e0", true},
	{"by character", AsText, "Port E0", "Port e0", false},
	{"set algebra", AsNames, "deep-2, Deep-1", "deep-1 deep-2", true},
	{"set algebra", AsNames, "deep-1; deep-2\n deep-1", "deep-1 deep-2", true},
	{"RFC 1034 3.1", AsNames, "deep-1.example.net.", "DEEP-1.example.net", true},
	{"set algebra", AsNames, "deep-1", "deep-1 deep-2", false},
	{"set algebra", AsNames, "deep-1 deep-2 deep-3", "deep-1 deep-2", false},
	{"set algebra", AsNames, "deep-1deep-2", "deep-1 deep-2", false},
	// IEC 80000-13, table of TB and TiB.
	{"IEC 80000-13", AsSize, "0.909495 TiB", "1 TB", true},
	{"IEC 80000-13", AsSize, "3.637979 TiB", "4 TB", true},
	{"IEC 80000-13", AsSize, "7.275958 TiB", "8 TB", true},
	{"IEC 80000-13", AsSize, "14.551915 TiB", "16 TB", true},
	{"IEC 80000-13", AsSize, "14.55 TiB", "16 TB", true},
	{"IEC 80000-13", AsSize, "14.5TiB", "16 TB", true}, // cut off, not rounded
	{"IEC 80000-13", AsSize, "14.6 TiB", "16 TB", true},
	{"IEC 80000-13", AsSize, "21.827873 TiB", "24 TB", true},
	{"IEC 80000-13", AsSize, "16 TiB", "16 TB", false},
	{"IEC 80000-13", AsSize, "1,099,511,627,776 bytes", "1 TiB", true},
	{"IEC 80000-13", AsSize, "1024 MiB", "1 GiB", true},
	{"IEC 80000-13", AsSize, "1000 MB", "1 GB", true},
	// IDEMA LBA1-03: what a drive of the size holds.
	{"IDEMA LBA1-03", AsSize, "1000204886016", "1 TB", true},
	{"IDEMA LBA1-03", AsSize, "4000787030016 B", "4 TB", true},
	{"by value", AsSize, "960 GB", "1 TB", false},
	{"by value", AsSize, "15 TB", "16 TB", false},
	{"by value", AsSize, "15.36 TB", "16 TB", false},
	{"by value", AsSize, "12 TB", "14 TB", false},
}

func TestCompareTables(t *testing.T) {
	for _, tt := range compareTables {
		equal, err := Compare(tt.kind, tt.got, tt.want)
		if err != nil || equal != tt.equal {
			t.Errorf("%s: %s %q against %q: %v, %v", tt.source, tt.kind, tt.got, tt.want, equal, err)
		}
	}
}

func TestCompareRefuses(t *testing.T) {
	for _, tt := range []struct {
		kind      ValueKind
		got, want string
		err       string
	}{
		{AsAddress, "192.0.2.010", "192.0.2.10", `what the unit printed, "192.0.2.010", is not an address: IPv4 field has octet with leading zero`},
		{AsAddress, "192.0.2.10", "192.0.2.300", `the planned value "192.0.2.300" is not an address: IPv4 field has value >255`},
		{AsAddress, "192.0.2.10/24", "192.0.2.10", `what the unit printed, "192.0.2.10/24", is not an address: unexpected character (at "/24")`},
		{AsMask, "255.0.255.0", "24", `what the unit printed, "255.0.255.0", is not a mask: its ones are not all on the left`},
		{AsMask, "129", "24", `what the unit printed, "129", is not a prefix length from 0 to 128`},
		{AsMask, "024", "24", `what the unit printed, "024", is not a prefix length from 0 to 128`},
		{AsMask, "0.0.0.255", "24", `what the unit printed, "0.0.0.255", is not a mask: its ones are not all on the left`},
		{AsNumber, "1e999999999", "1", `what the unit printed, "1e999999999", is not a decimal number`},
		{AsSize, "16 T", "16 TB", `what the unit printed, "16 T", has the unit "T": write B, kB, MB, GB, TB, PB or KiB, MiB, GiB, TiB, PiB`},
		{AsSize, "14,55 TiB", "16 TB", `what the unit printed, "14,55 TiB", is not a size such as 16 TB or 14.55 TiB`},
		{"colour", "a", "a", `no kind of value is called "colour"`},
	} {
		_, err := Compare(tt.kind, tt.got, tt.want)
		if err == nil || err.Error() != tt.err {
			t.Errorf("%s %q against %q:\n got %v\nwant %s", tt.kind, tt.got, tt.want, err, tt.err)
		}
	}
}

// TestComparePrinted prints a number of bytes with every precision that a
// unit may use, rounded by the standard library, and must find it again.
func TestComparePrinted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bytes := rapid.Int64Range(1<<30, 1<<50).Draw(t, "bytes")
		places := rapid.IntRange(0, 6).Draw(t, "places")
		printed := strconv.FormatFloat(float64(bytes)/(1<<30), 'f', places, 64) + " GiB"
		equal, err := Compare(AsSize, printed, strconv.FormatInt(bytes, 10))
		if err != nil || !equal {
			t.Fatalf("%s is not %d bytes: %v", printed, bytes, err)
		}
	})
}
