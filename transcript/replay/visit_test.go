package replay

import (
	"bytes"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linehand/fixtures/visited"
	"linehand/transcript"
)

func visit(t *testing.T, text string) *transcript.Record {
	t.Helper()
	unit := visited.Unit{Name: "deep-1", Serial: "BW24-0113", Address: "192.0.2.21"}
	events := visited.Visit(unit)
	if text != "" {
		events = visited.Hostile(events, text)
	}
	path := filepath.Join(t.TempDir(), "a.record")
	if err := visited.Write(path, visited.Header(unit, transcript.VisitMode, time.Date(2026, 3, 4, 9, 30, 0, 0, time.UTC)), events, nil); err != nil {
		t.Fatal(err)
	}
	rec, err := transcript.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func TestVisit(t *testing.T) {
	rec := visit(t, "")
	var text bytes.Buffer
	if err := Text(&text, rec, Options{}); err != nil {
		t.Fatal(err)
	}
	golden(t, "visit.txt", text.Bytes())
	for from, first := range map[string]string{"proof": "part proof  begun", "set-up: sign in": "§ sign in  entered", "sign in": "§ sign in  entered", "read back": "§ read back  entered"} {
		text.Reset()
		if err := Text(&text, rec, Options{From: from}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Split(text.String(), "\n")[2]; !strings.Contains(got, first) {
			t.Errorf("from %q the first line is %q", from, got)
		}
	}
	at := func(from string) int {
		i, _ := begins(rec.Events, from)
		return i
	}
	if one, two := at("sign in"), at("set-up: sign in"); one < 0 || two <= one {
		t.Errorf("the stage “sign in” of two parts is found at %d and %d", one, two)
	}
	if err := Text(io.Discard, rec, Options{From: "nowhere"}); err == nil || !strings.Contains(err.Error(), `"set-up: sign in"`) {
		t.Errorf("got %v, want the stages with their parts", err)
	}
}

// Steps, looks and points are stops when a record is stepped through, and
// moments of the page; the page can go to a part.
func TestVisitSteps(t *testing.T) {
	rec := visit(t, "")
	var out bytes.Buffer
	if err := Step(t.Context(), strings.NewReader(strings.Repeat("n", 60)+"q"), &out, rec, Options{}); err != nil {
		t.Fatal(err)
	}
	film := filmOf(rec)
	for _, want := range []string{"✗ step bezel  not good  RV  the left clip is broken", "⇄ look at e1 of deep-1  silent  icmp  198.51.100.21", "! point open  e1 of deep-1 does not answer  by R. Venn  until 2026-03-06", "✎ signed off  RV", "disk check: planned finished, read back 12 % done: not finished"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no step says %q", want)
		}
		found := false
		for _, m := range film.Events {
			found = found || strings.Contains(m.Text, want)
		}
		if !found {
			t.Errorf("no moment of the page says %q", want)
		}
	}
	var names []string
	for _, m := range film.Stages {
		names = append(names, m.Text)
	}
	if got := strings.Join(names, ", "); !strings.Contains(got, "set-up, set-up: sign in, proof, proof: read back") {
		t.Errorf("the page goes to %s", got)
	}
}

func TestHostileVisit(t *testing.T) {
	const words = "</script><img src=x onerror=alert(1)>\x1b]0;x\a\u202e"
	var text, page, plain bytes.Buffer
	rec := visit(t, words)
	if err := Text(&text, rec, Options{}); err != nil {
		t.Fatal(err)
	}
	if err := HTML(&page, rec); err != nil {
		t.Fatal(err)
	}
	if err := HTML(&plain, visit(t, "harmless")); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(text.String()+page.String(), "\x1b\u202e\a") || strings.Contains(page.String(), "<img") || strings.Count(page.String(), "</script>") != strings.Count(plain.String(), "</script>") {
		t.Error("words of a visit are markup, or could steer a terminal")
	}
}
