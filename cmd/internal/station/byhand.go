package station

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/site"
	"linehand/script/steps"
)

// Policy is what a site says about the steps by hand.
func Policy(v site.Visit) steps.Policy {
	return steps.Policy{All: v.Steps.Value, Required: values(v.Required), Advisory: values(v.Advisory), Without: values(v.Without)}
}

func values(list []site.Text) []string {
	out := make([]string, len(list))
	for i, t := range list {
		out[i] = t.Value
	}
	return out
}

// Steps are the steps by hand of a unit around the dialogue of its first
// boot, which is nil where it has no console.
func (s *Sheet) Steps(u *plan.Unit, d *script.Dialogue) (before, after []steps.Rendered, err error) {
	before, after, err = steps.Render(d, u.Values, Policy(s.Plan.Visit))
	if err != nil {
		return nil, nil, findingsOf(err)
	}
	return before, after, nil
}

// ByHand are the steps by hand of the units of a kind, worked out for the
// first of them.
type ByHand struct {
	Kind   string           `json:"kind"`
	Units  []string         `json:"units"`
	Before []steps.Rendered `json:"before"`
	After  []steps.Rendered `json:"after"`
}

// byHand works out the steps of each kind. What is wrong with them is told
// elsewhere, and of the unit at which it was found.
func (r *Report) byHand(p *plan.Plan) {
	at := make(map[string]int)
	known := make(map[string]bool)
	readable := true
	for _, u := range p.Units {
		if i, done := at[u.Kind]; done {
			if i >= 0 {
				r.ByHand[i].Units = append(r.ByHand[i].Units, u.Name)
			}
			continue
		}
		at[u.Kind] = -1
		var d *script.Dialogue
		if u.Dialogue != "" {
			if d = r.dialogue(u.Dialogue); d == nil {
				readable = false
				continue
			}
		}
		for _, name := range steps.Names(d) {
			known[name] = true
		}
		if before, after, err := steps.Render(d, u.Values, Policy(p.Visit)); err == nil {
			at[u.Kind] = len(r.ByHand)
			r.ByHand = append(r.ByHand, ByHand{Kind: u.Kind, Units: []string{u.Name}, Before: before, After: after})
		}
	}
	if readable {
		r.stepNames(p.Visit, known)
	}
}

// stepNames tells which steps a site speaks of that no dialogue has. A name
// with what a repetition adds begins with the step's own.
func (r *Report) stepNames(v site.Visit, known map[string]bool) {
	names := slices.Sorted(maps.Keys(known))
	for _, t := range slices.Concat(v.Required, v.Advisory, v.Without) {
		there := slices.ContainsFunc(names, func(name string) bool {
			return strings.EqualFold(name, t.Value) || len(t.Value) > len(name) && strings.EqualFold(name+" ", t.Value[:len(name)+1])
		})
		if !there {
			r.Findings = append(r.Findings, at(t.Pos, Warning, fmt.Sprintf("no step by hand is called %q", t.Value),
				"what the site says of it has no effect", script.DidYouMean(t.Value, names)))
		}
	}
}
