package pack

import (
	"fmt"
	"strings"
	"time"

	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/handover"
)

// punch is the punch list: what is open first, with who closes it and by
// when; then what a later record closed.
func punch(d handover.Document) section {
	s := section{ID: "open", Title: "Punch list"}
	open := d.StillOpen()
	if len(open) == 0 {
		s.Blocks = []block{{Text: "Nothing is open by the records. Checks that only a person can make are listed under “Checks”."}}
	} else {
		t := &table{Caption: "What is still open, by the records", Columns: []column{{Title: "No.", Share: 5}, {Title: "Unit", Share: 14}, {Title: "What", Share: 55}, {Title: "Closed by", Share: 14, Fill: true}, {Title: "By when", Share: 12, Fill: true}}}
		for i, o := range open {
			what := o.What
			if o.Record != "" {
				what += "\n" + source(o.Record, o.Event)
			}
			t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), or(o.Unit, none), what, o.By, o.Due})
		}
		s.Blocks = []block{{Table: t}}
	}
	if t := closedPoints(d); len(t.Rows) > 0 {
		s.Blocks = append(s.Blocks, block{Table: t})
	}
	return s
}

func closedPoints(d handover.Document) *table {
	t := &table{Caption: "What was open, and is closed", Columns: []column{{Title: "Unit", Share: 14}, {Title: "What", Share: 40}, {Title: "How it was closed", Share: 32}, {Title: "Closed by", Share: 14}, {Title: "When", Share: 14}}}
	for _, o := range d.Punch {
		if c := o.Closed; c != nil {
			t.Rows = append(t.Rows, []string{or(o.Unit, none), o.What + "\n" + source(o.Record, o.Event), c.How + "\n" + source(c.Record, c.Event), or(c.By, none), stamp(c.At)})
		}
	}
	return t
}

// source is a place in a record.
func source(record string, event int) string {
	if event == 0 {
		return record
	}
	return fmt.Sprintf("%s, event %d", record, event)
}

// signOff has a row for each unit with a console; what nobody has signed is a
// box.
func signOff(d handover.Document) section {
	s := section{ID: "sign-off", Title: "Sign-off"}
	if !d.Visited() {
		return s
	}
	t := &table{Caption: "Who signed off the visit to each unit", Columns: []column{{Title: "Unit", Share: 18}, {Title: "Words", Share: 46, Fill: true}, {Title: "Initials", Share: 12, Fill: true}, {Title: "Date", Share: 24, Fill: true}}}
	for _, u := range d.Units {
		for _, x := range u.SignOffs {
			t.Rows = append(t.Rows, []string{u.Name, or(x.Text, "signed off") + "\n" + source(x.Record, x.Event), x.Initials, stamp(x.At)})
		}
		if u.Console && len(u.SignOffs) == 0 {
			t.Rows = append(t.Rows, []string{u.Name, "", "", ""})
		}
	}
	s.Blocks = []block{{Text: "Initials and dates are those of the records. Boxes are for what is not signed off yet."}, {Table: t}}
	return s
}

// steps are the steps by hand with their cautions.
func steps(d handover.Document) section {
	s := section{ID: "steps", Title: "Steps by hand"}
	for _, u := range d.Units {
		if len(u.Steps) == 0 {
			continue
		}
		t := &table{Caption: "Steps by hand of " + u.Name, Columns: []column{{Title: "Step", Share: 29}, {Title: "Caution", Share: 24}, {Title: "Good looks like", Share: 20}, {Title: "Initials", Share: 9, Fill: true}, {Title: "Time", Share: 14, Fill: true}, {Title: "State", Share: 14}},
			Strong: func(row []string) bool { return strings.HasPrefix(row[5], "NOT GOOD") }}
		for _, x := range u.Steps {
			t.Rows = append(t.Rows, stepRow(x))
		}
		s.Blocks = append(s.Blocks, block{Heading: u.Name}, block{Table: t})
	}
	if len(s.Blocks) > 0 {
		s.Blocks = append([]block{{Text: "As the records have them: initials and time of the tick. Boxes are for steps that nobody has ticked yet."}}, s.Blocks...)
	}
	return s
}

