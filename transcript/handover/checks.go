package handover

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"linehand/transcript"
	"linehand/transcript/audit"
)

// Checks that no record can witness. They are left to be filled in.
const (
	checkSeated  = "Racked; every part seated and tugged"
	checkPower   = "Cabled with the supplies off, then powered; no fault shown"
	checkLabels  = "Labels on the unit and on both ends of its cables"
	checkReached = "Reached at its address from the customer's side"
	checkFactory = "Delivered secret no longer signs in"
)

func (m *maker) checks(u *unit) {
	byHand := func(list ...string) {
		for _, what := range list {
			m.doc.Checks = append(m.doc.Checks, Check{Unit: u.plan.Name, What: what, State: ToDo})
		}
	}
	if !stepped(u) { // else the steps say it
		byHand(checkSeated, checkPower)
	}
	byHand(checkLabels)
	if last := u.last(); last != nil {
		m.witnessed(u, last)
	}
	if len(u.plan.Ports) > 0 {
		byHand(checkReached)
	}
	if r := u.replaced(); r != nil {
		m.check(u, r, "Delivered secret is replaced", r.report.Factory.Text, true, r.wall(r.report.Factory.Event))
	} else if u.plan.Factory != "" {
		byHand(checkFactory)
	}
}

// stepped tells whether a record has steps by hand.
func stepped(u *unit) bool {
	return slices.ContainsFunc(u.counting(), func(r *run) bool { return len(r.report.Steps) > 0 })
}

// replaced is the last run that shows that the secret that the unit was
// delivered with is void; nil for none.
func (u *unit) replaced() *run {
	for _, r := range slices.Backward(u.counting()) {
		f := r.report.Factory
		switch {
		case f == nil:
		case f.State == audit.FactoryReplaced || f.State == audit.FactoryProved:
			return r
		case f.State == audit.FactoryValid && slices.ContainsFunc(r.report.ReadBacks, func(b audit.ReadBack) bool { return audit.IsFactorySignIn(b.Name) }):
			return nil // tried, and it let somebody in
		}
	}
	return nil
}

func (m *maker) check(u *unit, r *run, what, result string, good bool, at time.Time) {
	state := Good
	if !good {
		state = NotGood
	}
	m.doc.Checks = append(m.doc.Checks, Check{Unit: u.plan.Name, What: what, Result: result, State: state,
		By: clean(r.Header.Person), Initials: Initials(clean(r.Header.Person)), At: at})
}

// witnessed are the checks that the record of the last run shows.
func (m *maker) witnessed(u *unit, r *run) {
	for _, f := range r.report.Facts {
		if f.Name == "serial" {
			good := u.plan.Serial == "" || f.Text == u.plan.Serial
			result := f.Text
			if !good {
				result += ", planned " + u.plan.Serial
			}
			m.check(u, r, "Serial number of the chassis", result, good, r.wall(f.Event))
			break
		}
	}
	for _, stage := range readStages(r.report.ReadBacks) {
		equal, total, last := 0, 0, 0
		for _, b := range r.report.ReadBacks {
			if b.Counts && stageOf(b) == stage {
				total, last = total+1, b.Event
				if b.Equal || b.Open {
					equal++
				}
			}
		}
		m.check(u, r, "Values read back in stage "+clean(stage), fmt.Sprintf("%d of %d as planned", equal, total), equal == total, r.wall(last))
	}
	if end := r.report.Ending; end != nil {
		what := "Dialogue " + clean(r.Header.Dialogue.Name) + " to its end"
		switch r.report.Mode {
		case transcript.VisitMode:
			what = "Visit to its end"
		case transcript.ProofMode:
			what = "Proof to its end"
		}
		m.check(u, r, what, end.Text, r.report.Verdict == audit.AsPlanned || r.report.Verdict == audit.Open, end.Wall)
	}
}

// readStages are the stages with read-backs that count, in order.
func readStages(list []audit.ReadBack) (stages []string) {
	for _, b := range list {
		if stage := stageOf(b); b.Counts && !slices.Contains(stages, stage) {
			stages = append(stages, stage)
		}
	}
	return stages
}

// stageOf is the stage of a read-back, with the part of the visit.
func stageOf(b audit.ReadBack) string {
	if b.Part == "" {
		return b.Stage
	}
	return b.Part + ": " + b.Stage
}

// wall is when an event was written.
func (r *run) wall(event int) time.Time {
	if event < 1 || event > len(r.Events) {
		return time.Time{}
	}
	return r.Events[event-1].Wall
}

// Initials are the first letters of a person's names: "AB" for "Ada Brook",
// "ada.brook" and "ada_brook@bench".
func Initials(person string) string {
	name, _, _ := strings.Cut(person, "@")
	var out strings.Builder
	for _, word := range strings.FieldsFunc(name, func(r rune) bool { return !unicode.IsLetter(r) && r != '\'' }) {
		out.WriteRune(unicode.ToUpper([]rune(word)[0]))
		if out.Len() >= 4 {
			break
		}
	}
	return out.String()
}

func (m *maker) secrets() {
	at := make(map[string]int)
	get := func(name string) *Secret {
		i, ok := at[name]
		if !ok {
			i = len(m.doc.Secrets)
			at[name] = i
			m.doc.Secrets = append(m.doc.Secrets, Secret{Name: name})
		}
		return &m.doc.Secrets[i]
	}
	for _, name := range m.doc.Site.Secrets {
		get(clean(name))
	}
	for _, u := range m.units {
		for _, name := range u.plan.Secrets {
			s := get(clean(name))
			s.Units = append(s.Units, u.plan.Name)
			s.Factory = s.Factory || name == u.plan.Factory
		}
		for _, r := range u.counting() {
			typed, bound := r.secretsTyped()
			for _, name := range typed {
				s := get(clean(name))
				if n := len(s.Typed); n == 0 || s.Typed[n-1] != u.plan.Name {
					s.Typed = append(s.Typed, u.plan.Name)
				}
				s.Bound = s.Bound || bound[name]
			}
		}
	}
}
