package paper

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// TestPrintable: the numbers are the code points' of the Unicode standard.
func TestPrintable(t *testing.T) {
	if _, err := fonts(); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"":                "",
		"750 kΩ to 10 MΩ": "750 kΩ to 10 MΩ",
		"Größe …":         "Größe …",
		"日本":              "‹U+65E5›‹U+672C›",
		"a\u202eb":        "a‹U+202E›b",
		"\x1b[31m":        "‹U+001B›[31m",
		"\U0001F40B":      "‹U+1F40B›",
		"a\u00a0b":        "a‹U+00A0›b",
		"a\xff\xfeb":      "a\ufffd\ufffdb",
	} {
		got := Printable(text)
		if got != want {
			t.Errorf("Printable(%q) = %q, want %q", text, got, want)
		}
		if again := Printable(got); again != got {
			t.Errorf("Printable(%q) = %q the second time", got, again)
		}
	}
}

// TestWrap: no line is wider than asked, but for a single character that is
// wider by itself, and no character is lost.
func TestWrap(t *testing.T) {
	d := New("A4", "", time.Time{})
	rapid.Check(t, func(t *rapid.T) {
		text := Printable(rapid.StringN(0, 300, -1).Draw(t, "text"))
		words := strings.Fields(text)
		if rapid.Bool().Draw(t, "keep blanks") {
			words = strings.Split(text, " ")
		}
		face := Face{rapid.SampledFrom([]Font{Regular, Bold, Mono}).Draw(t, "font"), rapid.Float64Range(4, 20).Draw(t, "size")}
		width := rapid.Float64Range(0.5, 80).Draw(t, "width")
		lines := d.Wrap(face, words, width)
		for _, line := range lines {
			if w := d.GetStringWidth(line); w > width && utf8.RuneCountInString(line) > 1 {
				t.Fatalf("line %q is %g mm wide, and has %g", line, w, width)
			}
		}
		blanks := func(r rune) rune {
			if r == ' ' {
				return -1
			}
			return r
		}
		if got, want := strings.Map(blanks, strings.Join(lines, "")), strings.Map(blanks, text); got != want {
			t.Fatalf("wrapped to %q, want %q", got, want)
		}
	})
}

// TestWrapBlanks: runs of blanks stay within a line where they are given.
func TestWrapBlanks(t *testing.T) {
	d := New("A4", "", time.Time{})
	mono := Face{Mono, 10}
	d.Set(mono)
	six := d.GetStringWidth("abcdef")
	for _, test := range []struct{ words, want []string }{
		{nil, nil},
		{[]string{""}, []string{""}},
		{strings.Split("a  b", " "), []string{"a  b"}},
		{strings.Split("abc def", " "), []string{"abc", "def"}},
		{strings.Split("ab cd ef", " "), []string{"ab cd", "ef"}},
		{strings.Split("ab cdefghijk lm", " "), []string{"ab", "cdefgh", "ijk lm"}},
	} {
		if got := d.Wrap(mono, test.words, six); !slices.Equal(got, test.want) {
			t.Errorf("%q wrapped to %q, want %q", test.words, got, test.want)
		}
	}
}

// TestFit: what fits stays as it is, what does not shrinks until it does, and
// nothing goes below the least size.
func TestFit(t *testing.T) {
	d := New("A4", "", time.Time{})
	rapid.Check(t, func(t *rapid.T) {
		text := Printable(rapid.StringN(1, 60, -1).Draw(t, "text"))
		width := rapid.Float64Range(1, 200).Draw(t, "width")
		least := rapid.SampledFrom([]float64{0, 6}).Draw(t, "least")
		face := Face{Regular, 9}
		d.Set(face)
		wide := d.GetStringWidth(text)
		got := d.Fit(face, text, width, least)
		d.Set(got)
		switch {
		case got.Size > face.Size || got.Size < least:
			t.Fatalf("size %g", got.Size)
		case wide <= width && got != face:
			t.Fatalf("a text of %g mm was shrunk for %g", wide, width)
		case got.Size > least && d.GetStringWidth(text) > width:
			t.Fatalf("%g mm wide in %g", d.GetStringWidth(text), width)
		}
	})
}

// TestSameBytes: a document without a date is the same at any time, and one
// with a date is the same in any zone.
func TestSameBytes(t *testing.T) {
	write := func(at time.Time) []byte {
		d := New("A4", "Title", at)
		d.AddPage()
		d.Set(Face{Bold, 9})
		d.Text(20, 20, "text")
		var b bytes.Buffer
		if err := d.Output(&b); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	at := time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))
	if !bytes.Equal(write(time.Time{}), write(time.Time{})) || !bytes.Equal(write(at), write(at.UTC())) {
		t.Error("the same document gives other bytes")
	}
	if bytes.Equal(write(at), write(time.Time{})) {
		t.Error("the date is not in the document")
	}
}
