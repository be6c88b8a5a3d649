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

func TestPrintable(t *testing.T) {
	if got, want := Printable("a\tb\r\nc\x1b[2J\u009b\u202ed€\x00"), "a b  c\ufffd[2J\ufffd\ufffdd€\ufffd"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