func stepRow(x handover.Step) []string {
	name := x.Name
	for _, line := range []string{x.Do, prefixed("part ", x.Part)} {
		if line != "" {
			name += "\n" + line
		}
	}
	state := x.State
	if x.State == transcript.NotGood {
		state = "NOT GOOD"
	}
	if x.Required {
		state += "\nrequired"
	}
	if x.Note != "" {
		state += "\n" + x.Note
	}
	return []string{name, or(x.Caution, none), or(x.Good, none), x.Initials, stamp(x.At), state}
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

// waits are the parts of the visits with how long they took, and the looks
// over the network.
func waits(d handover.Document) section {
	s := section{ID: "waits", Title: "Parts and waiting"}
	for _, u := range d.Units {
		if len(u.Parts) == 0 && len(u.Looks) == 0 {
			continue
		}
		s.Blocks = append(s.Blocks, block{Heading: u.Name})
		for _, record := range u.Records {
			if t := partsOf(u, record); len(t.Rows) > 0 {
				s.Blocks = append(s.Blocks, block{Table: t})
			}
		}
		if len(u.Looks) > 0 {
			s.Blocks = append(s.Blocks, block{Table: looksOf(u)})
		}
	}
	return s
}

func partsOf(u handover.Installed, record string) *table {
	t := &table{Caption: "Parts of " + record, Columns: []column{{Title: "Part", Share: 18}, {Title: "From", Share: 26}, {Title: "Took", Share: 12}, {Title: "Outcome", Share: 48}}}
	for _, p := range u.Parts {
		if p.Record != record {
			continue
		}
		took := lasted(p.Took)
		if p.Took == 0 && !p.Good {
			took = none
		}
		outcome := p.Outcome
		if !p.Good {
			outcome = "NOT AS PLANNED: " + outcome
		}
		t.Rows = append(t.Rows, []string{p.Name, stamp(p.From), took, outcome})
	}
	return t
}

// lasted is a time for people, to a tenth of a second.
func lasted(d time.Duration) string { return d.Round(100 * time.Millisecond).String() }

func looksOf(u handover.Installed) *table {
	t := &table{Caption: "Looks at " + u.Name + " over the network", Columns: []column{{Title: "What", Share: 26}, {Title: "Seen", Share: 42, Code: true}, {Title: "After", Share: 10}, {Title: "At", Share: 16}, {Title: "State", Share: 14}},
		Strong: func(row []string) bool {
			state, _, _ := strings.Cut(row[4], "\n")
			return state != transcript.Answers && state != transcript.Free
		}}
	for _, l := range u.Looks {
		what := l.Name
		if l.Part != "" {
			what += "\n" + l.Part
		}
		var seen []string
		for _, text := range []string{l.Got, prefixed("before: ", l.Before), prefixed("expected: ", l.Expected), l.Text} {
			if text != "" {
				seen = append(seen, text)
			}
		}
		t.Rows = append(t.Rows, []string{what, or(strings.Join(seen, "\n"), none), lasted(l.After), stamp(l.At), l.State + prefixed("\nby ", l.Method)})
	}
	return t
}

// proved is what the last proof of each unit read back.
func proved(d handover.Document) section {
	s := section{ID: "proved", Title: "Proof"}
	for _, u := range d.Units {
		p := u.Proof
		if p == nil {
			continue
		}
		text := "Begun " + stamp(p.From) + prefixed(" by ", p.Person) + ", in " + p.Record + "."
		if p.Outcome != "" {
			text += " " + p.Outcome
		}
		s.Blocks = append(s.Blocks, block{Heading: u.Name}, block{Text: short(text)})
		t := &table{Caption: "Proof of " + u.Name, Columns: []column{{Title: "What", Share: 30}, {Title: "Plan", Share: 28, Code: true}, {Title: "Read back", Share: 28, Code: true}, {Title: "Verdict", Share: 14}},
			Strong: func(row []string) bool { return row[3] != string(audit.AsPlanned) }}
		for _, l := range p.Lines {
			t.Rows = append(t.Rows, []string{l.Name + prefixed("\n", l.Path), or(l.Planned, none), or(l.Read, none) + fmt.Sprintf("\nevent %d", l.Event), l.Verdict})
		}
		if len(t.Rows) > 0 {
			s.Blocks = append(s.Blocks, block{Table: t})
		}
	}
	return s
}
