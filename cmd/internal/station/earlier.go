package station

import (
	"cmp"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/visit"
	"linehand/transcript"
)

// Earlier is what the latest record of a visit to the unit says, when that
// visit did not come to its end; nil when there is none.
func Earlier(folder string, u *plan.Unit) *visit.Earlier {
	for _, path := range latest(folder, u.Name+"-") {
		e, h, err := readVisit(path)
		if err != nil || h.Unit != u.Name || h.Mode != "visit" || h.Plan != u.SHA256 {
			continue
		}
		if e.part == visit.SignOff {
			return nil
		}
		return e.visit
	}
	return nil
}

// OpenPoints is what a record of a visit has left open, with what a later
// proof needs to know of it. The header says of which unit it is.
func OpenPoints(path string) ([]visit.Point, *visit.Earlier, transcript.Header, error) {
	e, h, err := readVisit(path)
	if err != nil {
		return nil, nil, h, err
	}
	return e.open, e.visit, h, nil
}

// LatestVisit is the path of the unit's latest record with parts of a visit;
// "" when there is none.
func LatestVisit(folder string, u *plan.Unit) string {
	for _, path := range latest(folder, u.Name+"-") {
		if e, h, err := readVisit(path); err == nil && h.Unit == u.Name && e.parts > 0 {
			return path
		}
	}
	return ""
}

// latest are the records whose names begin so, the latest first.
func latest(folder, begin string) []string {
	paths, err := filepath.Glob(filepath.Join(folder, "*.record"))
	if err != nil {
		return nil
	}
	paths = slices.DeleteFunc(paths, func(p string) bool { return !strings.HasPrefix(filepath.Base(p), begin) })
	slices.SortFunc(paths, func(a, b string) int { return cmp.Compare(stamp(b), stamp(a)) })
	return paths
}

// told is what a record of a visit tells.
type told struct {
	visit *visit.Earlier
	open  []visit.Point
	parts int
	part  visit.Part
}

// readVisit reads a record as far as it is whole.
func readVisit(path string) (*told, transcript.Header, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, transcript.Header{}, err
	}
	defer f.Close()
	t := &told{visit: &visit.Earlier{Record: path, Ticked: map[string]visit.Answer{}, Facts: map[string]string{}, Certs: map[string]string{}}}
	h, err := transcript.Scan(f, func(e transcript.Event) error { t.take(e); return nil })
	if h.Unit != "" {
		err = nil // cut off, perhaps: what there is counts
	}
	return t, h, err
}

func (t *told) take(e transcript.Event) {
	switch e.Kind {
	case transcript.Phase:
		t.parts++
		t.part = visit.Part(e.Name)
		if how := engine.How(e.Code); e.State == transcript.Over && (how.Good() || how == engine.Open) {
			t.visit.Done = append(t.visit.Done, t.part)
		}
	case transcript.Step:
		key := visit.StepKey(t.part, e.Name)
		if delete(t.visit.Ticked, key); e.State == transcript.Ticked {
			t.visit.Ticked[key] = visit.Answer{State: transcript.Ticked, By: e.By}
		}
	case transcript.Fact:
		t.visit.Facts[e.Name] = e.Text
	case transcript.Look:
		if strings.HasPrefix(e.Got, "SHA256:") && e.State == transcript.Answers {
			t.visit.Certs[visit.LookKey(e.Name, e.Code)] = e.Got
		}
	case transcript.Punch:
		if e.State == transcript.Closed {
			t.open = slices.DeleteFunc(t.open, func(p visit.Point) bool { return p.Name == e.Name })
		} else {
			t.open = append(t.open, visit.Point{Name: e.Name, Code: e.Code, Text: e.Text})
		}
	case transcript.Ending:
		t.visit.Ended = e.Code
	}
}

// BootEstimate is how long a unit of the kind is likely to take from the
// first byte that it sends to the first prompt that is answered: the median
// of earlier records, out of those in the folder; 0 when there is none.
// Rehearsals count among themselves.
func BootEstimate(folder, kind string, rehearsed bool) time.Duration {
	var took []time.Duration
	for _, path := range latest(folder, "") {
		if d, ok := bootOf(path, kind, rehearsed); ok {
			if took = append(took, d); len(took) == estimateFrom {
				break
			}
		}
	}
	if len(took) == 0 {
		return 0
	}
	slices.Sort(took)
	return took[len(took)/2]
}

// errEnough ends the reading of a record that has told enough.
var errEnough = errors.New("enough is read")

// atPrompt is how soon a unit that stands at a prompt speaks after a key was
// pressed; one that boots speaks in its own time.
const atPrompt = time.Second

// bootOf is how long a boot took by one record.
func bootOf(path, kind string, rehearsed bool) (time.Duration, bool) {
	f, err := os.Open(path)
	if err != nil {
		return 0, false
	}
	defer f.Close()
	var first, said, answer time.Duration = -1, -1, -1
	h, err := transcript.Scan(f, func(e transcript.Event) error {
		switch {
		case e.Kind == transcript.Heard && first < 0:
			first = e.At
		case e.Kind == transcript.Said && first < 0:
			said = e.At
		case e.Kind == transcript.Said && answer < 0 && (e.Why == "answer" || e.Why == "key"):
			answer = e.At
			return errEnough
		}
		return nil
	})
	if err != nil && answer < 0 || h.Kind != kind || (h.Mode == Rehearse) != rehearsed || answer < 0 || first < 0 {
		return 0, false
	}
	if said >= 0 && first-said < atPrompt && answer-first < 2*atPrompt {
		return 0, false // it was asked and answered: no boot
	}
	return answer - first, true
}
