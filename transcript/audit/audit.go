// Package audit reads a session record against the plan: is the record
// whole, what was entered, is that what was planned, and what did the unit
// hold afterwards?
//
// It judges by the record alone. Read-backs were compared when they were
// made, as addresses, sizes or texts; Audit does not compare them again. The
// same record and plan give the same report, byte for byte.
package audit

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/transcript"
)

// Planned is what the plan says now. Its empty members are not compared.
type Planned struct {
	Unit    string
	Serial  string
	SHA256  string            // digest of the unit's plan values, in lower-case hexadecimal
	Planned map[string]string // value path -> planned value; nil: those in the record's header
	Sources map[string]string // value path -> FILE:LINE in the site profile
	Factory string            // name of the secret that the unit leaves the factory with; "": one that is called so
}

// Verdict is what the audit comes to.
type Verdict string

// The verdicts. A record that is not whole is judged no further; a run that
// did not reach a good ending is not finished, whatever else differs.
const (
	AsPlanned   Verdict = "as planned"
	Differs     Verdict = "differs"
	NotWhole    Verdict = "not whole"
	NotFinished Verdict = "not finished"
	Unplanned   Verdict = "by hand" // a person typed; nothing was compared with a plan
	Open        Verdict = "open"    // all is as planned, and something still runs, such as a disk check, or somebody has taken a point on
)

// Report is the outcome of an audit.
type Report struct {
	Verdict Verdict  `json:"verdict"`
	Because []string `json:"because,omitempty"` // one sentence for each thing that is not as planned

	Whole  bool              `json:"whole"`
	Fault  *transcript.Fault `json:"fault,omitempty"`
	Events int               `json:"events"` // sound ones

	Unit     string              `json:"unit"`
	Kind     string              `json:"unit_kind,omitempty"`
	Serial   string              `json:"serial,omitempty"` // as planned
	Site     string              `json:"site,omitempty"`
	Line     transcript.LineInfo `json:"line"`
	Person   string              `json:"person,omitempty"`
	Mode     string              `json:"mode,omitempty"`
	Tool     string              `json:"tool,omitempty"`
	Started  time.Time           `json:"started"`
	Zone     string              `json:"zone,omitempty"`
	Dialogue transcript.Source   `json:"dialogue,omitzero"`
	Profile  transcript.Source   `json:"profile,omitzero"`
	Plan     string              `json:"plan_sha256,omitempty"`

	Parts     []Part     `json:"parts,omitempty"` // of a visit
	Steps     []Step     `json:"steps,omitempty"` // by hand
	Looks     []Look     `json:"looks,omitempty"` // over the network
	Stages    []Stage    `json:"stages,omitempty"`
	ReadBacks []ReadBack `json:"readbacks,omitempty"`
	Facts     []Fact     `json:"facts,omitempty"`
	Holds     []Hold     `json:"holds,omitempty"`
	ByHand    []ByHand   `json:"by_hand,omitempty"`
	Notes     []Note     `json:"notes,omitempty"`
	Refusals  []Refusal  `json:"refusals,omitempty"`
	Clock     []Jump     `json:"clock_jumps,omitempty"`
	Factory   *Factory   `json:"factory_secret,omitempty"` // nil: the record tells nothing of it
	Punch     []Point    `json:"punch,omitempty"`
	SignOffs  []SignOff  `json:"sign_offs,omitempty"`
	Ending    *Ending    `json:"ending,omitempty"`

	About []About `json:"-"` // for each of Because
}

// Stage is a stage of the dialogue with what was entered in it. A stage that
// was entered again is listed again, and so is one of the same name in another
// part.
type Stage struct {
	Part    string        `json:"part,omitempty"`
	Name    string        `json:"name"`
	State   string        `json:"state"`   // the last: entered, done, unseen, …
	At      time.Duration `json:"at_ns"`   // when it was entered or passed
	Took    time.Duration `json:"took_ns"` // until its last state
	Entries []Entry       `json:"entries,omitempty"`
}

// Entry is an answer that was typed, or a key that was pressed.
type Entry struct {
	Event    int           `json:"event"` // number of the first said event of it
	At       time.Duration `json:"at_ns"`
	Exchange string        `json:"exchange,omitempty"`
	Pos      string        `json:"pos,omitempty"`   // of the exchange in the dialogue
	Value    string        `json:"value,omitempty"` // place in the plan; "" for the dialogue's own words
	Entered  string        `json:"entered"`
	Secret   bool          `json:"secret,omitempty"`
	Retypes  int           `json:"retypes,omitempty"` // how often it was typed again after a wrong echo
	Planned  string        `json:"planned,omitempty"`
	Source   string        `json:"source,omitempty"` // FILE:LINE of the planned value
	ReadBack string        `json:"read_back,omitempty"`
	Verdict  string        `json:"verdict,omitempty"` // "as planned", "differs", "not in the plan"; "" where nothing was compared

	ended bool   // Enter was pressed
	name  string // of the secret
}

