package audit

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"linehand/transcript"
)

var update = flag.Bool("update", false, "write the golden files anew")

func at(e transcript.Event, seconds float64) transcript.Event {
	e.At = time.Duration(seconds * float64(time.Second))
	return e
}

func stage(name, state string) transcript.Event {
	return transcript.Event{Kind: transcript.Stage, Name: name, State: state, Stage: name}
}

func said(why, stage, prompt, path, text string) transcript.Event {
	return transcript.Event{Kind: transcript.Said, Why: why, Stage: stage, Exchange: prompt, Pos: "s24.yaml:" + string(rune('1'+len(prompt)%9)), Value: path,
		Data: []transcript.Part{{Bytes: []byte(text)}}}
}

func secret(stage, prompt, name string) transcript.Event {
	e := said("answer", stage, prompt, "", "")
	e.Data = []transcript.Part{{Secret: name}}
	return e
}

func readBack(name, path, want, got string) transcript.Event {
	return transcript.Event{Kind: transcript.ReadBack, Stage: "verify", Name: name, Value: path, Want: want, Got: got, Equal: want == got}
}

// run is a bring-up in which all goes as planned, with an answer typed twice,
// a hold, and a part typed by hand.
func run() *transcript.Record {
	rec := &transcript.Record{Whole: true, Header: transcript.Header{
		Format: transcript.Format, Tool: "linehand 0.1", Unit: "shelf-a1", Kind: "brackwater-s24", Serial: "BW24-0117", Site: "skerrymore",
		Line:     transcript.LineInfo{Name: "usb0", Identity: "usb:0403:6001:A1B2C3:00", Device: "/dev/ttyUSB0", Settings: "9600 8N1"},
		Dialogue: transcript.Source{Name: "brackwater-s24", File: "brackwater-s24.yaml", SHA256: strings.Repeat("ab", 32)},
		Plan:     strings.Repeat("cd", 32), Secrets: []string{"factory"}, Person: "R. Venn", Mode: "bringup",
		Started: time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600)), Zone: "Europe/Oslo",
		Planned: map[string]string{"unit.name": "shelf-a1", "ports.e0.address": "192.0.2.7", "ports.e0.gateway": "192.0.2.1"},
	}}
	rec.Events = []transcript.Event{
		at(stage("power up", "unseen"), 0.1),
		at(stage("sign in", "entered"), 0.2),
		at(transcript.Event{Kind: transcript.Fact, Name: "serial", Text: "BW24-0117"}, 0.3),
		at(said("key", "sign in", "Press any key", "", " "), 0.5),
		at(said("answer", "sign in", "Sign in:", "", "maint"), 1),
		at(said("enter", "sign in", "Sign in:", "", "\r"), 1.1),
		at(secret("sign in", "Pass phrase:", "factory"), 2),
		at(said("enter", "sign in", "Pass phrase:", "", "\r"), 2.1),
		at(stage("sign in", "done"), 2.5),
		at(stage("network", "entered"), 2.6),
		at(said("answer", "network", "Unit name:", "unit.name", "shelf-a1"), 3),
		at(said("enter", "network", "Unit name:", "", "\r"), 3.1),
		at(said("answer", "network", "Address of e0:", "ports.e0.address", "192.0.2.7"), 4),
		at(transcript.Event{Kind: transcript.Note, Code: "echo", Stage: "network", Text: "the echo read 192..2.7"}, 4.5),
		at(said("erase", "network", "Address of e0:", "", "\b\b\b\b\b\b\b\b"), 4.6),
		func() transcript.Event {
			e := at(said("answer", "network", "Address of e0:", "ports.e0.address", "192.0.2.7"), 5)
			e.Code = "retype"
			return e
		}(),
		at(said("enter", "network", "Address of e0:", "", "\r"), 5.1),
		at(said("enter", "network", "MTU [1500]:", "", "\r"), 6),
		at(transcript.Event{Kind: transcript.Hold, State: "raised", Stage: "network", Code: "unknown-prompt", Text: "the unit asks what the dialogue does not know: “Rack number?”"}, 14),
		at(transcript.Event{Kind: transcript.Hold, State: "released", Code: "by-hand", By: "R. Venn"}, 60),
		at(said("hand", "network", "", "", "1"), 61),
		at(said("hand", "network", "", "", "2"), 61.2),
		at(said("hand", "network", "", "", "\r"), 61.5),
		at(stage("network", "done"), 62),
		at(stage("verify", "entered"), 62),
		at(said("answer", "verify", "shell> ", "", "show net"), 63),
		at(said("enter", "verify", "shell> ", "", "\r"), 63.1),
		at(readBack("address of e0", "ports.e0.address", "192.0.2.7", ""), 64),
		at(readBack("address of e0", "ports.e0.address", "192.0.2.7", "192.0.2.7"), 65),
		at(readBack("gateway of e0", "ports.e0.gateway", "192.0.2.1", "192.0.2.1"), 65),
		at(stage("verify", "done"), 66),
		at(transcript.Event{Kind: transcript.Ending, Code: "done", Text: "shelf-a1 is up, and holds what was planned.", Next: "Label the unit, then go on to the next."}, 66.1),
	}
	number(rec)
	return rec
}

