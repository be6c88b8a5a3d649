package handover

import (
	"slices"
	"time"

	"linehand/transcript"
	"linehand/transcript/audit"
)

// Part is a part of a visit to a unit.
type Part struct {
	Name    string        `json:"name"`
	From    time.Time     `json:"from"`
	Took    time.Duration `json:"took_ns"`
	Outcome string        `json:"outcome"`
	Good    bool          `json:"good"` // it came to its end
	Record  string        `json:"record"`
}

// Step is a step by hand with who ticked it and when.
type Step struct {
	Part     string    `json:"part,omitempty"`
	Name     string    `json:"name"`
	Do       string    `json:"do,omitempty"`
	Good     string    `json:"good,omitempty"`    // what good looks like
	Caution  string    `json:"caution,omitempty"` // with its source
	Required bool      `json:"required"`
	State    string    `json:"state"` // shown, ticked, passed by, not good
	Note     string    `json:"note,omitempty"`
	Initials string    `json:"initials,omitempty"`
	At       time.Time `json:"at,omitzero"` // zero where nobody has said anything
	Event    int       `json:"event"`
	Record   string    `json:"record"`
}

// Look is a look over the network, with how long it was waited for.
type Look struct {
	Part     string        `json:"part,omitempty"`
	Name     string        `json:"name"`
	Method   string        `json:"method,omitempty"`
	State    string        `json:"state"`
	Expected string        `json:"expected,omitempty"`
	Got      string        `json:"got,omitempty"` // the address, or a fingerprint
	Before   string        `json:"before,omitempty"`
	Text     string        `json:"text,omitempty"`
	After    time.Duration `json:"after_ns"`
	At       time.Time     `json:"at"`
	Event    int           `json:"event"`
	Record   string        `json:"record"`
}

// Proof is what a unit's last proof read back.
type Proof struct {
	Record  string      `json:"record"`
	Person  string      `json:"person,omitempty"`
	From    time.Time   `json:"from"`
	Outcome string      `json:"outcome"`
	Lines   []ProofLine `json:"lines"`
}

// ProofLine is one thing that was read back.
type ProofLine struct {
	Name    string    `json:"name"`
	Path    string    `json:"path,omitempty"`
	Planned string    `json:"planned,omitempty"`
	Read    string    `json:"read,omitempty"`
	Verdict string    `json:"verdict"` // as planned, differs, open
	Event   int       `json:"event"`
	At      time.Time `json:"at"`
}

// Signed is a person's word that the visit to a unit is done.
type Signed struct {
	Initials string    `json:"initials,omitempty"`
	Text     string    `json:"text,omitempty"`
	At       time.Time `json:"at"`
	Event    int       `json:"event"`
	Record   string    `json:"record"`
}

// Visited tells whether a record of a visit, or of a proof, is in the pack.
func (d Document) Visited() bool {
	return slices.ContainsFunc(d.Runs, func(r Run) bool { return r.Mode == transcript.VisitMode || r.Mode == transcript.ProofMode })
}

// visited puts what only visits have beside the unit.
func (in *Installed) visited(r *run) {
	for _, p := range r.report.Parts {
		in.Parts = append(in.Parts, Part{Name: p.Name, From: r.wall(p.Event), Took: p.Took, Outcome: p.Outcome(), Good: p.Good(), Record: r.file})
	}
	for _, s := range r.report.Steps {
		in.step(r, s)
	}
	for _, l := range r.report.Looks {
		in.Looks = append(in.Looks, Look{Part: l.Part, Name: l.Name, Method: l.Method, State: l.State, Expected: l.Expected, Got: l.Got, Before: l.Before, Text: l.Text,
			After: l.Took, At: r.wall(l.Event), Event: l.Event, Record: r.file})
	}
	for _, s := range r.report.SignOffs {
		in.SignOffs = append(in.SignOffs, Signed{Initials: s.By, Text: s.Text, At: s.Wall, Event: s.Event, Record: r.file})
	}
	if p := proofOf(r); p != nil {
		in.Proof = p
	}
}

// step keeps a step as it was left last.
func (in *Installed) step(r *run, s audit.Step) {
	step := Step{Part: s.Part, Name: s.Name, Do: s.Do, Good: s.Good, Caution: s.Caution, Required: s.Required, State: s.State, Note: s.Note, Initials: s.By, Event: s.Event, Record: r.file}
	if s.State != transcript.Shown {
		step.At = r.wall(s.Event)
	}
	if i := slices.IndexFunc(in.Steps, func(o Step) bool { return o.Part == s.Part && o.Name == s.Name }); i >= 0 {
		in.Steps[i] = step
		return
	}
	in.Steps = append(in.Steps, step)
}

// proofOf is the last proof in a record; nil for none.
func proofOf(r *run) *Proof {
	part := r.report.Proof()
	if part == "" && r.report.Mode != transcript.ProofMode {
		return nil
	}
	p := &Proof{Record: r.file, Person: clean(r.Header.Person), From: r.Header.Started}
	if end := r.report.Ending; end != nil {
		p.Outcome = end.Text
	}
	for _, x := range r.report.Parts {
		if x.Name == part {
			p.From, p.Outcome = r.wall(x.Event), x.Outcome()
		}
	}
	for _, b := range r.report.ReadBacks {
		if b.Counts && b.Part == part {
			p.Lines = append(p.Lines, ProofLine{Name: b.Name, Path: b.Value, Planned: b.Want, Read: b.Got, Verdict: verdictOf(b), Event: b.Event, At: r.wall(b.Event)})
		}
	}
	return p
}

func verdictOf(b audit.ReadBack) string {
	switch {
	case b.Open:
		return string(audit.Open)
	case b.Equal:
		return string(audit.AsPlanned)
	}
	return string(audit.Differs)
}

// tail are the unit's runs whose findings count: the last one, and where that
// is a proof, the run that it proves and the proofs in between.
func (u *unit) tail() []*run {
	runs := u.counting()
	for i, r := range slices.Backward(runs) {
		if r.report.Mode != transcript.ProofMode {
			return runs[i:]
		}
	}
	return runs
}