// ReadBack is what the unit held, beside the plan. Of several of the same
// value only the last counts for the verdict, and those of a later proof count
// over those of other parts.
type ReadBack struct {
	Event  int    `json:"event"`
	Part   string `json:"part,omitempty"`
	Stage  string `json:"stage,omitempty"`
	Name   string `json:"name"`
	Value  string `json:"value,omitempty"` // place in the plan
	Want   string `json:"want"`
	Got    string `json:"got"`
	Equal  bool   `json:"equal"`
	Open   bool   `json:"open,omitempty"` // as it should be for now, and not finished
	Text   string `json:"text,omitempty"`
	Counts bool   `json:"counts"` // no later one is of the same value

	proof bool // of a part that is a proof
}

// Fact is a value read out of what the unit printed.
type Fact struct {
	Event int    `json:"event"`
	Name  string `json:"name"`
	Text  string `json:"text"`
}

// Hold is a hold, and how it was released.
type Hold struct {
	Event    int           `json:"event"`
	At       time.Duration `json:"at_ns"`
	Part     string        `json:"part,omitempty"`
	Stage    string        `json:"stage,omitempty"`
	Code     string        `json:"code,omitempty"`
	Reason   string        `json:"reason"`
	Released bool          `json:"released"`
	Choice   string        `json:"choice,omitempty"`
	Stood    time.Duration `json:"stood_ns,omitempty"`
	By       string        `json:"by,omitempty"`
}

// ByHand is what a person typed in one go.
type ByHand struct {
	Event int           `json:"event"` // the first
	At    time.Duration `json:"at_ns"`
	Part  string        `json:"part,omitempty"`
	Stage string        `json:"stage,omitempty"`
	Text  string        `json:"text"`
	By    string        `json:"by,omitempty"`
}

// Note is anything else worth keeping.
type Note struct {
	Event int           `json:"event"`
	At    time.Duration `json:"at_ns"`
	Stage string        `json:"stage,omitempty"`
	Code  string        `json:"code,omitempty"`
	Text  string        `json:"text"`
	By    string        `json:"by,omitempty"`
}

// Ending is how the run ended.
type Ending struct {
	Event int           `json:"event"`
	At    time.Duration `json:"at_ns"`
	Wall  time.Time     `json:"wall"`
	Code  string        `json:"code,omitempty"`
	Text  string        `json:"text"`
	Next  string        `json:"next,omitempty"`
	Exit  int           `json:"exit"`
}

// Audit reads the record against the plan.
func Audit(rec *transcript.Record, plan Planned) Report {
	h := rec.Header
	if plan.Planned == nil {
		plan.Planned = h.Planned
	}
	a := auditor{plan: plan, r: Report{
		Whole: rec.Whole, Fault: rec.Fault, Events: len(rec.Events),
		Unit: h.Unit, Kind: h.Kind, Serial: h.Serial, Site: h.Site, Line: h.Line, Person: h.Person, Mode: h.Mode, Tool: h.Tool,
		Started: h.Started, Zone: h.Zone, Dialogue: h.Dialogue, Profile: h.Profile, Plan: h.Plan,
	}}
	for _, e := range rec.Events {
		a.event(e)
	}
	a.readBacks()
	a.entries()
	a.identity(h)
	a.steps()
	a.looks()
	a.factory()
	a.signIn()
	a.verdict()
	return a.r
}

// auditor gathers a report.
type auditor struct {
	plan      Planned
	r         Report
	because   []string
	about     []About  // for each of because
	open      []string // what is not finished, a sentence each
	openAbout []About
	in        int           // place in Parts, from 1, of the part that has begun; 0: none
	drift     time.Duration // of the bench's clock against the clock of the run
	begun     bool
}

func (a *auditor) differs(format string, args ...any) { a.differsIn(About{}, format, args...) }

func (a *auditor) differsIn(about About, format string, args ...any) {
	a.because, a.about = append(a.because, fmt.Sprintf(format, args...)), append(a.about, about)
}

