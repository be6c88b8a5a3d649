package transcript

import "testing"

func TestTyped(t *testing.T) {
	for want, data := range map[string][]Part{
		"":                            nil,
		"maint":                       {{Bytes: []byte("maint")}},
		"a b‹Enter›":                  {{Bytes: []byte("a b\r\n")}},
		"‹Enter›‹Enter›":              {{Bytes: []byte("\n\r")}},
		"‹Space›":                     {{Bytes: []byte(" ")}},
		"‹Ctrl-C›‹Esc›[A‹Tab›":        {{Bytes: []byte("\x03\x1b[A\t")}},
		"‹Backspace›‹Backspace›":      {{Bytes: []byte("\b\x7f")}},
		"‹Ctrl-@›‹Ctrl-]›":            {{Bytes: []byte("\x00\x1d")}},
		"‹ff›é\ufffd‹secret a\ufffd›": {{Bytes: []byte("\xffé\u009b")}, {Secret: "a\x1b"}},
	} {
		if got := Typed(data); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// What could stand unseen in a text, or turn it around: Unicode's format
// characters (Cf), separators (Zl, Zp) and private use (Co), UAX 44.
func TestPrintableHidesNothing(t *testing.T) {
	for _, r := range []rune{0x00ad, 0x061c, 0x200b, 0x200e, 0x200f, 0x2028, 0x2029, 0x202a, 0x202e, 0x2060, 0x2066, 0x2069, 0xe000, 0xfeff, 0xe0041} {
		if got := Printable("a" + string(r) + "b"); got != "a\ufffdb" {
			t.Errorf("%U: %q", r, got)
		}
	}
	if got := Printable("naïve Ωμέγα 漢字"); got != "naïve Ωμέγα 漢字" {
		t.Errorf("got %q", got)
	}
}

func TestPrintable(t *testing.T) {
	if got, want := Printable("a\tb\r\nc\x1b[2J\u009b\u202ed€\x00"), "a b  c\ufffd[2J\ufffd\ufffdd€\ufffd"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
