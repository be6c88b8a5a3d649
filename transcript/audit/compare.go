package audit

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"time"

	"linehand/transcript"
)

// Run names a run among several.
type Run struct {
	Record  string    `json:"record"` // its file
	Unit    string    `json:"unit"`
	Mode    string    `json:"mode,omitempty"`
	Started time.Time `json:"started"`
	Verdict Verdict   `json:"verdict"`
}

// Named is a report with the file that it is of.
type Named struct {
	Record string
	Report
}

func (n Named) run() Run {
	return Run{Record: n.Record, Unit: n.Unit, Mode: n.Mode, Started: n.Started, Verdict: n.Verdict}
}

// Difference is what two runs do not have in common.
type Difference struct {
	Kind  string `json:"kind"` // header, part, step, look, stage, time, entered, read back, fact, hold, refused, by hand, point, ending
	What  string `json:"what"`
	First string `json:"first"` // "" when the first run has none
	Then  string `json:"then"`
}

// Comparison is what differs between two runs, the earlier first.
type Comparison struct {
	First       Run          `json:"first"`
	Then        Run          `json:"then"`
	OneUnit     bool         `json:"one_unit"` // both are of the same unit
	Differences []Difference `json:"differences"`
}

// Compare tells two runs apart: what was planned, entered and read back, how
// far they came, and where one took much longer. The earlier run is the
// first, whichever is given first.
func Compare(a, b Named) Comparison {
	if b.Started.Before(a.Started) {
		a, b = b, a
	}
	c := Comparison{First: a.run(), Then: b.run(), OneUnit: a.Unit == b.Unit, Differences: []Difference{}}
	c.put("header", [][3]string{
		{"unit", a.Unit, b.Unit}, {"planned serial number", a.Serial, b.Serial}, {"site", a.Site, b.Site}, {"line", a.Line.Name, b.Line.Name},
		{"line settings", a.Line.Settings, b.Line.Settings}, {"person", a.Person, b.Person}, {"tool", a.Tool, b.Tool}, {"mode", a.Mode, b.Mode},
		{"dialogue SHA-256", a.Dialogue.SHA256, b.Dialogue.SHA256}, {"profile SHA-256", a.Profile.SHA256, b.Profile.SHA256}, {"plan SHA-256", a.Plan, b.Plan},
	})
	c.lists("part", a.Report, b.Report, partsOf)
	c.lists("step", a.Report, b.Report, stepsOf)
	c.lists("look", a.Report, b.Report, looksOf)
	c.lists("stage", a.Report, b.Report, stagesOf)
	c.times(a.Report, b.Report)
	c.lists("entered", a.Report, b.Report, enteredOf)
	c.lists("read back", a.Report, b.Report, readBacksOf)
	c.lists("fact", a.Report, b.Report, factsOf)
	c.lists("hold", a.Report, b.Report, holdsOf)
	c.lists("refused", a.Report, b.Report, refusalsOf)
	c.lists("by hand", a.Report, b.Report, handOf)
	c.lists("point", a.Report, b.Report, pointsOf)
	c.put("ending", [][3]string{{"verdict", string(a.Verdict), string(b.Verdict)}, {"ending", endingOf(a.Report), endingOf(b.Report)}})
	return c
}

func (c *Comparison) put(kind string, rows [][3]string) {
	for _, r := range rows {
		if r[1] != r[2] {
			c.Differences = append(c.Differences, Difference{kind, r[0], r[1], r[2]})
		}
	}
}

// told is one thing that a run has.
type told struct{ what, value string }

// lists compares things by what they are, in the order of the runs; the same
// thing again is another.
func (c *Comparison) lists(kind string, a, b Report, of func(Report) []told) {
	first, then := numbered(of(a)), numbered(of(b))
	there := make(map[string]string, len(then))
	for _, t := range then {
		there[t.what] = t.value
	}
	seen := make(map[string]bool, len(first))
	var rows [][3]string
	for _, t := range first {
		seen[t.what] = true
		rows = append(rows, [3]string{t.what, t.value, there[t.what]})
	}
	for _, t := range then {
		if !seen[t.what] {
			rows = append(rows, [3]string{t.what, "", t.value})
		}
	}
	c.put(kind, rows)
}

func numbered(list []told) []told {
	count := make(map[string]int, len(list))
	out := slices.Clone(list)
	for i, t := range out {
		if count[t.what]++; count[t.what] > 1 {
			out[i].what = fmt.Sprintf("%s (%d)", t.what, count[t.what])
		}
	}
	return out
}