func number(rec *transcript.Record) {
	for i := range rec.Events {
		rec.Events[i].N, rec.Events[i].Wall = i+1, rec.Header.Started.Add(rec.Events[i].At)
	}
}

var plan = Planned{
	Unit: "shelf-a1", Serial: "BW24-0117", SHA256: strings.Repeat("cd", 32),
	Planned: run().Header.Planned,
	Sources: map[string]string{"unit.name": "site.yaml:31", "ports.e0.address": "site.yaml:35", "ports.e0.gateway": "site.yaml:12"},
}

// change alters the first event that pick finds.
func change(t *testing.T, rec *transcript.Record, pick func(e transcript.Event) bool, alter func(e *transcript.Event)) {
	t.Helper()
	for i := range rec.Events {
		if pick(rec.Events[i]) {
			alter(&rec.Events[i])
			return
		}
	}
	t.Fatal("no such event")
}

func TestAudit(t *testing.T) {
	isEnding := func(e transcript.Event) bool { return e.Kind == transcript.Ending }
	for name, c := range map[string]struct {
		alter func(t *testing.T, rec *transcript.Record, plan *Planned)
		want  Verdict
		says  string // in Because
	}{
		"as planned":     {func(*testing.T, *transcript.Record, *Planned) {}, AsPlanned, ""},
		"without a plan": {func(_ *testing.T, _ *transcript.Record, p *Planned) { *p = Planned{} }, AsPlanned, ""},
		"plan changed":   {func(_ *testing.T, _ *transcript.Record, p *Planned) { p.SHA256 = strings.Repeat("ef", 32) }, Differs, "the plan has changed"},
		"other unit":     {func(_ *testing.T, _ *transcript.Record, p *Planned) { p.Unit = "shelf-a2" }, Differs, "The unit is shelf-a2 in the plan, and shelf-a1 in the record"},
		"value not there": {func(_ *testing.T, _ *transcript.Record, p *Planned) {
			p.Planned = map[string]string{"unit.name": "shelf-a1"}
		}, Differs, "Event 13: 192.0.2.7 was entered as ports.e0.address, which the plan does not have"},
		"entered otherwise": {func(t *testing.T, rec *transcript.Record, _ *Planned) {
			change(t, rec, func(e transcript.Event) bool { return e.Code == "retype" }, func(e *transcript.Event) { e.Data[0].Bytes = []byte("192.0.2.77") })
		}, Differs, "Event 13: 192.0.2.77 was entered as ports.e0.address, and the plan says 192.0.2.7"},
		"read back otherwise": {func(t *testing.T, rec *transcript.Record, _ *Planned) {
			change(t, rec, func(e transcript.Event) bool { return e.Name == "gateway of e0" }, func(e *transcript.Event) { e.Got, e.Equal = "192.0.2.254", false })
			change(t, rec, isEnding, func(e *transcript.Event) {
				e.Code, e.Exit, e.Text = "differs", 13, "shelf-a1 holds other values than planned."
			})
		}, Differs, "the unit holds 192.0.2.254 as the gateway of e0, and the plan says 192.0.2.1"},
		"wrong chassis": {func(t *testing.T, rec *transcript.Record, _ *Planned) {
			change(t, rec, func(e transcript.Event) bool { return e.Kind == transcript.Fact }, func(e *transcript.Event) { e.Text = "BW24-0230" })
		}, Differs, "the chassis says serial number BW24-0230"},
		"refused": {func(t *testing.T, rec *transcript.Record, _ *Planned) {
			change(t, rec, isEnding, func(e *transcript.Event) {
				e.Code, e.Exit, e.Text = "refused", 11, "The unit would not have the address."
			})
		}, NotFinished, "(refused)"},
		"unended": {func(_ *testing.T, rec *transcript.Record, _ *Planned) {
			rec.Events = rec.Events[:19]
			rec.Whole, rec.Fault = false, &transcript.Fault{Kind: transcript.FaultUnended, File: "a.record", Line: 20, Text: "the record has no ending after event 19"}
		}, NotFinished, "no ending after event 19"},
		"altered": {func(_ *testing.T, rec *transcript.Record, _ *Planned) {
			rec.Events = rec.Events[:12]
			rec.Whole, rec.Fault = false, &transcript.Fault{Kind: transcript.FaultEdited, File: "a.record", Line: 14, Text: "event 13 does not follow from the line before it"}
		}, NotWhole, "a.record:14: event 13 does not follow"},
		"empty": {func(_ *testing.T, rec *transcript.Record, p *Planned) {
			*rec, *p = transcript.Record{Fault: &transcript.Fault{Kind: transcript.FaultCut, Line: 1, Text: "cut"}}, Planned{}
		}, NotWhole, "record:1: cut"},
	} {
		t.Run(name, func(t *testing.T) {
			rec, plan := run(), plan
			c.alter(t, rec, &plan)
			r := Audit(rec, plan)
			if r.Verdict != c.want || !strings.Contains(strings.Join(r.Because, "\n"), c.says) || (c.says == "") != (len(r.Because) == 0) {
				t.Errorf("verdict %q because %q, want %q because %q", r.Verdict, r.Because, c.want, c.says)
			}
			golden(t, strings.ReplaceAll(name, " ", "-"), r)
		})
	}
}

