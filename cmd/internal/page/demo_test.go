package page

import (
	"bytes"
	"os"
	"testing"

	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

const demo = "../../../fixtures/site/skerrymore.yaml"

func check(t testing.TB, profile string) Check {
	t.Helper()
	s, err := site.Load(profile)
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if p == nil {
		t.Fatal(problems.Err())
	}
	all, _ := sums.Work(s, p, sums.Options{Dialogue: func(path string) *script.Dialogue {
		d, err := script.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}})
	return Check{Report: station.Check(profile, station.Warning), SHA256: "0123456789abcdef", Plan: p, Sums: all}
}

func write(t testing.TB, c Check) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, c); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestShow(t *testing.T) {
	if out := os.Getenv("SHOW"); out != "" {
		in := os.Getenv("PROFILE")
		if in == "" {
			in = demo
		}
		os.WriteFile(out, []byte(write(t, check(t, in))), 0o644)
	}
}
