package station

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linehand/fixtures"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
)

// record writes a record of a run that took so long and ended so.
func record(t *testing.T, folder, name, dialogue, code string, took time.Duration) {
	t.Helper()
	f, err := os.Create(filepath.Join(folder, name+".record"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	start := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	h := transcript.Header{Unit: "u", Started: start, Dialogue: transcript.Source{Name: dialogue}}
	end := transcript.Event{N: 1, At: took, Wall: start.Add(took), Kind: transcript.Ending, Code: code, Text: "over"}
	if err := transcript.Encode(f, h, []transcript.Event{end}); err != nil {
		t.Fatal(err)
	}
}

func TestEstimate(t *testing.T) {
	folder := t.TempDir()
	if got := Estimate(folder, "shelf"); got != 0 {
		t.Errorf("without records: %v", got)
	}
	if got := Estimate(filepath.Join(folder, "none"), "shelf"); got != 0 {
		t.Errorf("without a folder: %v", got)
	}
	for i, took := range []time.Duration{10, 300, 20, 30, 25} {
		record(t, folder, fmt.Sprintf("a-20260102T03040%dZ", i), "shelf", "done", took*time.Second)
	}
	record(t, folder, "b-20260102T030406Z", "switch", "done", time.Hour)
	record(t, folder, "c-20260102T030407Z", "shelf", "held", time.Second)
	record(t, folder, "d-20260102T030408Z", "shelf", "already", time.Second)
	if err := os.WriteFile(filepath.Join(folder, "e-20260102T030409Z.record"), []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := Estimate(folder, "shelf"); got != 25*time.Second {
		t.Errorf("the median of 10, 20, 25, 30 and 300 s is given as %v", got)
	}
	// Of many records the latest count.
	for i := range 20 {
		record(t, folder, fmt.Sprintf("a-20260103T0304%02dZ", i), "shelf", "done", 50*time.Second)
	}
	if got := Estimate(folder, "shelf"); got != 50*time.Second {
		t.Errorf("the latest twenty took 50 s, and %v is given", got)
	}
}

func TestRecordPath(t *testing.T) {
	folder := t.TempDir()
	at := time.Date(2026, 1, 2, 4, 4, 5, 0, time.FixedZone("", 3600))
	for _, want := range []string{"u-20260102T030405Z.record", "u-20260102T030405Z-2.record", "u-20260102T030405Z-3.record"} {
		got, err := RecordPath(folder, "u", at)
		if err != nil || got != filepath.Join(folder, want) {
			t.Fatalf("got %s, %v, want %s", got, err, want)
		}
		if err := os.WriteFile(got, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func demo(t *testing.T) *Sheet {
	t.Helper()
	files := []string{"site/company.yaml", "site/skerrymore.yaml", "dialogues/brackwater-s24.yaml", "dialogues/quillon-x48.yaml"}
	sheet, err := Embedded(fixtures.Files, files, fixtures.DemoProfile, "the demo site")
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}

func TestEmbedded(t *testing.T) {
	sheet := demo(t)
	for _, u := range sheet.Plan.Units {
		d, _, err := sheet.Dialogue(u)
		if u.Facts.Outlets.Value > 0 {
			if !errors.Is(err, ErrInput) || !strings.Contains(err.Error(), "has no console") {
				t.Errorf("%s, an outlet strip: %v", u.Name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", u.Name, err)
			continue
		}
		if strings.Contains(d.File, os.TempDir()) {
			t.Errorf("%s: the dialogue's name %s depends on this machine", u.Name, d.File)
		}
	}
	if _, err := sheet.Unit("deep-11"); !errors.Is(err, ErrInput) || !strings.Contains(err.Error(), `did you mean "deep-1"`) {
		t.Errorf("an unknown unit: %v", err)
	}
}

func TestSecretsOf(t *testing.T) {
	sheet := demo(t)
	for name, want := range map[string]string{"deep-1": "deep-join s24-factory shelf-admin", "deep-2": "deep-join s24-factory shelf-admin", "quay-sw1": "switch-admin x48-factory"} {
		u, err := sheet.Unit(name)
		if err != nil {
			t.Fatal(err)
		}
		d, _, err := sheet.Dialogue(u)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(SecretsOf(u, d), " "); got != want {
			t.Errorf("%s types %s, want %s", name, got, want)
		}
	}
}

// TestFetch: what is typed must be there; what is only referred to is masked
// if it can be had without asking.
func TestFetch(t *testing.T) {
	ref := func(name string, source site.Source, where string) site.Secret {
		return site.Secret{Name: site.Text{Value: name}, Source: source, Where: where, Pos: script.Pos{File: "s.yaml", Line: 7, Column: 3}}
	}
	refs := []site.Secret{ref("typed", site.FromEnv, "A"), ref("other", site.FromEnv, "B"), ref("gone", site.FromEnv, "C"), ref("asked", site.FromAsk, "What?")}
	env := map[string]string{"A": "kelp-forest", "B": "tide-table"}
	store := secret.Open(refs, secret.Options{
		Env: func(name string) (string, bool) { v, ok := env[name]; return v, ok },
		Ask: func(string) (string, error) { t.Error("somebody was asked"); return "x", nil },
	})
	u := &plan.Unit{Name: "u", Secrets: []string{"asked", "gone", "other", "typed"}}
	mask := transcript.NewMask()
	known, err := Fetch(u, []string{"typed"}, refs, store, mask)
	if err != nil || strings.Join(known, " ") != "other typed" {
		t.Errorf("got %v, %v", known, err)
	}
	if got := mask.Text("kelp-forest tide-table"); got != "‹secret typed› ‹secret other›" {
		t.Errorf("the mask gives %s", got)
	}
	var missing *SecretError
	if _, err := Fetch(u, []string{"gone"}, refs, store, mask); !errors.As(err, &missing) || !strings.Contains(err.Error(), "s.yaml:7:3") {
		t.Errorf("a secret that is not there: %v", err)
	}
}

func TestCheckPutsTheWorstFirst(t *testing.T) {
	got := worstFirst(Findings{{Severity: Note, What: "n"}, {Severity: Error, What: "e"}, {Severity: Warning, What: "w"}, {Severity: Error, What: "e"}})
	if len(got) != 3 || got[0].What != "e" || got[1].What != "w" || got[2].What != "n" {
		t.Errorf("got %v", got)
	}
}