func golden(t *testing.T, name string, r Report) {
	t.Helper()
	var text bytes.Buffer
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	asJSON, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	for file, got := range map[string][]byte{name + ".txt": text.Bytes(), name + ".json": append(asJSON, '\n')} {
		path := filepath.Join("testdata", file)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(got)); diff != "" {
			t.Error(diff)
		}
	}
}

// The same record read twice gives the same report, byte for byte.
func TestSameRecordSameReport(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.record")
	var file bytes.Buffer
	if err := transcript.Encode(&file, run().Header, run().Events); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, file.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	var texts [2]bytes.Buffer
	for i := range texts {
		rec, err := transcript.Read(path)
		if err != nil || !rec.Whole {
			t.Fatal(err, rec.Fault)
		}
		r := Audit(rec, plan)
		if err := r.WriteText(&texts[i]); err != nil {
			t.Fatal(err)
		}
		if err := json.NewEncoder(&texts[i]).Encode(r); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(texts[0].Bytes(), texts[1].Bytes()) {
		t.Error("the second report differs")
	}
}

// No line is wider than 100 columns, no control character of the unit gets
// into the text, and nothing is cut.
func TestTextProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rec := run()
		text := rapid.StringOf(rapid.RuneFrom([]rune("ab 1.\x1b\n\u009b\u202e€"))).Draw(t, "text")
		for i := range rec.Events {
			e := &rec.Events[i]
			for _, field := range []*string{&e.Text, &e.Name, &e.Stage, &e.Exchange, &e.Value, &e.Got, &e.By, &e.Code} {
				if rapid.IntRange(0, 9).Draw(t, "put") == 0 {
					*field = text
				}
			}
		}
		rec.Header.Unit, rec.Header.Person, rec.Header.Dialogue.Name = text, text, text
		r := Audit(rec, plan)
		var out bytes.Buffer
		if err := r.WriteText(&out); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(out.String()) {
			line = strings.TrimSuffix(line, "\n")
			if n := utf8.RuneCountInString(line); n > 100 {
				t.Fatalf("%d columns: %q", n, line)
			}
			if strings.ContainsAny(line, "\x1b\u009b\u202e\r") {
				t.Fatalf("control characters in %q", line)
			}
		}
	})
}

func TestWrap(t *testing.T) {
	for in, want := range map[string][]string{
		"":                  {""},
		"one two":           {"one two"},
		"one two three":     {"one two", "three"},
		"0123456789abcdefg": {"01234567", "89abcdef", "g"},
		"a 0123456789":      {"a", "01234567", "89"},
		"a  b":              {"a  b"},
		"日本語日本語":            {"日本語日", "本語"},
	} {
		if diff := cmp.Diff(want, wrap(in, 8)); diff != "" {
			t.Errorf("%q: %s", in, diff)
		}
	}
}
