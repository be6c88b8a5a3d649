package script

import (
	"fmt"
	"net/netip"
	"strings"
)

// steps finds what is wrong with a dialogue's own steps, half by half.
func (l *linter) steps() {
	for _, half := range [][]Step{l.d.Before, l.d.After} {
		seen := map[string]Pos{}
		for i := range half {
			l.step(&half[i], seen)
		}
	}
}

func (l *linter) step(s *Step, seen map[string]Pos) {
	name := s.Name
	if name == "" {
		name = s.General
	}
	if first, twice := seen[name]; twice {
		l.add(SeverityError, s.Pos, fmt.Sprintf("two steps are called %q, the first on line %d", name, first.Line), "the record cannot say which of them was ticked", "give each a name of its own, or take one out")
		return
	}
	seen[name] = s.Pos
	if s.Each != nil && s.Name != "" && !strings.Contains(s.Name, "${") {
		l.add(SeverityWarning, s.Pos, fmt.Sprintf("step %q is repeated under one name", s.Name), "the record cannot say which of them was ticked", fmt.Sprintf("put the variable into the name, as in %s ${%s.name}", s.Name, s.Each.Var))
	}
	if s.Caution != nil && s.Source == "" {
		l.add(SeverityWarning, s.Pos, fmt.Sprintf("the caution of step %q says no source", name), "it will be shown as "+CommonPractice, "add source: with the standard that it is in, or with "+CommonPractice)
	}
	if len(s.Values) > 0 && s.MustShow == nil && s.General == "" {
		l.add(SeverityWarning, s.Pos, fmt.Sprintf("step %q has values, and does not say what the page must show at the end", name), "nobody can tell whether the page took them", "add must-show:")
	}
}

// LintSteps finds what a plan does not supply to steps: it works each out,
// for each element of a repeated one.
func LintSteps(list []Step, v Values) []Finding {
	l := &valuesLinter{linter: linter{d: &Dialogue{}}, why: "the person would not be told", part: "the step"}
	v = v.ready()
	for i := range list {
		s := &list[i]
		l.eachOf(s.Each, v, func(v Values) { l.oneStep(s, v) })
	}
	return l.sorted()
}

func (l *valuesLinter) oneStep(s *Step, v Values) {
	if !l.holds(s.Needed, v) {
		return
	}
	for _, text := range []*Answer{s.title, s.Do, s.Caution, s.Good, s.Otherwise, s.MustShow} {
		l.sentence(text, v)
	}
	for i := range s.Values {
		l.sentence(s.Values[i].Label, v)
		l.answer(s.Values[i].Value, v)
	}
}

func (l *valuesLinter) sentence(a *Answer, v Values) {
	if a == nil {
		return
	}
	parts, err := a.compiled()
	if err != nil {
		l.missing(a.Pos, err)
		return
	}
	for _, part := range parts {
		if _, err := part.sentence(v); err != nil {
			l.missing(part.pos, fmt.Errorf("${%s}: %w", part.source, err))
		}
	}
}

// eachOf works something out once, or for each element of its list.
func (l *valuesLinter) eachOf(each *Each, v Values, once func(Values)) {
	if each == nil {
		once(v)
		return
	}
	list, err := each.Of.List(v)
	if err != nil {
		l.missing(each.Of.Pos, err)
		return
	}
	for _, element := range list {
		once(v.With(each.Var, element))
	}
}

// serves works out what is looked at, which must be addresses.
func (l *valuesLinter) serves(v Values) {
	if l.d.Serves == nil {
		return
	}
	for i := range l.d.Serves.Looks {
		look := &l.d.Serves.Looks[i]
		l.eachOf(look.Each, v, func(v Values) {
			if !l.holds(look.Needed, v) {
				return
			}
			l.answer(look.What, v)
			before := len(l.findings)
			l.answer(look.Address, v)
			if look.Address == nil || len(l.findings) > before {
				return
			}
			text, err := look.Address.Text(v)
			if err == nil {
				_, err = netip.ParseAddr(text)
			}
			if err != nil {
				l.missing(look.Address.Pos, fmt.Errorf("what is looked at is %q, which is not an address", clip(text)))
			}
		})
	}
}
