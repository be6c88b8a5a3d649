package worksheet

import (
	"bytes"
	"os"
	"testing"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

const demo = "../../../fixtures/site/skerrymore.yaml"

// sheets lays out the sheets of a profile's units.
func sheets(t testing.TB, profile string) *Set {
	t.Helper()
	s, err := site.Load(profile)
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if p == nil {
		t.Fatal(problems.Err())
	}
	load := func(path string) *script.Dialogue {
		d, err := script.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	all, _ := sums.Work(s, p, sums.Options{Dialogue: load})
	set, err := Make(p, all, p.Units, func(u *plan.Unit) (*script.Dialogue, error) {
		if u.Dialogue == "" {
			return nil, nil
		}
		return load(u.Dialogue), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func pdf(t testing.TB, s *Set, paper Paper) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := s.PDF(&b, paper); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestShow(t *testing.T) {
	out := os.Getenv("SHOW")
	if out == "" {
		return
	}
	s := sheets(t, demo)
	os.WriteFile(out+".pdf", pdf(t, s, A4), 0o644)
	os.WriteFile(out+"-letter.pdf", pdf(t, s, Letter), 0o644)
	f, _ := os.Create(out + ".html")
	defer f.Close()
	if err := s.HTML(f); err != nil {
		t.Fatal(err)
	}
}
