package station

import (
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
	for _, u := range p.Units {
		if i, known := at[u.Kind]; known {
			r.ByHand[i].Units = append(r.ByHand[i].Units, u.Name)
			continue
		}
		var d *script.Dialogue
		if u.Dialogue != "" {
			if d = r.dialogue(u.Dialogue); d == nil {
				continue
			}
		}
		before, after, err := steps.Render(d, u.Values, Policy(p.Visit))
		if err != nil {
			continue
		}
		at[u.Kind] = len(r.ByHand)
		r.ByHand = append(r.ByHand, ByHand{Kind: u.Kind, Units: []string{u.Name}, Before: before, After: after})
	}
}
