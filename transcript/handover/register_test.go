package handover

import (
	"bytes"
	"encoding/csv"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// hostile are texts that a unit might print to break out of a document.
var hostile = rapid.OneOf(
	rapid.String(),
	rapid.SampledFrom([]string{
		"=1+1", "+1", "-1", "@x", " =1", "\u00a0=1", "＝1", "\t=1", "\r=1", "|calc", "%x", "a\",b", "a\r\n=1+1", "\x1b]0;x\a", "</td><script>alert(1)</script>", "\u202e=1", "../../x", "CON",
	}),
)

// No cell is taken for a formula (common practice, no source), and every row
// has the same cells again when it is read as RFC 4180 has it.
func TestCSVProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := func(label string) string { return hostile.Draw(t, label) }
		doc := Document{Units: []Installed{{Unit: Unit{Name: text("name"), Title: text("title"), Serial: text("serial")}, SerialRead: text("read"), State: text("state"),
			Facts: []Fact{{"firmware", text("fact")}}, Values: []Value{{Name: text("value"), Entered: text("entered"), ReadBack: text("back")}}}}}
		for _, write := range []func(*bytes.Buffer) error{
			func(b *bytes.Buffer) error { return doc.WriteUnits(b) }, func(b *bytes.Buffer) error { return doc.WriteBuilt(b) },
		} {
			var b bytes.Buffer
			if err := write(&b); err != nil {
				t.Fatal(err)
			}
			if lines := strings.Count(b.String(), "\n"); lines != 2 || strings.Count(b.String(), "\r\n") != lines {
				t.Fatalf("%d line ends in %q: RFC 4180 2 wants CR LF behind each of two rows", lines, b.String())
			}
			rows, err := csv.NewReader(&b).ReadAll() // as many cells in each row, or an error
			if err != nil {
				t.Fatal(err)
			}
			for _, cell := range rows[1] {
				if trimmed := strings.TrimSpace(cell); trimmed != "" && strings.ContainsAny(trimmed[:1], "=+-@|%") || strings.HasPrefix(trimmed, "＝") {
					t.Fatalf("a worksheet program could take %q for a formula", cell)
				}
			}
		}
	})
}

func TestCell(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "deep-1": "deep-1", "192.0.2.1": "192.0.2.1", "=cmd|' /C calc'!A0": "'=cmd|' /C calc'!A0", "-12": "'-12", " =1": "' =1", "a=1": "a=1", "\t=1": "' =1",
	} {
		if got := cell(in); got != want {
			t.Errorf("cell(%q) = %q, want %q", in, got, want)
		}
	}
}

var slugForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

func TestSlugProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := hostile.Draw(t, "name")
		if got := Slug(name); !slugForm.MatchString(got) {
			t.Fatalf("Slug(%q) = %q", name, got)
		}
	})
}

func TestManifest(t *testing.T) {
	var m Manifest
	m.Add("b/two", []byte("abc"))
	m.Add("a", nil)
	// Digests of "" and "abc": FIPS 180-4 (examples of NIST).
	want := "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  a\n" +
		"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  b/two\n"
	if diff := cmp.Diff(want, string(m.Bytes())); diff != "" {
		t.Error(diff)
	}
	got, err := ReadManifest(m.Bytes())
	must(t, err)
	if diff := cmp.Diff(Manifest{m[1], m[0]}, got); diff != "" {
		t.Error(diff)
	}
	sum := want[:64]
	for _, bad := range []string{
		"", "\n", sum, sum + "  a", sum + " a\n", sum + "  /a\n", sum + "  ../a\n", sum + "  a/../b\n", sum + "  a\\b\n", strings.ToUpper(sum) + "  a\n",
		sum + "  b\n" + sum + "  a\n", sum + "  a\n" + sum + "  a\n", sum + "  " + ManifestFile + "\n", sum[1:] + "  a\n", want + "x", sum + "  a\r\n",
	} {
		if _, err := ReadManifest([]byte(bad)); err == nil {
			t.Errorf("%q is read as a manifest", bad)
		}
	}
}

func TestCompare(t *testing.T) {
	listed := Manifest{{"a", "1"}, {"b", "2"}, {"c", "3"}}
	got := listed.Compare(Manifest{{"a", "1"}, {"b", "x"}, {"d", "4"}})
	var files []string
	for _, f := range got {
		files = append(files, f.File+": "+f.What)
	}
	want := []string{"b: the file was altered: its digest is another", "c: the file is missing", "d: the file is not in the manifest: it was added later"}
	if diff := cmp.Diff(want, files); diff != "" {
		t.Error(diff)
	}
	if got := listed.Compare(listed); len(got) != 0 {
		t.Errorf("the same files differ: %v", got)
	}
}

// What is read as a manifest is written again byte for byte.
func FuzzReadManifest(f *testing.F) {
	sum := strings.Repeat("0a", 32)
	f.Add([]byte(sum + "  a\n"))
	f.Add([]byte(sum + "  a/b\n" + sum + "  c\n"))
	f.Add([]byte(sum + "  ../a\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ReadManifest(data)
		if err == nil && !bytes.Equal(m.Bytes(), data) {
			t.Errorf("%q is read, and written as %q", data, m.Bytes())
		}
	})
}
