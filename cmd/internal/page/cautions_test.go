package page

import (
	"slices"
	"strings"
	"testing"

	"linehand/script/steps"
)

// TestCautions: every caution of every step is on the page once, with its
// source and where it is due, and the page says whom all of them defer to.
func TestCautions(t *testing.T) {
	r := check(demo)
	v := newView(r)
	if len(v.Works) != 3 {
		t.Fatalf("work by hand at %d kinds", len(v.Works))
	}
	seen := map[string]bool{}
	for _, c := range v.Cautions {
		if seen[c.Text] || c.Source == "" || len(c.Steps) == 0 || len(c.Kinds) == 0 {
			t.Errorf("told again, or without its source or place: %+v", c)
		}
		seen[c.Text] = true
	}
	for _, k := range r.ByHand {
		for _, s := range slices.Concat(k.Before, k.After) {
			if s.Caution != "" && !seen[bare(s.Caution)] {
				t.Errorf("%s, %s: not on the page: %s", k.Kind, s.Name, s.Caution)
			}
		}
	}
	text := write(t, r)
	for _, want := range []string{`id="by-hand"`, "IEC 61340-5-1 (also ANSI/ESD S20.20)", "common practice, no source", steps.Defer} {
		if !strings.Contains(text, want) {
			t.Errorf("the page has no %q", want)
		}
	}
}
