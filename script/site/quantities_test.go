package site

import (
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// IEC 80000-13: decimal prefixes are powers of 1000, binary ones of 1024.
func TestSizes(t *testing.T) {
	for text, want := range map[string]int64{"20 TB": 20e12, "18.19 TiB": 20000116509245, "1 kB": 1000, "1 KiB": 1024, "0.5 PB": 5e14, "1 PiB": 1 << 50} {
		if got, ok := sizeOf(text); !ok || got != want {
			t.Errorf("%s: %d, want %d", text, got, want)
		}
	}
	for _, text := range []string{"20 T", "20TB", "20 tb", "20", "-1 TB", "1e3 TB", "0 TB", "20  TB", "20 KB", "999999999 PiB", ""} {
		if what, _ := checkSize(text); what == "" {
			t.Errorf("%q is taken", text)
		}
	}
}

func TestLetters(t *testing.T) {
	for _, tt := range []struct{ letters, yes, no string }{
		{"a-z0-9-", "az09-", "AZ_ é"},
		{"-a-c", "-abc", "d"},
		{"!-~", "!~aZ9-", " é\u007f"},
		{"äöü", "äöü", "aou"},
		{"a-", "a-", "b"},
	} {
		l := Letters{Text{Value: tt.letters}, lettersOf(tt.letters)}
		for _, r := range tt.yes {
			if !l.Allow(r) {
				t.Errorf("%s refuses %q", tt.letters, r)
			}
		}
		for _, r := range tt.no {
			if l.Allow(r) {
				t.Errorf("%s takes %q", tt.letters, r)
			}
		}
	}
	if !(Letters{}).Allow('\u00e9') {
		t.Error("what says nothing refuses")
	}
}

func TestLengths(t *testing.T) {
	for text, want := range map[string][2]int{"15": {1, 15}, "8-32": {8, 32}, "7-7": {7, 7}} {
		least, most := lengthOf(text)
		if what, _ := checkLength(text); what != "" || least != want[0] || most != want[1] {
			t.Errorf("%s: %d to %d, %s", text, least, most, what)
		}
	}
	for _, text := range []string{"0", "32-8", "8-", "-8", "08", "1-2-3", "8 - 32", "10000"} {
		if what, _ := checkLength(text); what == "" {
			t.Errorf("%q is taken", text)
		}
	}
}

func TestRanges(t *testing.T) {
	for text, want := range map[string][2]string{
		"192.0.2.1-192.0.2.19": {"192.0.2.1", "192.0.2.19"}, "192.0.2.7": {"192.0.2.7", "192.0.2.7"}, "192.0.2.240/28": {"192.0.2.240", "192.0.2.255"},
		"2001:db8::2 - 2001:db8::ff": {"2001:db8::2", "2001:db8::ff"}, "2001:db8::/127": {"2001:db8::", "2001:db8::1"},
	} {
		first, last, ok := rangeOf(text)
		if !ok || first != netip.MustParseAddr(want[0]) || last != netip.MustParseAddr(want[1]) {
			t.Errorf("%s: %s to %s, %v", text, first, last, ok)
		}
	}
	for _, text := range []string{"192.0.2.9-192.0.2.1", "192.0.2.1-19", "192.0.2.1/28", "192.0.2.1-2001:db8::1", "x", "", "192.0.2.1-192.0.2.2-192.0.2.3"} {
		if what, mend := checkRange(text); what == "" || mend == "" {
			t.Errorf("%q is taken", text)
		}
	}
}

// The layers lie over one another in the new parts as in the old ones.
func TestFactsAreLaidTogether(t *testing.T) {
	dir := write(t, map[string]string{
		"company.yaml": "format: linehand.site/1\nkinds:\n  shelf:\n    dialogue: none\n    weight-kg: 24\n    supplies: 2\n    drives: {count: 24, size: 20 TB, weight-kg: 0.7}\n    times: {boot: 5m}\n    limits: {name: {length: 15}}\n",
		"site.yaml": "format: linehand.site/1\ndefaults: company.yaml\nsite: {name: a}\nkinds:\n  shelf:\n    drives: {size: 18 TB}\n    times: {waiting: 90s}\n    limits: {name: {letters: a-z}}\n" +
			"units:\n  - {name: u, kind: shelf, cords: {2: right, 1: left}, place: {rack: r, at: 3}}\n",
		"late.yaml": "format: linehand.site/1\nunits:\n  - {name: u, cords: {2: other/L1-L2}, place: {side: rear}}\n",
	})
	s, err := Load(filepath.Join(dir, "site.yaml"), filepath.Join(dir, "late.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	k, u := s.Kinds[0], s.Units[0]
	if k.Drives.Count.Value != 24 || k.Drives.Size.Bytes != 18e12 || k.Drives.WeightKg.Value != 0.7 || k.WeightKg.Value != 24 || k.Times.Boot.Value != 5*time.Minute || k.Times.Waiting.Value != 90*time.Second {
		t.Errorf("%+v", k.Facts)
	}
	if l := k.Limits.Name; l.Least != 1 || l.Most != 15 || l.Letters.Allow('A') || !l.Letters.Allow('a') || filepath.Base(l.Length.File) != "company.yaml" {
		t.Errorf("%+v", l)
	}
	if u.Place.Rack.Value != "r" || u.Place.At.Value != 3 || u.Place.Side.Value != "rear" || k.DialoguePath != "" {
		t.Errorf("%+v", u.Place)
	}
	if len(u.Cords) != 2 || u.Cords[0].To.Value != "left" || u.Cords[1].To.Value != "other" || u.Cords[1].Pair != "L1-L2" || filepath.Base(u.Cords[1].To.Pos.File) != "late.yaml" {
		t.Errorf("%+v", u.Cords)
	}
}

// TestLockRoundTrip: what is written reads back the same, whatever the names.
func TestLockRoundTrip(t *testing.T) {
	dir := t.TempDir()
	profile := filepath.Join(dir, "a.yaml")
	if err := writeText(profile, "format: linehand.site/1\nsite: {name: a}\nkinds: {k: {dialogue: none}}\nunits: [{name: u, kind: k}]\n"); err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(r *rapid.T) {
		k := Lock{File: LockPath(profile)}
		name := rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9_/:-]{0,8}|null|true|'x|0x1`)
		for _, unit := range rapid.SliceOfNDistinct(name, 0, 3, rapid.ID).Draw(r, "units") {
			e := Locked{Unit: unit, Port: rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9_/:-]{0,8}`).Draw(r, "port"), Address: Text{Value: "192.0.2.9"}}
			if rapid.Bool().Draw(r, "six") {
				e.Address6.Value = "2001:db8::"
			}
			k.Entries = append(k.Entries, e)
		}
		if rapid.Bool().Draw(r, "cluster") {
			k.Entries = append(k.Entries, Locked{Cluster: "deep/1", Address: Text{Value: "192.0.2.10"}})
		}
		if err := k.Write(); err != nil {
			r.Fatal(err)
		}
		s, err := Load(profile)
		if err != nil {
			r.Fatalf("%v\n%s", err, k.Bytes())
		}
		if !s.Lock.Same(k) {
			r.Fatalf("wrote\n%s\nread %+v", k.Bytes(), s.Lock.Entries)
		}
	})
	left, err := filepath.Glob(filepath.Join(dir, ".lock-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if info, err := os.Stat(LockPath(profile)); err != nil || !strings.HasSuffix(info.Name(), "a.lock.yaml") {
		t.Errorf("%v", err)
	}
}

// FuzzLock: whatever stands in a lock file, reading ends, and a fault has its
// place in it and a way to mend it.
func FuzzLock(f *testing.F) {
	for _, s := range []string{"", "format: linehand.lock/1\nunits: {u: {e0: {address: 192.0.2.9}}}\n", "format: linehand.lock/1\nunits: [u]\n", "format: linehand.lock/2\n", "[", "format: linehand.lock/1\nclusters: {c: {address: x, more: y}}\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		l := loader{read: func(string) ([]byte, error) { return data, nil }}
		k := l.lock("a.lock.yaml")
		for _, e := range l.errs {
			if e.Pos.File != "a.lock.yaml" || e.Pos.Line < 1 || e.What == "" || e.Mend == "" {
				t.Fatalf("%+v", e)
			}
		}
		if len(l.errs) > 0 {
			return
		}
		for _, e := range k.Entries {
			for _, a := range []Text{e.Address, e.Address6} {
				if _, err := ParseAddress(a.Value); a.Value != "" && err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
