// Package steps works out what a person does by hand around a dialogue: the
// steps that a dialogue file says, on top of the general set for rack
// equipment that this package carries.
//
// Render gives the steps of a unit in the order of the work, Looks what must
// answer on the network before the set-up begins. Check and CheckValues find
// what is wrong with a dialogue's steps without a unit and against a plan.
// Every caution names where it stands, and defers to local codes and licensed
// practice. The package opens no file and keeps no state.
package steps

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"

	"linehand/script"
)

// Rendered is one step, worked out for a unit.
type Rendered struct {
	Of        string  `json:"of"`   // the step's plain name: one for all that a repeated step makes
	Name      string  `json:"name"` // name for people
	Do        string  `json:"do"`
	Caution   string  `json:"caution,omitempty"` // it ends by deferring to local codes and licensed practice
	Source    string  `json:"source,omitempty"`  // of the caution: a published standard, or script.CommonPractice
	Picture   string  `json:"picture,omitempty"` // lines of at most 76 columns, to be shown as they stand
	Good      string  `json:"good,omitempty"`
	Otherwise string  `json:"otherwise,omitempty"`
	MustShow  string  `json:"must_show,omitempty"`
	Required  bool    `json:"required"` // a hold point: it must be ticked before the visit goes on
	Values    []Value `json:"values,omitempty"`

	Pos script.Pos `json:"-"`
}

// Value is what a person enters in a unit's own page.
type Value struct {
	Label  string `json:"label"`
	Value  string `json:"value,omitempty"`
	Secret string `json:"secret,omitempty"` // name of the secret that is entered; Value is then ""
}

// CautionText is the caution with its source, "" where none is due.
func (r Rendered) CautionText() string {
	if r.Caution == "" {
		return ""
	}
	return r.Caution + " Source: " + r.Source + "."
}

// Policy is what a site says about steps. A name is that of a step, plain or
// with what a repetition adds; capitals do not count.
type Policy struct {
	All      string   // AsWritten ("" too), AllRequired or AllAdvisory
	Required []string // these are, whatever All says
	Advisory []string // these are not, unless they are in Required too
	Without  []string // these are left out
}

// What a policy says about all steps.
const (
	AsWritten   = "as written"
	AllRequired = "required"
	AllAdvisory = "advisory"
)

// Defer ends each caution that does not say it by itself.
const Defer = "Defer to local codes and licensed practice."

//go:embed general.yaml
var generalText []byte

const generalName = "the general set"

type halves struct{ before, after []script.Step }

var general = sync.OnceValue(func() halves {
	before, after, err := script.ParseSteps(generalName, generalText)
	if err != nil {
		panic(fmt.Sprintf("the general set of steps is not well-formed:\n%v", err))
	}
	return halves{before, after}
})

// General gives the general set: what is done before the dialogue and after
// it, in the order of the work.
func General() (before, after []script.Step) {
	set := general()
	return slices.Clone(set.before), slices.Clone(set.after)
}

// Render gives the steps of a unit. d is nil for a unit without a console:
// it has the general set, without the steps for the console's cable.
func Render(d *script.Dialogue, v script.Values, p Policy) (before, after []Rendered, err error) {
	said, err := expand(d)
	if err != nil {
		return nil, nil, err
	}
	r := renderer{policy: p}
	before, after = r.all(said.before, v), r.all(said.after, v)
	if len(r.faults) > 0 {
		return nil, nil, r.faults
	}
	return before, after, nil
}

// expand puts the general set where a dialogue names it.
func expand(d *script.Dialogue) (halves, error) {
	set := general()
	if d == nil {
		return halves{withoutConsole(set.before), withoutConsole(set.after)}, nil
	}
	var faults script.Errors
	out := halves{set.before, set.after}
	if d.BeforeSaid {
		out.before = laid(d.Before, set.before, "before", &faults)
	}
	if d.AfterSaid {
		out.after = laid(d.After, set.after, "after", &faults)
	}
	if len(faults) > 0 {
		return halves{}, faults
	}
	return out, nil
}

// withoutConsole leaves out what only a unit with a console needs.
func withoutConsole(list []script.Step) []script.Step {
	return slices.DeleteFunc(slices.Clone(list), func(s script.Step) bool {
		return s.Name == "controller in charge" || s.Name == "console cable out"
	})
}

// laid gives one half as a dialogue says it. Beside general: all, a step of
// the set that is named too is changed in its place.
func laid(said, set []script.Step, half string, faults *script.Errors) []script.Step {
	changes := map[string]script.Step{}
	whole := false
	for _, s := range said {
		switch {
		case s.General == script.AllSteps:
			whole = true
		case s.General != "":
			if find(set, s.General) < 0 {
				*faults = append(*faults, unknown(s, set, half))
				continue
			}
			changes[s.General] = s
		}
	}
	var out []script.Step
	for _, s := range said {
		switch i := find(set, s.General); {
		case s.General == "":
			out = append(out, s)
		case s.General == script.AllSteps:
			for _, own := range set {
				if over, changed := changes[own.Plain()]; changed {
					own = own.Changed(over)
				}
				out = append(out, own)
			}
		case !whole && i >= 0:
			out = append(out, set[i].Changed(s))
		}
	}
	return out
}

func find(set []script.Step, name string) int {
	return slices.IndexFunc(set, func(s script.Step) bool { return s.Plain() == name })
}

func unknown(s script.Step, set []script.Step, half string) script.Fault {
	return script.Fault{Pos: s.Pos, What: fmt.Sprintf("no step of the general set %s the dialogue is called %q", half, s.General), Mend: script.DidYouMean(s.General, plain(set))}
}

func plain(list []script.Step) []string {
	var names []string
	for i := range list {
		if name := list[i].Plain(); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// Names gives the plain names of all steps of a dialogue, by which a policy
// may name them. Steps of the general set that do not exist are left out.
func Names(d *script.Dialogue) []string {
	said, err := expand(d)
	if err != nil {
		said = general()
	}
	return plain(slices.Concat(said.before, said.after))
}

func same(list []string, of, name string) bool {
	return slices.ContainsFunc(list, func(s string) bool { return strings.EqualFold(s, of) || strings.EqualFold(s, name) })
}

// required tells whether a step is a hold point on a site.
func (p Policy) required(s *script.Step, of, name string) bool {
	switch {
	case same(p.Required, of, name):
		return true
	case same(p.Advisory, of, name):
		return false
	case p.All == AllRequired:
		return true
	case p.All == AllAdvisory:
		return false
	case s.Required != nil:
		return *s.Required
	}
	return s.Caution != nil
}
