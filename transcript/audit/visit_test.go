package audit

import (
	"bytes"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"linehand/fixtures/visited"
	"linehand/transcript"
)

var deep = visited.Unit{Name: "deep-1", Serial: "BW24-0113", Address: "192.0.2.21"}

// visit is a record as the journal writes it, after events were altered.
func visit(t *testing.T, mode string, events []transcript.Event) *transcript.Record {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.record")
	if err := visited.Write(path, visited.Header(deep, mode, time.Date(2026, 3, 4, 9, 30, 0, 0, time.UTC)), events, nil); err != nil {
		t.Fatal(err)
	}
	rec, err := transcript.Read(path)
	if err != nil || !rec.Whole {
		t.Fatal(err, rec.Fault)
	}
	return rec
}

func TestVisit(t *testing.T) {
	named := func(kind transcript.Kind, name string) func(transcript.Event) bool {
		return func(e transcript.Event) bool { return e.Kind == kind && e.Name == name }
	}
	// last alters the last event that pick finds.
	last := func(list []transcript.Event, pick func(transcript.Event) bool, alter func(*transcript.Event)) []transcript.Event {
		for i := range slices.Backward(list) {
			if pick(list[i]) {
				alter(&list[i])
				return list
			}
		}
		t.Fatal("no such event")
		return nil
	}
	ending := func(list []transcript.Event, code string, exit int) []transcript.Event {
		return last(list, func(e transcript.Event) bool { return e.Kind == transcript.Ending }, func(e *transcript.Event) { e.Code, e.Exit = code, exit })
	}
	without := func(list []transcript.Event, pick func(transcript.Event) bool) []transcript.Event {
		return slices.DeleteFunc(list, pick)
	}
	for name, c := range map[string]struct {
		alter func([]transcript.Event) []transcript.Event
		want  Verdict
		says  string // in Because
	}{
		"as it is":        {nil, Open, "the disk check is not finished: the unit says 12 % done"},
		"dark port named": {nil, Open, "e1 of deep-1 does not answer by icmp"},
		"dark port not on the list": {func(l []transcript.Event) []transcript.Event {
			return without(l, named(transcript.Punch, "e1 of deep-1"))
		}, Differs, "e1 of deep-1 does not answer"},
		"open read-back, and the ending says done": {func(l []transcript.Event) []transcript.Event {
			return ending(without(l, named(transcript.Look, "e1 of deep-1")), "done", 0)
		}, Open, "disk check is not finished"},
		"all done": {func(l []transcript.Event) []transcript.Event {
			return ending(without(l, func(e transcript.Event) bool { return e.State == transcript.OpenYet || e.Name == "e1 of deep-1" }), "done", 0)
		}, AsPlanned, ""},
		"the ending alone says open": {func(l []transcript.Event) []transcript.Event {
			return without(l, func(e transcript.Event) bool { return e.State == transcript.OpenYet || e.Name == "e1 of deep-1" })
		}, Open, "leaves points open: 2"},
		"nothing but the ending says open": {func(l []transcript.Event) []transcript.Event {
			return without(l, func(e transcript.Event) bool {
				return e.State == transcript.OpenYet || e.Name == "e1 of deep-1" || e.Kind == transcript.Punch
			})
		}, Open, "something that still runs"},
		"no message at the log target": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.Look, "web page of deep-1"), func(e *transcript.Event) {
				e.Name, e.Code, e.State, e.Text, e.Got = "messages at the log target", "log", transcript.Silent, "no message has come", ""
			})
		}, Differs, "nothing is seen of messages at the log target: no message has come"},
		"factory sign-in still valid": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.ReadBack, "factory sign-in"), func(e *transcript.Event) { e.Got, e.Equal = "accepted", false })
		}, Differs, "the factory sign-in was accepted, and is to be refused"},
		"wrong in the proof": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.ReadBack, "e0's address"), func(e *transcript.Event) { e.Got, e.Equal = "192.0.2.98", false })
		}, Differs, "the unit holds 192.0.2.98 as the e0's address"},
		"no proof, so the first boot's read-back counts": {func(l []transcript.Event) []transcript.Event {
			return without(l, named(transcript.ReadBack, "e0's address"))
		}, Differs, "the unit holds 192.0.2.99"},
		"address in use": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.Look, "address of e0"), func(e *transcript.Event) { e.State, e.Text = transcript.InUse, "02:00:5e:10:00:01 answers" })
		}, Differs, "address of e0 has somebody already who answers at 192.0.2.21: 02:00:5e:10:00:01 answers"},
		"address in use, and a person went on": {func(l []transcript.Event) []transcript.Event {
			i := slices.IndexFunc(l, named(transcript.Look, "address of e0"))
			l[i].State = transcript.InUse
			return slices.Insert(l, i+1,
				transcript.Event{At: l[i].At, Kind: transcript.Hold, State: "raised", Code: "address-in-use", Text: "somebody already answers", Stage: "first boot"},
				transcript.Event{At: l[i].At, Kind: transcript.Hold, State: "released", Code: "go-on", By: "R. Venn", Stage: "first boot"})
		}, Open, "disk check"},
		"ICMP was not allowed, and TCP answers": {func(l []transcript.Event) []transcript.Event {
			i := slices.IndexFunc(l, named(transcript.Look, "e0 of deep-1"))
			return last(l, func(e transcript.Event) bool {
				return named(transcript.Look, "e0 of deep-1")(e) && e.State == transcript.Answers
			}, func(e *transcript.Event) { e.Code, e.Got = "tcp", l[i].Got+":443" })
		}, Open, "disk check"},
		"waited for, and never answered": {func(l []transcript.Event) []transcript.Event {
			return without(l, func(e transcript.Event) bool {
				return named(transcript.Look, "e0 of deep-1")(e) && e.State == transcript.Answers
			})
		}, Differs, "e0 of deep-1 does not answer by icmp"},
		"certificate changed, and the record does not say so": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.Look, "web page of deep-1"), func(e *transcript.Event) { e.Got = "SHA256:00" })
		}, Differs, "web page of deep-1 is other than at the look before (it was " + visited.Fingerprint + ", and is SHA256:00)"},
		"required step not good": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.Step, "label"), func(e *transcript.Event) { e.State, e.Got = transcript.NotGood, "no labels left" })
		}, Differs, "the step “label” is required, and was found not good: no labels left"},
		"required step not ticked": {func(l []transcript.Event) []transcript.Event {
			return last(l, named(transcript.Step, "supply switches off"), func(e *transcript.Event) { e.State = transcript.Shown })
		}, Differs, "the step “supply switches off” is required, and nobody has ticked it"},
		"held": {func(l []transcript.Event) []transcript.Event { return ending(l, "held", 10) }, NotFinished, "(held)"},
	} {
		t.Run(name, func(t *testing.T) {
			events := visited.Visit(deep)
			if c.alter != nil {
				events = c.alter(events)
			}
			r := Audit(visit(t, transcript.VisitMode, events), Planned{})
			if r.Verdict != c.want || !strings.Contains(strings.Join(r.Because, "\n"), c.says) || (c.says == "") != (len(r.Because) == 0) {
				t.Errorf("verdict %q because %q, want %q because %q", r.Verdict, r.Because, c.want, c.says)
			}
			if len(r.About) != len(r.Because) {
				t.Errorf("%d sentences, %d of what they are about", len(r.Because), len(r.About))
			}
		})
	}
}

