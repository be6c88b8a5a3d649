package handover

import (
	"cmp"
	"slices"
	"strings"

	"linehand/transcript/audit"
)

// installed puts a unit's records beside its plan.
func (m *maker) installed(u *unit) {
	in := Installed{Unit: *u.plan, State: NoRecord}
	if !u.plan.Console {
		in.State = NoConsole
	}
	b := built{plan: u.plan, at: make(map[string]int), before: make(map[string]string), equal: make(map[string]bool), open: make(map[string]bool)}
	for _, r := range u.counting() {
		in.facts(r.report.Facts)
		in.visited(r)
		b.run(r)
	}
	for _, r := range u.runs {
		in.Records = append(in.Records, r.file)
	}
	if last := u.last(); last != nil {
		in.State, in.Rehearsed = string(last.report.Verdict), last.report.Mode == rehearsal
	}
	if in.Rehearsed {
		in.State = "rehearsed: " + in.State
	}
	b.serial(in.SerialRead)
	b.judge()
	in.Values = b.values
	m.doc.Units = append(m.doc.Units, in)
}

// facts keeps the last text of each fact.
func (in *Installed) facts(list []audit.Fact) {
	for _, f := range list {
		if f.Name == "serial" {
			in.SerialRead = f.Text
			continue
		}
		if i := slices.IndexFunc(in.Facts, func(have Fact) bool { return have.Name == f.Name }); i >= 0 {
			in.Facts[i].Text = f.Text
			continue
		}
		in.Facts = append(in.Facts, Fact{f.Name, f.Text})
	}
}

// built gathers the as-built table of one unit. Of several runs the later
// ones count, value by value.
type built struct {
	plan   *Unit
	runs   []*run // so far
	values []Value
	at     map[string]int    // place in values of a path or name
	before map[string]string // what the plan said at the time of the run
	equal  map[string]bool   // by path or name: the read-back was equal
	open   map[string]bool   // by path or name: it was not finished
}

func (b *built) value(path, name string) *Value {
	key := cmp.Or(path, name)
	i, ok := b.at[key]
	if !ok {
		i = len(b.values)
		b.at[key] = i
		b.values = append(b.values, Value{Path: path, Name: name, Planned: clean(b.plan.Planned[path]), Source: clean(b.plan.Sources[path])})
	}
	return &b.values[i]
}

func (b *built) run(r *run) {
	b.runs = append(b.runs, r)
	for _, s := range r.report.Stages {
		for _, e := range s.Entries {
			if e.Value == "" || e.Secret {
				continue
			}
			v := b.value(e.Value, e.Value)
			v.enteredIn(r, e.Entered, e.Event)
			b.before[e.Value] = r.Header.Planned[e.Value]
		}
	}
	for _, back := range r.report.ReadBacks {
		if !back.Counts {
			continue
		}
		v := b.value(back.Value, back.Name)
		v.Name, v.ReadBack, v.ReadAt = back.Name, back.Got, back.Event
		v.ReadIn = r.file
		if v.Event == 0 || v.Record == r.file {
			v.Record, v.ReadIn = r.file, ""
		}
		if v.Planned == "" {
			v.Planned = back.Want
		}
		b.equal[cmp.Or(back.Value, back.Name)] = back.Equal || back.Open
		b.open[cmp.Or(back.Value, back.Name)] = back.Open
		if back.Value != "" {
			b.before[back.Value] = r.Header.Planned[back.Value]
		}
		for _, run := range slices.Backward(b.runs) { // a proof reads what was typed in a run before
			if v.Entered == "" {
				b.inside(v, run)
			}
		}
	}
}

// enteredIn keeps where the value was entered last, and that it was read back
// in another record.
func (v *Value) enteredIn(r *run, text string, event int) {
	if v.ReadAt > 0 && v.ReadIn == "" && v.Record != r.file {
		v.ReadIn = v.Record
	}
	v.Entered, v.Part, v.Event, v.Record = text, false, event, r.file
	if v.ReadIn == r.file {
		v.ReadIn = ""
	}
}

// inside finds the value as a word of a longer answer, such as a command that
// sets several at once. For a value of a port, the answer must also have the
// port's name or its address in it: ports share masks and gateways.
func (b *built) inside(v *Value, r *run) {
	port, isPort := strings.CutPrefix(v.Path, "ports.")
	port, _, _ = strings.Cut(port, ".")
	address := clean(b.plan.Planned["ports."+port+".address"])
	for _, s := range r.report.Stages {
		for _, e := range s.Entries {
			words := strings.Fields(e.Entered)
			if e.Value != "" || e.Secret || len(words) < 2 || v.Path == "" || !slices.Contains(words, v.Planned) {
				continue
			}
			if isPort && !slices.Contains(words, port) && !slices.Contains(words, address) {
				continue
			}
			v.enteredIn(r, v.Planned, e.Event)
			v.Part = true
		}
	}
}

// serial is a line of the table, too, where the chassis said one.
func (b *built) serial(read string) {
	if read == "" && b.plan.Serial == "" || len(b.values) == 0 {
		return
	}
	v := Value{Path: "unit.serial", Name: "serial number", Planned: clean(b.plan.Serial), Source: clean(b.plan.Sources["unit.serial"]), ReadBack: read}
	b.equal["unit.serial"] = read == b.plan.Serial
	b.values = append([]Value{v}, b.values...)
}

func (b *built) judge() {
	for i := range b.values {
		v := &b.values[i]
		equal, read := b.equal[cmp.Or(v.Path, v.Name)]
		planned, known := b.plan.Planned[v.Path]
		before, was := b.before[v.Path]
		switch {
		case v.Path == "unit.serial" && v.ReadBack == "":
			v.Verdict = NotRead
		case v.Path == "unit.serial" && v.Planned == "":
			v.Verdict = "left open in the plan"
		case read && !equal:
			v.Verdict = string(audit.Differs)
		case known && was && before != "" && before != planned:
			v.Verdict = PlanMoved
		case known && v.Entered != "" && v.Entered != v.Planned:
			v.Verdict = string(audit.Differs)
		case read && b.open[cmp.Or(v.Path, v.Name)]:
			v.Verdict = string(audit.Open)
		case read:
			v.Verdict = string(audit.AsPlanned)
		case v.Entered != "":
			v.Verdict = NotRead
		default:
			v.Verdict = NotEntered
		}
	}
}
