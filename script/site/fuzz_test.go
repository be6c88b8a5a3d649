package site

import (
	"errors"
	"os"
	"strings"
	"testing"
)

// FuzzSite: whatever the text, reading ends, a fault has a place in the file
// and a way to mend it, and what is taken holds no control character that
// could reach a console.
func FuzzSite(f *testing.F) {
	clean, err := os.ReadFile("testdata/clean.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(clean)
	for _, tt := range append(badProfiles, literalSecrets...) {
		f.Add([]byte(strings.Replace(string(clean), tt.old, tt.new, 1)))
	}
	for _, s := range []string{"", "---", "format: linehand.site/1", "[", "a: &a [*a]", "format: linehand.site/1\nunits: [{name: a, kind: b, ports: [[]]}]", "? {a: b}\n: c", "\xff", "format: linehand.site/1\n<<: {}\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Parse("site.yaml", data)
		if err != nil {
			var errs Errors
			if !errors.As(err, &errs) || len(errs) == 0 || s != nil {
				t.Fatalf("%T, %v", err, err)
			}
			for _, e := range errs {
				if e.Pos.File != "site.yaml" || e.Pos.Line < 1 || e.Pos.Column < 1 || e.What == "" || e.Mend == "" {
					t.Fatalf("%+v", e)
				}
			}
			return
		}
		for _, u := range s.Units {
			for _, text := range []Text{u.Name, u.Kind, u.Serial, u.Title} {
				if strings.ContainsAny(text.Value, "\x00\x1b\r\n") {
					t.Fatalf("%q", text.Value)
				}
			}
		}
	})
}
