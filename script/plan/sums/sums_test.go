package sums_test

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

func demo(t testing.TB) (*site.Site, *plan.Plan) {
	t.Helper()
	s, err := site.Load(filepath.Join("..", "..", "..", "fixtures", "site", "skerrymore.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return s, p
}

func dialogues(t testing.TB) func(string) *script.Dialogue {
	return func(path string) *script.Dialogue {
		d, err := script.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
}

func TestDemo(t *testing.T) {
	s, p := demo(t)
	out, problems := sums.Work(s, p, sums.Options{Dialogue: dialogues(t)})
	for _, x := range problems {
		t.Error(x)
	}
	text, err := json.MarshalIndent(out, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s", text)
}