func TestVisitGolden(t *testing.T) {
	first := Audit(visit(t, transcript.VisitMode, visited.Visit(deep)), Planned{})
	then := Audit(visit(t, transcript.ProofMode, visited.Proof(deep)), Planned{})
	golden(t, "visit", first)
	golden(t, "visit-proof", then)
	if first.Factory == nil || first.Factory.State != FactoryProved {
		t.Errorf("factory secret %+v, want that it was tried and refused", first.Factory)
	}
	a, b := Named{"visit.record", first}, Named{"proof.record", then}
	b.Started = b.Started.Add(48 * time.Hour)
	c, f := Compare(a, b), Over([]Named{a, b})
	goldenOf(t, "visit-compare", c.WriteText, c)
	goldenOf(t, "visit-fleet", f.WriteText, f)
}

// Stages of one name in two parts are two stages, each with its own times.
func TestStagesOfParts(t *testing.T) {
	r := Audit(visit(t, transcript.VisitMode, visited.Visit(deep)), Planned{})
	var got []string
	for _, s := range r.Stages {
		got = append(got, s.Part+": "+s.Name+" "+s.State+" "+s.Took.String())
	}
	want := []string{"first boot: power up unseen 0s", "first boot: sign in done 4s", "first boot: read back done 2s", "set-up: sign in done 2s", "proof: read back done 4s"}
	if !slices.Equal(got, want) {
		t.Errorf("stages %q, want %q", got, want)
	}
}

