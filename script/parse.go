package script

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"linehand/console"
	"linehand/script/internal/yamlwalk"
)

// Format is the first line of a dialogue file that this package reads.
const Format = "linehand.dialogue/1"

// Limits on one file. They are far above what a dialogue for a real unit
// needs, and keep a hostile file from costing more than moments.
const (
	maxFileBytes = 1 << 20
	maxStages    = 200
	maxExchanges = 1000 // in the whole file
	maxPatterns  = 400  // prompts in one stage
)

// What holds when the file does not say.
const (
	DefaultWithin  = 2 * time.Minute
	DefaultEvery   = 5 * time.Second
	DefaultColumns = 80
	// DefaultClockWithin is how far a unit's clock may be off.
	DefaultClockWithin = 2 * time.Minute
)

// Load reads a dialogue file. A fault in it comes back as Errors.
func Load(path string) (*Dialogue, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read dialogue: %w", err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, maxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read dialogue: %w", err)
	}
	return Parse(path, src)
}

// Parse reads a dialogue out of the bytes of a file. Every fault that can be
// seen is in the error, which is then of type Errors; the dialogue is nil.
// Lint finds what is well-formed and still wrong.
func Parse(file string, src []byte) (*Dialogue, error) {
	r := &reader{file: file}
	if len(src) > maxFileBytes {
		r.fault(Pos{file, 1, 1}, "the file is larger than 1 MiB", "a dialogue is one kind of unit: split it")
		return nil, r.faults
	}
	root, faults := yamlwalk.Parse(file, src)
	for _, f := range faults {
		r.fault(Pos(f.Pos), f.What, f.Mend)
	}
	if root == nil || !r.rightFormat(root) {
		return nil, r.faults.sorted()
	}
	r.lines = strings.Split(string(src), "\n")
	digest := sha256.Sum256(src)
	d := &Dialogue{File: file, SHA256: hex.EncodeToString(digest[:])}
	r.dialogue(root, d)
	if len(r.faults) > 0 {
		return nil, r.faults.sorted()
	}
	return d, nil
}

// rightFormat looks at the format first: the keys of another kind of file
// would be all faults.
func (r *reader) rightFormat(root *yamlwalk.Value) bool {
	if root.Kind != yamlwalk.Map {
		r.fault(Pos(root.Pos), "a dialogue file is a map of keys, and this is "+root.Kind.String(), "start it with format: "+Format)
		return false
	}
	format := root.Get("format")
	switch {
	case format == nil:
		r.fault(Pos(root.Pos), `the key "format" is missing`, "start the file with format: "+Format)
	case format.Text == Format:
		return true
	case strings.HasPrefix(format.Text, "linehand.dialogue/"):
		r.fault(Pos(format.Pos), fmt.Sprintf("the format is %q, and this version reads %s", format.Text, Format), "use the version of linehand that the file was written for")
	default:
		r.fault(Pos(format.Pos), fmt.Sprintf("the format is %q: not a dialogue file", clip(format.Text)), "name a file that starts with format: "+Format)
	}
	return false
}

var nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

func (r *reader) dialogue(root *yamlwalk.Value, d *Dialogue) {
	d.Line = defaultLine()
	if v := root.Get("line"); v != nil { // first: Enter stands in other keys
		r.line(v, &d.Line)
	}
	r.enter = d.Line.Enter
	r.object(root, "a dialogue",
		field{name: "format", read: func(*yamlwalk.Value) {}},
		field{name: "name", required: true, read: func(v *yamlwalk.Value) {
			if d.Name = r.text(v); !nameForm.MatchString(d.Name) {
				r.fault(Pos(v.Pos), fmt.Sprintf("the name %q is not made of small letters, digits and dashes", clip(d.Name)), "write it as in brackwater-s24")
			}
		}},
		field{name: "title", read: func(v *yamlwalk.Value) { d.Title = r.line1(v) }},
		field{name: "line", read: func(*yamlwalk.Value) {}},
		field{name: "wake", read: func(v *yamlwalk.Value) { d.Wake = r.wake(v) }},
		field{name: "redraw", read: func(v *yamlwalk.Value) { d.Redraw = r.key(v) }},
		field{name: "identity", read: func(v *yamlwalk.Value) {
			d.IdentityNone = r.oneOf(v, "printed", "not printed") == "not printed"
		}},
		field{name: "facts", read: func(v *yamlwalk.Value) { d.Facts = r.facts(v) }},
		field{name: "chatter", read: func(v *yamlwalk.Value) { d.Chatter = r.chatter(v) }},
		field{name: "queries", read: func(v *yamlwalk.Value) { d.AnswerQueries = r.oneOf(v, "ignore", "answer") == "answer" }},
		field{name: "stop-on", read: func(v *yamlwalk.Value) { d.StopOn = r.stopOn(v) }},
		field{name: "stages", required: true, read: func(v *yamlwalk.Value) { d.Stages = r.stages(v) }},
		field{name: "before", read: func(v *yamlwalk.Value) { d.Before, d.BeforeSaid = r.steps(v, "before"), true }},
		field{name: "after", read: func(v *yamlwalk.Value) { d.After, d.AfterSaid = r.steps(v, "after"), true }},
		field{name: "serves", read: func(v *yamlwalk.Value) { d.Serves = r.serves(v) }},
	)
	if d.Title == "" {
		d.Title = d.Name
	}
}

