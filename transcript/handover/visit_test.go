package handover

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

// wrote writes and reads a record of deep-1, begun some days after the first.
func wrote(t *testing.T, s Site, mode string, events []transcript.Event, days int) Record {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.record")
	h := visited.Header(deep, mode, time.Date(2026, 3, 4+days, 9, 30, 0, 0, time.UTC))
	h.Plan, h.Planned = s.Units[0].SHA256, s.Units[0].Planned
	must(t, visited.Write(path, h, events, nil))
	return read(t, path)
}

// left are the points of deep-1 from its records' own words: "open" or
// "closed" with what it is, who and by when; or by which record.
func left(d Document) (list []string) {
	for _, o := range d.Punch {
		if o.Unit != "deep-1" || o.Code == CodeUnsealed || o.Code == CodeUnseen || o.Code == CodeUntouched {
			continue
		}
		line := "open: " + o.What
		if c := o.Closed; c != nil {
			line = "closed: " + o.What + " | " + c.How + " " + c.By + " " + c.At.Format("2006-01-02") + " " + strings.TrimPrefix(c.Record, "records/")
		} else if o.By+o.Due != "" {
			line += " | " + o.By + " " + o.Due
		}
		list = append(list, line)
	}
	return list
}

const (
	openPage = "open: e1 of deep-1 does not answer | R. Venn 2026-03-06"
	openDisk = `open: disk check is "12 % done": it is not finished | M. Orr 2026-03-09`
	openBox  = "open: the crate is to be taken away"
	openStep = "open: Event 5: the step “bezel” was found not good: the left clip is broken."
	again    = " 2026-03-06 deep-1-20260306T093000Z.record"
)

// What a visit leaves open is on the list with who and by when, and what a
// later proof shows is closed by it.
func TestPointsOfAVisit(t *testing.T) {
	alter := func(list []transcript.Event, pick func(transcript.Event) bool, to func(*transcript.Event)) []transcript.Event {
		for i := range list {
			if pick(list[i]) {
				to(&list[i])
			}
		}
		return list
	}
	isDisk := func(e transcript.Event) bool { return e.Name == "disk check" && e.Kind == transcript.ReadBack }
	isPunch := func(e transcript.Event) bool { return e.Kind == transcript.Punch }
	for name, c := range map[string]struct {
		visit func([]transcript.Event) []transcript.Event
		proof func([]transcript.Event) []transcript.Event // nil: there is none
		want  []string
	}{
		"no proof yet": {want: []string{openPage, openDisk, openBox, openStep}},
		"a proof of all": {proof: func(l []transcript.Event) []transcript.Event { return l }, want: []string{openStep,
			"closed: e1 of deep-1 does not answer | A look saw: answers. Ragna Venn" + again,
			`closed: disk check is "12 % done": it is not finished | It reads back as planned: finished. Ragna Venn` + again,
			"closed: the crate is to be taken away | It was said to be done. MO" + again}},
		"a proof that says nothing of the points": {proof: func(l []transcript.Event) []transcript.Event { return slices.DeleteFunc(l, isPunch) }, want: []string{openBox, openStep,
			"closed: e1 of deep-1 does not answer | A look saw: answers. Ragna Venn" + again,
			`closed: disk check is "12 % done": it is not finished | It reads back as planned: finished. Ragna Venn` + again}},
		"a proof with the disk check still open": {proof: func(l []transcript.Event) []transcript.Event {
			l = alter(slices.DeleteFunc(l, isPunch), isDisk, func(e *transcript.Event) { e.State, e.Got = transcript.OpenYet, "60 % done" })
			i := len(l) - 1
			l = slices.Insert(l, i, visited.Point("disk check", "disk check is \"60 % done\": it is not finished", "", "2026-03-12", int(l[i].At/time.Second))...)
			return alter(l, func(e transcript.Event) bool { return e.Kind == transcript.Ending }, func(e *transcript.Event) { e.Code, e.Exit = "open", 23 })
		}, want: []string{`open: disk check is "60 % done": it is not finished | M. Orr 2026-03-12`, openBox, openStep,
			"closed: e1 of deep-1 does not answer | A look saw: answers. Ragna Venn" + again}},
		"a proof that was given up": {proof: func(l []transcript.Event) []transcript.Event {
			return slices.Concat(l[:2], visited.Ending("held", "Held.", "", 10, 40))
		}, want: []string{openPage, openDisk, openBox, "open: The run ended before the unit was done (held).", openStep}},
		"a proof with the disk check still open, and equal as far as that": {proof: func(l []transcript.Event) []transcript.Event {
			l = alter(slices.DeleteFunc(l, isPunch), isDisk, func(e *transcript.Event) { e.State, e.Equal = transcript.OpenYet, true })
			return alter(l, func(e transcript.Event) bool { return e.Kind == transcript.Ending }, func(e *transcript.Event) { e.Code, e.Exit = "open", 23 })
		}, want: []string{openDisk, openBox, openStep,
			"closed: e1 of deep-1 does not answer | A look saw: answers. Ragna Venn" + again}},
		"put down in the record that had it as planned before": {visit: func(l []transcript.Event) []transcript.Event {
			return alter(l, func(e transcript.Event) bool { return isPunch(e) && e.Name == "" }, func(e *transcript.Event) { e.Name = "web page of deep-1" })
		}, want: []string{openPage, openDisk, openBox, openStep}},
		"a proof that sees two certificates": {proof: func(l []transcript.Event) []transcript.Event {
			l = slices.DeleteFunc(l, isPunch)
			i := slices.IndexFunc(l, func(e transcript.Event) bool { return e.Kind == transcript.Look })
			one, two := l[i], l[i]
			one.Got, two.Got = "SHA256:01", "SHA256:02"
			return slices.Replace(l, i, i+1, one, two)
		}, want: []string{openPage, openBox, openStep,
			`closed: disk check is "12 % done": it is not finished | It reads back as planned: finished. Ragna Venn` + again}},
		"nobody wrote the disk check down, and the proof shows it": {visit: func(l []transcript.Event) []transcript.Event {
			return slices.DeleteFunc(l, func(e transcript.Event) bool { return isPunch(e) && e.Name == "disk check" })
		}, proof: func(l []transcript.Event) []transcript.Event { return slices.DeleteFunc(l, isPunch) }, want: []string{openBox, openStep,
			"closed: e1 of deep-1 does not answer | A look saw: answers. Ragna Venn" + again,
			"closed: Event 38: the disk check is not finished: the unit says 12 % done. | It reads back as planned: finished. Ragna Venn" + again}},
	} {
		t.Run(name, func(t *testing.T) {
			s := site()
			first := visited.Visit(deep)
			if c.visit != nil {
				first = c.visit(first)
			}
			records := []Record{wrote(t, s, transcript.VisitMode, first, 0)}
			if c.proof != nil {
				records = append(records, wrote(t, s, transcript.ProofMode, c.proof(visited.Proof(deep)), 2))
			}
			doc, err := Make(s, records)
			must(t, err)
			if diff := cmp.Diff(c.want, left(doc)); diff != "" {
				t.Errorf("points (-want +got):\n%s", diff)
			}
		})
	}
}

