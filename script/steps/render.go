package steps

import (
	"errors"
	"fmt"
	"net/netip"
	"strings"

	"linehand/script"
)

type renderer struct {
	policy Policy
	faults script.Errors
}

// fail keeps an error with the place that it names, or else with pos.
func (r *renderer) fail(pos script.Pos, err error) {
	what := err.Error()
	var placed *script.PlacedError
	if errors.As(err, &placed) {
		pos, what = placed.Pos, placed.Source+": "+placed.Err.Error()
	}
	r.faults = append(r.faults, script.Fault{Pos: pos, What: what, Mend: "add the value to the site profile, or leave the step out with needed:"})
}

func (r *renderer) all(list []script.Step, v script.Values) []Rendered {
	var out []Rendered
	for i := range list {
		s := &list[i]
		elements, err := repeated(s.Each, v)
		if err != nil {
			r.fail(s.Pos, err)
		}
		for _, v := range elements {
			if needed, err := holds(s.Needed, v); err != nil {
				r.fail(s.Pos, err)
			} else if needed {
				out = r.one(out, s, v)
			}
		}
	}
	return out
}

// repeated gives the values for each element of a list.
func repeated(each *script.Each, v script.Values) ([]script.Values, error) {
	if each == nil {
		return []script.Values{v}, nil
	}
	list, err := each.Of.List(v)
	if err != nil {
		return nil, err
	}
	out := make([]script.Values, len(list))
	for i, element := range list {
		out[i] = v.With(each.Var, element)
	}
	return out, nil
}

func holds(g *script.Guard, v script.Values) (bool, error) {
	if g == nil {
		return true, nil
	}
	return g.True(v)
}

// one adds a step, unless the site goes without it.
func (r *renderer) one(out []Rendered, s *script.Step, v script.Values) []Rendered {
	name, err := s.Title(v)
	if err != nil {
		r.fail(s.Pos, err)
	}
	of := s.Plain()
	if same(r.policy.Without, of, name) {
		return out
	}
	return append(out, Rendered{
		Of: of, Name: name, Do: r.text(s.Do, v), Caution: deferring(r.text(s.Caution, v)), Source: source(s), Picture: s.Picture,
		Good: r.text(s.Good, v), Otherwise: r.text(s.Otherwise, v), MustShow: r.text(s.MustShow, v),
		Required: r.policy.required(s, of, name), Values: r.values(s, v), Pos: s.Pos,
	})
}

// text is a text with its values, in which a value that is left out leaves
// no gap.
func (r *renderer) text(a *script.Answer, v script.Values) string {
	if a == nil {
		return ""
	}
	text, err := a.Sentence(v)
	if err != nil {
		r.fail(a.Pos, err)
	}
	return strings.Join(strings.Fields(text), " ")
}

func source(s *script.Step) string {
	switch {
	case s.Caution == nil:
		return ""
	case s.Source == "":
		return script.CommonPractice
	}
	return s.Source
}

// deferring ends a caution with whom it defers to.
func deferring(caution string) string {
	if caution == "" || strings.Contains(strings.ToLower(caution), "local codes and licensed practice") {
		return caution
	}
	if !strings.HasSuffix(caution, ".") {
		caution += "."
	}
	return caution + " " + Defer
}

func (r *renderer) values(s *script.Step, v script.Values) []Value {
	var list []Value
	for _, sv := range s.Values {
		value := Value{Label: r.text(sv.Label, v)}
		pieces, err := sv.Value.Render(v)
		if err != nil {
			r.fail(sv.Pos, err)
		}
		for _, p := range pieces {
			value.Value += p.Text
			value.Secret += p.Secret
		}
		list = append(list, value)
	}
	return list
}

// NetLookRendered is one look over the network, worked out for a unit.
type NetLookRendered struct {
	What    string // name for people
	Address netip.Addr
	By      string // script.ByICMP, ByTCP, ByHTTPS or BySSH
	Port    int    // 0 with script.ByICMP
	Pos     script.Pos
}

// Looks gives what must answer before the set-up of a unit begins, in the
// order of the file; d.Serves says for how long and how often.
func Looks(d *script.Dialogue, v script.Values) ([]NetLookRendered, error) {
	if d == nil || d.Serves == nil {
		return nil, nil
	}
	var out []NetLookRendered
	var faults []error
	for i := range d.Serves.Looks {
		list, err := looks(&d.Serves.Looks[i], v)
		if err != nil {
			faults = append(faults, err)
		}
		out = append(out, list...)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return out, nil
}

func looks(l *script.NetLook, v script.Values) ([]NetLookRendered, error) {
	elements, err := repeated(l.Each, v)
	if err != nil {
		return nil, err
	}
	var out []NetLookRendered
	for _, v := range elements {
		if needed, err := holds(l.Needed, v); err != nil {
			return nil, err
		} else if !needed {
			continue
		}
		one := NetLookRendered{By: l.By, Port: l.Port, Pos: l.Pos}
		if one.What, err = l.What.Text(v); err != nil {
			return nil, err
		}
		text, err := l.Address.Text(v)
		if err != nil {
			return nil, err
		}
		if one.Address, err = netip.ParseAddr(text); err != nil {
			return nil, fmt.Errorf("%s: what to look at is %q, which is not an address", l.Address.Pos, text)
		}
		out = append(out, one)
	}
	return out, nil
}