// identity compares what the record says of the unit with the plan.
func (a *auditor) identity(h transcript.Header) {
	for _, c := range []struct{ what, plan, record string }{
		{"unit", a.plan.Unit, h.Unit},
		{"planned serial number", a.plan.Serial, h.Serial},
		{"digest of the plan values", a.plan.SHA256, h.Plan},
	} {
		if c.plan != "" && c.plan != c.record {
			a.differs("The %s is %s in the plan, and %s in the record: the plan has changed, or the record is of another unit.", c.what, c.plan, orNone(c.record))
		}
	}
	serial := h.Serial
	if a.plan.Serial != "" {
		serial = a.plan.Serial
	}
	for _, f := range a.r.Facts {
		if f.Name == "serial" && serial != "" && f.Text != serial {
			a.differs("Event %d: the chassis says serial number %s, and the plan says %s.", f.Event, f.Text, serial)
		}
	}
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// readBacks finds which read-backs count, those that differ, and what is not
// finished.
func (a *auditor) readBacks() {
	for i := range a.r.ReadBacks {
		b := &a.r.ReadBacks[i]
		b.Counts = !slices.ContainsFunc(a.r.ReadBacks[i+1:], b.replacedBy)
		about := About{Kind: "readback", Name: b.Name, Value: b.Value, Event: b.Event}
		switch {
		case !b.Counts:
		case b.Open:
			a.open = append(a.open, fmt.Sprintf("Event %d: the %s is not finished: the unit says %s.", b.Event, bare(b.Name), orNone(b.Got)))
			a.openAbout = append(a.openAbout, about)
		case !b.Equal && strings.Contains(b.Name, "sign-in"):
			a.differsIn(about, "Event %d: the %s was %s, and is to be %s.", b.Event, bare(b.Name), orNot(b.Got), orNone(b.Want))
		case !b.Equal:
			a.differsIn(about, "Event %d: the unit holds %s as the %s, and the plan says %s.", b.Event, orNone(b.Got), bare(b.Name), orNone(b.Want))
		}
	}
}

// bare is a name without an article.
func bare(name string) string { return strings.TrimPrefix(name, "the ") }

func orNot(tried string) string {
	if tried == "" {
		return "not tried"
	}
	return tried
}

// replacedBy tells whether a later read-back is of the same. Dialogues may
// call one value differently, so the proof replaces by its place in the plan.
func (b ReadBack) replacedBy(later ReadBack) bool {
	if b.Name == later.Name && b.Value == later.Value {
		return true
	}
	return later.proof && later.Part != b.Part && b.Value != "" && b.Value == later.Value
}

// entries puts the planned value and the read-back beside what was typed.
func (a *auditor) entries() {
	held := make(map[string]ReadBack)
	for _, b := range a.r.ReadBacks {
		if b.Counts && b.Value != "" {
			held[b.Value] = b
		}
	}
	for i := range a.r.Stages {
		for k := range a.r.Stages[i].Entries {
			a.entry(&a.r.Stages[i].Entries[k], held)
		}
	}
}

func (a *auditor) entry(e *Entry, held map[string]ReadBack) {
	if e.Value == "" {
		return
	}
	b, wasRead := held[e.Value]
	if wasRead {
		e.ReadBack = b.Got
	}
	if e.Secret {
		return // nothing is known of it, and its planned value might be it
	}
	about := About{Kind: "entry", Name: e.Value, Value: e.Value, Event: e.Event}
	planned, ok := a.plan.Planned[e.Value]
	e.Planned, e.Source = planned, a.plan.Sources[e.Value]
	switch {
	case !ok && a.plan.Planned == nil:
	case !ok:
		e.Verdict = "not in the plan"
		a.differsIn(about, "Event %d: %s was entered as %s, which the plan does not have.", e.Event, e.Entered, e.Value)
	case planned != e.Entered:
		e.Verdict = string(Differs)
		a.differsIn(about, "Event %d: %s was entered as %s, and the plan says %s.", e.Event, e.Entered, e.Value, planned)
	case wasRead && !b.Equal:
		e.Verdict = string(Differs) // told with the read-back
	default:
		e.Verdict = string(AsPlanned)
	}
}

// verdict sums up.
func (a *auditor) verdict() {
	r := &a.r
	end := r.Ending
	first := ""
	switch {
	case r.Fault != nil && r.Fault.Kind != transcript.FaultUnended:
		r.Verdict = NotWhole
		first = fmt.Sprintf("The record is not as it was written. %s.", strings.TrimSuffix(r.Fault.Error(), "."))
	case end == nil:
		r.Verdict = NotFinished
		first = fmt.Sprintf("The record has no ending after event %d: the run was cut off there, or has not ended yet.", r.Events)
	case end.Code == "left":
		r.Verdict = Unplanned
		first = "A person typed; nothing was compared with a plan."
	case end.Exit != 0 && end.Code != "differs" && end.Code != endedOpen:
		r.Verdict = NotFinished
		first = fmt.Sprintf("The run ended before the unit was done (%s).", orNone(end.Code))
	case len(a.because) > 0:
		r.Verdict = Differs
	case end.Code == "differs":
		r.Verdict = Differs
		first = fmt.Sprintf("The run ended with a difference (%s).", end.Code)
	case len(a.open) > 0:
		r.Verdict = Open
	case end.Code == endedOpen:
		r.Verdict = Open
		first = "All is as planned, and the run ended with something that still runs."
		if n := len(r.Left()); n > 0 {
			first = fmt.Sprintf("All is as planned, and the record leaves points open: %d.", n)
		}
	default:
		r.Verdict = AsPlanned
	}
	if first != "" {
		r.Because, r.About = []string{first}, []About{{}}
	}
	r.Because = append(append(r.Because, a.because...), a.open...)
	r.About = append(append(r.About, a.about...), a.openAbout...)
}

// endedOpen is the code of an ending with something that still runs.
const endedOpen = "open"
