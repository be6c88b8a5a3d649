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
	var loose []loosened
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
			loose = loosen(loose, p.Visit, d, u, slices.Concat(before, after))
		}
	}
	r.cautions(p.Visit, loose)
	if readable {
		r.stepNames(p.Visit, known)
	}
}

// loosened is a step with a caution that a site makes advisory, or goes
// without, and that would have to be ticked otherwise.
type loosened struct {
	step    steps.Rendered
	without bool
	pos     script.Pos // where the site says so
}

// loosen finds the steps of a unit that the site has loosened. A repeated
// step is told once, and so is one that several kinds have.
func loosen(found []loosened, v site.Visit, d *script.Dialogue, u *plan.Unit, now []steps.Rendered) []loosened {
	before, after, err := steps.Render(d, u.Values, steps.Policy{})
	if err != nil {
		return found
	}
	for _, usual := range slices.Concat(before, after) {
		i := slices.IndexFunc(now, func(s steps.Rendered) bool { return s.Name == usual.Name })
		if usual.Caution == "" || !usual.Required || i >= 0 && now[i].Required ||
			slices.ContainsFunc(found, func(l loosened) bool { return l.step.Of == usual.Of }) {
			continue
		}
		found = append(found, loosened{usual, i < 0, policyPos(v, usual)})
	}
	return found
}

// policyPos is where the site says what becomes of a step.
func policyPos(v site.Visit, s steps.Rendered) script.Pos {
	for _, t := range slices.Concat(v.Without, v.Advisory) {
		if strings.EqualFold(t.Value, s.Of) || strings.EqualFold(t.Value, s.Name) {
			return t.Pos
		}
	}
	return v.Steps.Pos
}

// cautions warns of loosened steps: of each that the site names, and once of
// all that it makes advisory together.
func (r *Report) cautions(v site.Visit, found []loosened) {
	const mend = "keep it required, or say who sees to it in another way"
	var together []string
	for _, l := range found {
		of := fmt.Sprintf("%q (%s)", l.step.Of, l.step.Source)
		switch {
		case l.without:
			r.Findings = append(r.Findings, at(l.pos, Warning, "the site goes without step "+of+", which has a caution", l.step.Caution, mend))
		case l.pos != v.Steps.Pos:
			r.Findings = append(r.Findings, at(l.pos, Warning, "the site makes step "+of+" advisory, which has a caution", l.step.Caution, mend))
		default:
			together = append(together, of)
		}
	}
	if len(together) > 0 {
		r.Findings = append(r.Findings, at(v.Steps.Pos, Warning, fmt.Sprintf("the site makes all steps advisory, also %d with a caution: %s", len(together), strings.Join(together, ", ")),
			"a visit can pass them by", "name them under required"))
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
