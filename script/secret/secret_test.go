package secret

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"linehand/script"
	"linehand/script/site"
)

const hidden = "hunter2-hunter2"

func ref(name string, source site.Source, where string) site.Secret {
	return site.Secret{Name: site.Text{Value: name}, Source: source, Where: where, Pos: script.Pos{File: "site.yaml", Line: 7, Column: 9}}
}

func env(values map[string]string) func(string) (string, bool) {
	return func(name string) (string, bool) { v, ok := values[name]; return v, ok }
}

func TestEnvironment(t *testing.T) {
	s := Open([]site.Secret{
		ref("set", site.FromEnv, "SET"), ref("unset", site.FromEnv, "UNSET"), ref("empty", site.FromEnv, "EMPTY"),
		ref("long", site.FromEnv, "LONG"), ref("lines", site.FromEnv, "LINES"), ref("latin", site.FromEnv, "LATIN"),
	}, Options{Env: env(map[string]string{"SET": hidden, "EMPTY": "", "LONG": strings.Repeat("x", MaxBytes+1), "LINES": hidden + "\n" + hidden, "LATIN": hidden + "\xff"})})
	if got, err := s.Secret("set"); got != hidden || err != nil {
		t.Errorf("got %q, %v", got, err)
	}
	for name, want := range map[string]string{
		"unset": `secret "unset" (site.yaml:7:9): the environment variable UNSET is not set; set it before the run`,
		"empty": `secret "empty" (site.yaml:7:9): it is empty; give it a value`,
		"long":  `secret "long" (site.yaml:7:9): it is longer than 1024 bytes; shorten it`,
		"lines": `secret "lines" (site.yaml:7:9): it holds a control character, such as a line end or a tab; choose another`,
		"latin": `secret "latin" (site.yaml:7:9): it is not UTF-8 text; choose another`,
		"sett":  `there is no secret "sett"; did you mean "set"?`,
		"other": `there is no secret "other"; list it under secrets: in the site profile`,
	} {
		got, err := s.Secret(name)
		if err == nil || err.Error() != want || got != "" {
			t.Errorf("got  %q, %v\nwant %s", got, err, want)
		}
	}
}

func TestAskedOnceForEachName(t *testing.T) {
	var asked, at atomic.Int32
	s := Open([]site.Secret{ref("a", site.FromAsk, "Secret a"), ref("b", site.FromAsk, "Secret b")}, Options{
		Ask: func(prompt string) (string, error) {
			if at.Add(1) != 1 {
				t.Error("asked twice at once")
			}
			asked.Add(1)
			at.Add(-1)
			return "answer to " + prompt, nil
		}})
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			name := []string{"a", "b"}[i%2]
			if got, err := s.Secret(name); got != "answer to Secret "+name || err != nil {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
	wg.Wait()
	if asked.Load() != 2 {
		t.Errorf("asked %d times", asked.Load())
	}
}

func TestAskingFails(t *testing.T) {
	refs := []site.Secret{ref("a", site.FromAsk, "Secret a")}
	if _, err := Open(refs, Options{}).Secret("a"); err == nil || !strings.Contains(err.Error(), "no terminal to ask at") {
		t.Errorf("got %v", err)
	}
	gone := errors.New("the terminal is gone")
	if _, err := Open(refs, Options{Ask: func(string) (string, error) { return hidden, gone }}).Secret("a"); !errors.Is(err, gone) || strings.Contains(err.Error(), hidden) {
		t.Errorf("got %v", err)
	}
}

// TestNothingPrintsAValue goes through the ways in which Go prints things.
func TestNothingPrintsAValue(t *testing.T) {
	opened := Open([]site.Secret{ref("a", site.FromEnv, "A")}, Options{Env: env(map[string]string{"A": hidden})})
	if _, err := opened.Secret("a"); err != nil {
		t.Fatal(err)
	}
	made := Throwaway([]string{"a"}, 7)
	value, err := made.Secret("a")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []*Store{opened, made} {
		var out []string
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%d", "%x", "%T", "%p"} {
			out = append(out, fmt.Sprintf(verb, s), fmt.Sprintf(verb, struct{ S *Store }{s}), fmt.Sprintf(verb, s.entries["a"]))
		}
		data, err := json.Marshal(map[string]any{"s": s})
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range append(out, string(data), s.String(), s.GoString()) {
			for _, v := range []string{hidden, value, fmt.Sprintf("%x", hidden), fmt.Sprintf("%x", value)} {
				if strings.Contains(text, v) {
					t.Errorf("printed: %s", text)
				}
			}
		}
	}
}

func TestThrowaway(t *testing.T) {
	names := []string{"a", "b", "c"}
	read := func(s *Store, name string) string {
		t.Helper()
		v, err := s.Secret(name)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	seen := map[string]bool{}
	for range 200 {
		s := Throwaway(names, 0)
		for _, name := range names {
			v := read(s, name)
			if seen[v] {
				t.Fatalf("%q came twice", v)
			}
			seen[v] = true
			if len(v) != 14 || strings.ContainsAny(v, "lIO01 ") || !strings.ContainsAny(v, small) || !strings.ContainsAny(v, capitals) || !strings.ContainsAny(v, digits) {
				t.Fatalf("%q cannot be typed well", v)
			}
			if read(s, name) != v {
				t.Fatal("it changes")
			}
		}
	}
	if a, b := read(Throwaway(names, 7), "b"), read(Throwaway([]string{"b"}, 7), "b"); a != b {
		t.Errorf("seeded: %q and %q", a, b)
	}
	if a, b := read(Throwaway(names, 7), "b"), read(Throwaway(names, 8), "b"); a == b {
		t.Error("two seeds give the same")
	}
	if _, err := Throwaway(names, 7).Secret("d"); err == nil {
		t.Error("a name that was not made up is known")
	}
}

// An entry of a vault is fetched by its name there, once, and what is wrong is
// told with the place in the profile.
func TestFromVault(t *testing.T) {
	refs := []site.Secret{
		{Name: site.Text{Value: "admin"}, Source: site.FromVault, Where: "shelf-admin", Pos: script.Pos{File: "site.yaml", Line: 7, Column: 10}},
		{Name: site.Text{Value: "join"}, Source: site.FromVault, Where: "nowhere", Pos: script.Pos{File: "site.yaml", Line: 8, Column: 10}},
	}
	asked := 0
	store := Open(refs, Options{Vault: func(entry string) (string, error) {
		asked++
		if entry != "shelf-admin" {
			return "", errors.New("no such entry")
		}
		return "value-of-the-entry", nil
	}})
	for range 2 {
		if got, err := store.Secret("admin"); got != "value-of-the-entry" || err != nil {
			t.Fatal(got, err)
		}
	}
	if asked != 1 {
		t.Errorf("asked %d times", asked)
	}
	if _, err := store.Secret("join"); err == nil || !strings.Contains(err.Error(), `secret "join" (site.yaml:8:10): no such entry`) {
		t.Error(err)
	}
	if _, err := Open(refs, Options{}).Secret("admin"); err == nil || !strings.Contains(err.Error(), "nothing to open that with") {
		t.Error(err)
	}
}
