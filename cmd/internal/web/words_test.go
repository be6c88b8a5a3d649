package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/draw"
	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/seal"
)

func TestOrderOfLines(t *testing.T) {
	lines := []bench.Line{
		{ID: "a", Label: "cable 10", State: bench.Playing}, {ID: "b", Label: "cable 9", State: bench.Listening}, {ID: "c", Label: "cable 1", State: bench.Absent},
		{ID: "d", Label: "cable 3", State: bench.Finished, Person: true}, {ID: "e", Label: "cable 2", State: bench.Matched, Person: true},
		{ID: "f", Label: "cable 8", State: bench.Holding}, {ID: "g", Label: "cable 7", State: bench.Unmatched, Person: true}, {ID: "h", Label: "cable 02", State: bench.Matched},
	}
	slices.SortStableFunc(lines, before)
	var got []string
	for _, l := range lines {
		got = append(got, l.Label)
	}
	if want := "cable 8,cable 7,cable 2,cable 3,cable 02,cable 9,cable 10,cable 1"; strings.Join(got, ",") != want {
		t.Errorf("the order is %s, want %s", strings.Join(got, ","), want)
	}
}

func TestWords(t *testing.T) {
	now := time.Now()
	for got, want := range map[string]string{
		leftWords(0): "", leftWords(59): "less than a minute left", leftWords(75): "about a minute left", leftWords(380): "about 6 minutes left", leftWords(2 * 3600): "about 2.0 hours left",
		tookWords(90 * time.Second): "1 min 30 s", tookWords(1500 * time.Millisecond): "1.5 s", tookWords(20 * time.Millisecond): "20 ms", tookWords(65 * time.Minute): "1 h 05 min",
		linePath("unix:/run/a b"): "/lines/unix:%2Frun%2Fa%20b", onLine("x/y", ""): "/api/lines/x%2Fy", onLine("x", "stop"): "/api/lines/x/stop", ofRecord("a.record", "film"): "/api/records/a.record/film",
		nameOf(bench.Line{ID: "unix:/run/bench/c1"}): "unix:…/c1", nameOf(bench.Line{ID: "x", Device: "/dev/ttyUSB1"}): "/dev/ttyUSB1",
		sentence("it waits"): "It waits", sentence(""): "", sentence("über\x1b"): "Über" + transcript.Printable("\x1b"),
		sizeWords(999): "999 bytes", sizeWords(404_000): "404 kB", sizeWords(2_500_000): "2.5 MB",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for _, test := range []struct {
		line bench.Line
		want int
	}{
		{bench.Line{}, 0}, {bench.Line{No: 3, Of: 9}, 22}, {bench.Line{No: 3, Of: 9, Left: 30, Begun: now.Add(-90 * time.Second)}, 75},
		{bench.Line{State: bench.Finished}, 100}, {bench.Line{Left: .001, Begun: now.Add(-time.Hour)}, 99}, {bench.Line{Left: 10, Begun: now.Add(time.Hour)}, 0},
	} {
		if got := percent(test.line, now); got != test.want {
			t.Errorf("%+v is %d %% done, want %d", test.line, got, test.want)
		}
	}
	if safeURL("javascript:alert(1)") || safeURL("//x") || !safeURL("https://bench.example.net:8470") {
		t.Error("which addresses may be linked to")
	}
}

// Each state has a word and a shape that no other has: without colour they are
// told apart.
func TestStatesAreToldApart(t *testing.T) {
	words, marks := map[string]bool{}, map[string]bool{}
	for _, st := range order {
		words[stateWord(st)], marks[stateMark(st)] = true, true
	}
	if len(words) != len(order) || len(marks) != len(order) {
		t.Errorf("%d states have %d words and %d shapes", len(order), len(words), len(marks))
	}
	frame, err := pageFiles.ReadFile("pages/frame.html")
	if err != nil {
		t.Fatal(err)
	}
	for mark := range marks {
		if !strings.Contains(string(frame), `id="m-`+mark+`"`) {
			t.Errorf("the shape %s is not drawn", mark)
		}
	}
}

func TestSealState(t *testing.T) {
	for want, r := range map[string]seal.Result{
		"sealed": {Sealed: true, Trusted: true, Ended: true}, "stranger": {Sealed: true, Ended: true}, "unsealed": {Ended: true},
		"open": {Fault: &transcript.Fault{Kind: transcript.FaultUnended}}, "broken": {Sealed: true, Trusted: true, Fault: &transcript.Fault{Kind: transcript.FaultCut}},
	} {
		if got := sealState(&r); got != want {
			t.Errorf("%+v is %s, want %s", r, got, want)
		}
	}
}

func TestStagesInTheOrderTheyWerePlayed(t *testing.T) {
	r := audit.Report{Stages: []audit.Stage{{Name: "sign in", State: "done"}, {Name: "set e1", State: "done"}, {Name: "set e2", State: "entered"}, {Name: "sign in", State: "done", Entries: []audit.Entry{{}}}}}
	var got []string
	for _, v := range stagesOf([]string{"sign in", "set ${port.name}", "sign out"}, r, bench.Line{State: bench.Playing, Stage: "set e2"}) {
		word := v.Name + " " + v.State
		if v.Now {
			word += " now"
		}
		got = append(got, word)
	}
	if want := "sign in done,set e1 done,set e2 entered now,sign out ahead"; strings.Join(got, ",") != want {
		t.Errorf("stages %q, want %q", strings.Join(got, ","), want)
	}
}

// The choice of colours is made of the drawings' own: both parts are there.
func TestChoiceOfColours(t *testing.T) {
	got := withChoice(draw.Style)
	for _, want := range []string{`:root[data-scheme="dark"] {`, `:root:not([data-scheme="light"]) {`, ":root:root:root {", "--paper: #12171d"} {
		if !strings.Contains(got, want) {
			t.Errorf("the style has no %q", want)
		}
	}
	if n := strings.Count(got, "--paper: #12171d"); n != 2 {
		t.Errorf("the dark paper stands there %d times, want twice", n)
	}
}