func defaultLine() LineSpec {
	return LineSpec{
		Settings: console.Default,
		Enter:    keyCR, Erase: keyBS,
		Columns: DefaultColumns,
	}
}

func (r *reader) line(v *yamlwalk.Value, l *LineSpec) {
	r.object(v, "line",
		field{name: "speed", read: func(v *yamlwalk.Value) { l.Settings.Speed = r.number(v, 50, 4_000_000) }},
		field{name: "framing", read: func(v *yamlwalk.Value) { r.framing(v, &l.Settings) }},
		field{name: "flow", read: func(v *yamlwalk.Value) {
			l.Settings.Flow = console.Flow(r.oneOf(v, string(console.FlowNone), string(console.FlowHardware), string(console.FlowSoftware)))
		}},
		field{name: "enter", read: func(v *yamlwalk.Value) { l.Enter = r.enterKey(v, false) }},
		field{name: "settle", read: func(v *yamlwalk.Value) { l.Settle = r.duration(v, time.Millisecond, time.Minute) }},
		field{name: "pace", read: func(v *yamlwalk.Value) { l.Pace = r.duration(v, 0, 10*time.Second) }},
		field{name: "erase", read: func(v *yamlwalk.Value) { l.Erase, l.EraseAll = r.eraseKey(v) }},
		field{name: "columns", read: func(v *yamlwalk.Value) { l.Columns = r.number(v, 20, 1000) }},
	)
}

func (r *reader) framing(v *yamlwalk.Value, s *console.Settings) {
	bits, parity, stop, err := console.ParseFraming(r.text(v))
	if err != nil {
		r.fault(Pos(v.Pos), err.Error(), "")
		return
	}
	s.DataBits, s.Parity, s.StopBits = bits, parity, stop
}

func (r *reader) wake(v *yamlwalk.Value) *Wake {
	w := &Wake{Every: DefaultEvery, Within: DefaultWithin}
	r.object(v, "wake",
		field{name: "press", required: true, read: func(v *yamlwalk.Value) {
			if r.text(v) == "nothing" {
				return
			}
			if key := r.key(v); key != nil {
				w.Press = *key
			}
		}},
		field{name: "every", read: func(v *yamlwalk.Value) { w.Every = r.duration(v, 100*time.Millisecond, time.Hour) }},
		field{name: "within", read: func(v *yamlwalk.Value) { w.Within = r.duration(v, time.Second, 24*time.Hour) }},
	)
	return w
}

var factForm = regexp.MustCompile(`^[a-z][a-z0-9_]{0,62}$`)

func (r *reader) factName(pos Pos, name string) {
	if !factForm.MatchString(name) {
		r.fault(pos, fmt.Sprintf("the fact name %q is not made of small letters, digits and underscores", clip(name)), "write it as in serial or port_count")
	}
}

func (r *reader) facts(v *yamlwalk.Value) []Fact {
	if !r.isMap(v, "facts") {
		return nil
	}
	var facts []Fact
	for _, e := range v.Entries {
		r.factName(Pos(e.Pos), e.Key)
		if e.Value == nil {
			continue
		}
		if re := r.groupRegexp(e.Value); re != nil {
			facts = append(facts, Fact{Name: e.Key, Pattern: re, Pos: Pos(e.Pos)})
		}
	}
	return facts
}

func (r *reader) chatter(v *yamlwalk.Value) []*regexp.Regexp {
	var list []*regexp.Regexp
	for _, item := range r.list(v, "chatter") {
		re := r.regexp(item, "(?m)", "")
		if re == nil {
			continue
		}
		if re.MatchString("") {
			r.fault(Pos(item.Pos), "this regular expression matches the empty text", "say what the message holds")
			continue
		}
		list = append(list, re)
	}
	return list
}

func (r *reader) stopOn(v *yamlwalk.Value) []StopOn {
	var list []StopOn
	for _, item := range r.list(v, "stop-on") {
		stop := StopOn{Pos: Pos(item.Pos)}
		r.object(item, "a stop-on",
			field{name: "text", required: true, read: func(v *yamlwalk.Value) {
				if p, ok := r.pattern(v); ok {
					stop.Text = p
				}
			}},
			field{name: "because", required: true, read: func(v *yamlwalk.Value) { stop.Because = r.line1(v) }},
		)
		list = append(list, stop)
	}
	return list
}

// SecretNames gives the names of the secrets that the answers type, sorted;
// the factory sign-in's own is not among them.
func (d *Dialogue) SecretNames() []string {
	var names []string
	for i := range d.Stages {
		for j := range d.Stages[i].Exchanges {
			if answer := d.Stages[i].Exchanges[j].Answer; answer != nil {
				names = append(names, answer.Secrets()...)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// FactNames gives the names of the facts that the dialogue can read, sorted:
// out of what the unit prints, or kept by a read-back.
func (d *Dialogue) FactNames() []string {
	var names []string
	for _, fact := range d.Facts {
		names = append(names, fact.Name)
	}
	for i := range d.Stages {
		for j := range d.Stages[i].Exchanges {
			for _, read := range d.Stages[i].Exchanges[j].Reads {
				if read.Keep != "" {
					names = append(names, read.Keep)
				}
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}