// A stage that is passed over in a part is not the one of its name that
// another part left without its end.
func TestStageLeftInAnotherPart(t *testing.T) {
	stage := func(state string) transcript.Event {
		return transcript.Event{Kind: transcript.Stage, Name: "sign in", Stage: "sign in", State: state}
	}
	part := func(name, state string) transcript.Event {
		return transcript.Event{Kind: transcript.Phase, Name: name, State: state}
	}
	r := Audit(visit(t, transcript.VisitMode, append([]transcript.Event{part("first boot", transcript.Begun), stage("entered"), part("first boot", transcript.Over),
		part("set-up", transcript.Begun), stage("passed"), part("set-up", transcript.Over)}, visited.Ending("stopped", "Stopped.", "", 22, 9)...)), Planned{})
	if len(r.Stages) != 2 || r.Stages[0].State != "entered" || r.Stages[1].State != "passed" || r.Stages[1].Part != "set-up" {
		t.Errorf("stages %+v", r.Stages)
	}
}

// A visit that says again what it said before has its parts told apart by a
// number, and a part that was cut off is not ended.
func TestPartsOfOneName(t *testing.T) {
	part := func(state string, seconds int) transcript.Event {
		return transcript.Event{Kind: transcript.Phase, Name: "waiting", State: state, At: time.Duration(seconds) * time.Second}
	}
	r := Audit(visit(t, transcript.VisitMode, append([]transcript.Event{part(transcript.Begun, 1), part(transcript.Over, 3), part(transcript.Begun, 4)}, visited.Ending("stopped", "Stopped.", "", 22, 9)...)), Planned{})
	if len(r.Parts) != 2 || r.Parts[1].Name != "waiting (2)" || r.Parts[0].Took != 2*time.Second || r.Parts[1].Outcome() != "not ended" {
		t.Errorf("parts %+v", r.Parts)
	}
}

// Whatever stands in a visit's events is text in the page, and no control
// character of it gets into the text.
func TestVisitHTMLIsSafe(t *testing.T) {
	const hostile = "</td></table><script>alert(1)</script><img src=x onerror=\"alert(2)\">\x1b[2J\u202e"
	forms := func(words string) (page, text string) {
		r := Audit(visit(t, transcript.VisitMode, visited.Hostile(visited.Visit(deep), words)), Planned{})
		a, b := Named{"a", r}, Named{"b", Audit(visit(t, transcript.ProofMode, visited.Proof(deep)), Planned{})}
		c, f := Compare(a, b), Over([]Named{a, b})
		var p, x bytes.Buffer
		for _, err := range []error{(Sheet{Reports: []Named{a, b}, Comparison: &c, Fleet: &f}).HTML(&p), r.WriteText(&x), c.WriteText(&x), f.WriteText(&x)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		return p.String(), x.String()
	}
	got, text := forms(hostile)
	want, _ := forms(" and harmless words")
	if strings.Contains(got, "<script") || strings.Contains(got, "<img") || strings.ContainsAny(got+text, "\x1b\u202e") {
		t.Error("words of a visit are markup, or could steer a terminal")
	}
	if diff := cmp.Diff(tags.FindAllString(want, -1), tags.FindAllString(got, -1)); diff != "" {
		t.Errorf("the elements are others than those of harmless words:\n%s", diff)
	}
}