func stagesOf(r Report) (list []told) {
	for _, s := range r.Stages {
		list = append(list, told{inPart(s.Part, orNone(s.Name)), orNone(s.State)})
	}
	return list
}

func partsOf(r Report) (list []told) {
	for _, p := range r.Parts {
		list = append(list, told{p.Name, cmp.Or(p.Code, p.State)})
	}
	return list
}

func stepsOf(r Report) (list []told) {
	for _, s := range r.Steps {
		list = append(list, told{inPart(s.Part, s.Name), joined(s.State, s.Note)})
	}
	return list
}

func looksOf(r Report) (list []told) {
	for _, l := range r.Looks {
		if l.Counts {
			list = append(list, told{joined(l.Name, l.Method), joined(l.State, l.Got)})
		}
	}
	return list
}

func pointsOf(r Report) (list []told) {
	for _, p := range r.Punch {
		state := "open"
		if p.Closed {
			state = transcript.Closed
		}
		list = append(list, told{p.Text, joined(state, p.By, p.Due)})
	}
	return list
}

func enteredOf(r Report) (list []told) {
	for _, s := range r.Stages {
		for _, e := range s.Entries {
			what := inPart(s.Part, s.Name) + ", " + e.Exchange
			if e.Value != "" {
				what = e.Value
			}
			list = append(list, told{what, e.Entered})
		}
	}
	return list
}

func readBacksOf(r Report) (list []told) {
	for _, b := range r.ReadBacks {
		if b.Counts {
			list = append(list, told{b.Name, orNone(b.Got)})
		}
	}
	return list
}

func factsOf(r Report) (list []told) {
	last := make(map[string]int)
	for _, f := range r.Facts {
		i, ok := last[f.Name]
		if !ok {
			i = len(list)
			last[f.Name] = i
			list = append(list, told{what: f.Name})
		}
		list[i].value = f.Text
	}
	return list
}

func holdsOf(r Report) (list []told) {
	for _, h := range r.Holds {
		list = append(list, told{joined(h.Stage, h.Code), h.Reason})
	}
	return list
}

func refusalsOf(r Report) (list []told) {
	for _, x := range r.Refusals {
		list = append(list, told{joined(x.Stage, x.Exchange), x.Words})
	}
	return list
}

func handOf(r Report) (list []told) {
	for _, h := range r.ByHand {
		list = append(list, told{orNone(h.Stage), h.Text})
	}
	return list
}

func endingOf(r Report) string {
	if r.Ending == nil {
		return "none"
	}
	return orNone(r.Ending.Code)
}

// Times that differ by less than this, or less than by half, are alike.
const alike = 5 * time.Second

// times compares how long stages took that both runs finished.
func (c *Comparison) times(a, b Report) {
	took := func(r Report) map[string]time.Duration {
		all := make(map[string]time.Duration)
		for _, s := range r.Stages {
			if s.State == "done" {
				all[inPart(s.Part, s.Name)] += s.Took
			}
		}
		return all
	}
	first, then := took(a), took(b)
	seen := make(map[string]bool)
	for _, s := range a.Stages {
		name := inPart(s.Part, s.Name)
		x, y := first[name], then[name]
		if seen[name] || x == 0 || y == 0 {
			continue
		}
		seen[name] = true
		if d := max(x-y, y-x); d >= alike && d > min(x, y)/2 {
			c.put("time", [][3]string{{name, lasted(x), lasted(y)}})
		}
	}
}

// WriteText writes the comparison for people.
func (c Comparison) WriteText(w io.Writer) error {
	p := page{}
	p.title("Two runs of %s", orNone(c.First.Unit))
	if !c.OneUnit {
		p.row(label, "", fmt.Sprintf("These are runs of two units, %s and %s.", orNone(c.First.Unit), orNone(c.Then.Unit)))
	}
	for _, r := range []struct {
		name string
		run  Run
	}{{"first", c.First}, {"then", c.Then}} {
		p.row(label, r.name, joined(r.run.Record, r.run.Started.Format("2006-01-02 15:04:05 -07:00"), string(r.run.Verdict)))
	}
	if len(c.Differences) == 0 {
		p.row(label, "", "They do not differ.")
	} else {
		widths := []int{9, 32, 24, 24}
		fmt.Fprintln(&p)
		p.row(widths, "kind", "what", "first", "then")
		for _, d := range c.Differences {
			p.row(widths, d.Kind, d.What, orNone(d.First), orNone(d.Then))
		}
	}
	_, err := w.Write(p.Bytes())
	return err
}