// A proof that was altered closes nothing.
func TestAlteredProofClosesNothing(t *testing.T) {
	s := site()
	proof := wrote(t, s, transcript.ProofMode, visited.Proof(deep), 2)
	proof.Whole, proof.Fault = false, &transcript.Fault{Kind: transcript.FaultEdited, Line: 9, Text: "altered"}
	doc, err := Make(s, []Record{wrote(t, s, transcript.VisitMode, visited.Visit(deep), 0), proof})
	must(t, err)
	for _, o := range doc.Punch {
		if o.Closed != nil {
			t.Errorf("closed by an altered record: %+v", o)
		}
	}
}

func visitDocument(t *testing.T) Document {
	s := site()
	doc, err := Make(s, []Record{wrote(t, s, transcript.ProofMode, visited.Proof(deep), 2), wrote(t, s, transcript.VisitMode, visited.Visit(deep), 0)})
	must(t, err)
	return doc
}

func TestVisitGolden(t *testing.T) {
	doc := visitDocument(t)
	golden(t, "visit.json", func(b *bytes.Buffer) error { return doc.WriteJSON(b) })
	golden(t, "visit-punch-list.csv", func(b *bytes.Buffer) error { return doc.WritePunch(b) })
	golden(t, "visit-steps.csv", func(b *bytes.Buffer) error { return doc.WriteSteps(b) })
	golden(t, "visit-looks.csv", func(b *bytes.Buffer) error { return doc.WriteLooks(b) })
	golden(t, "visit-proof.csv", func(b *bytes.Buffer) error { return doc.WriteProof(b) })
	golden(t, "visit-as-built.csv", func(b *bytes.Buffer) error { return doc.WriteBuilt(b) })
}

// Steps say who and when, and take the place of the boxes for what no record
// can witness.
func TestStepsInPlaceOfBoxes(t *testing.T) {
	doc := visitDocument(t)
	for _, c := range doc.Checks {
		if c.Unit == "deep-1" && (c.What == checkSeated || c.What == checkPower || c.What == checkFactory) {
			t.Errorf("a box is left for %q", c.What)
		}
	}
	u := doc.Units[0]
	if s := u.Steps[1]; s.State != transcript.Ticked || s.Initials != "RV" || !s.At.Equal(time.Date(2026, 3, 4, 9, 31, 30, 0, time.UTC)) || s.Caution != visited.Caution || !s.Required {
		t.Errorf("step %+v", s)
	}
	if u.State != "as planned" || u.Proof == nil || !strings.HasPrefix(u.Proof.Record, "records/deep-1-20260306") || len(u.SignOffs) != 2 {
		t.Errorf("state %q, proof %+v, sign-offs %+v", u.State, u.Proof, u.SignOffs)
	}
}
