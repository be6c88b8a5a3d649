package yamlwalk

import (
	"fmt"
	"strings"
	"testing"
)

func TestParseKeepsTextAsWritten(t *testing.T) {
	v, faults := Parse("f", []byte("a: 0123\nb: 1.10\nc: no\nd: 0x1F\ne: '~'\nf: 12:30:45\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for key, want := range map[string]string{"a": "0123", "b": "1.10", "c": "no", "d": "0x1F", "e": "~", "f": "12:30:45"} {
		if got := v.Get(key).Text; got != want {
			t.Errorf("%s: got %q, want %q", key, got, want)
		}
	}
}

func TestParseFaults(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"empty", "", `1:1 the file is empty`},
		{"only a comment", "# nothing\n", `1:1 the file is empty`},
		{"second document", "a: b\n---\nc: d\n", `2:1 a second document starts here`},
		{"twice", "a: b\nc: d\na: e\n", `3:1 the key "a" is said twice, first on line 1`},
		{"no value", "x:\n  a:\n", `2:3 the key "a" has no value`},
		{"tilde", "x: ~\n", `1:1 the key "x" has no value`},
		{"empty element", "x: [a, ~]\n", `1:8 an element of the list is empty`},
		{"alias", "a: &x b\nc: *x\n", `1:4 anchors and aliases are not used here|2:4 anchors and aliases are not used here`},
		{"alias to nothing", "a: b\nc: *hunter2\n", `2:1 anchors and aliases are not used here`},
		{"word in braces", "a: {hunter2}\n", `1:5 this key has no value`},
		{"word in braces, blank", "a: {hunter2 }\n", `1:5 this key has no value`},
		{"key in braces", "a: {ask: }\n", `1:5 the key "ask" has no value`},
		{"tag", "a: !!str 1\n", `1:4 tags are not used here`},
		{"map as key", "{a: b}: c\n", `1:1 a key must be a plain word`},
		{"latin-1", "a: b\nt: na\xefve\n", `2:6 the file is not UTF-8 text`},
		{"tab", "a:\n\tb: c\n", `2:1 this is not YAML: found character that cannot start any token`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, faults := Parse("f", []byte(tt.in))
			var got []string
			for _, f := range faults {
				got = append(got, fmt.Sprintf("%d:%d %s", f.Pos.Line, f.Pos.Column, f.What))
			}
			if g := strings.Join(got, "|"); g != tt.want {
				t.Errorf("got  %s\nwant %s", g, tt.want)
			}
		})
	}
}

func TestNearest(t *testing.T) {
	known := []string{"address", "gateway", "name", "network", "mtu"}
	for word, want := range map[string]string{
		"adress": "address", "gatway": "gateway", "nmae": "name", "Name": "name", "netwrok": "network", "mut": "mtu", "colour": "", "": "",
	} {
		if got, _ := Nearest(word, known); got != want {
			t.Errorf("%q: got %q, want %q", word, got, want)
		}
	}
}
