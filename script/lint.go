package script

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Severity tells whether a finding keeps a dialogue from being used.
type Severity string

// The severities.
const (
	SeverityError   Severity = "error"   // the dialogue would do the wrong thing, or nothing
	SeverityWarning Severity = "warning" // it may, on some unit or after some answer
)

// Finding is something in a well-formed dialogue that is wrong or risky.
type Finding struct {
	Severity Severity
	Pos      Pos
	What     string
	Why      string // what would come of it
	Mend     string
}

// String is the finding in one line.
func (f Finding) String() string {
	return fmt.Sprintf("%s: %s: %s (%s); %s", f.Pos, f.Severity, f.What, f.Why, f.Mend)
}

// Lint finds what is wrong with a dialogue without a unit and without a
// plan, in file order.
func Lint(d *Dialogue) []Finding {
	l := &linter{d: d}
	l.identity()
	l.names()
	l.reach()
	l.lastAnswer()
	l.factUses()
	l.steps()
	for i := range d.Stages {
		l.secrets(&d.Stages[i])
		l.emptyMatches(&d.Stages[i])
		l.livePrompts(&d.Stages[i])
		l.swallowed(&d.Stages[i])
	}
	l.acrossStages()
	return l.sorted()
}

type linter struct {
	d        *Dialogue
	findings []Finding
}

func (l *linter) add(severity Severity, pos Pos, what, why, mend string) {
	l.findings = append(l.findings, Finding{severity, pos, what, why, mend})
}

// sorted puts the findings in file order and drops repeats.
func (l *linter) sorted() []Finding {
	slices.SortStableFunc(l.findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column), cmp.Compare(a.What, b.What))
	})
	return slices.Compact(l.findings)
}

func (l *linter) identity() {
	if l.d.IdentityNone || slices.ContainsFunc(l.d.Facts, func(f Fact) bool { return f.Name == "serial" }) {
		return
	}
	l.add(SeverityError, Pos{l.d.File, 1, 1}, "no fact is called serial", "the right chassis cannot be told from a wrong one",
		`add facts: {serial: '…'}, or say identity: not printed and have a person confirm the chassis`)
}

func (l *linter) names() {
	seen := map[string]Pos{}
	for _, s := range l.d.Stages {
		if first, twice := seen[s.Name]; twice {
			l.add(SeverityError, s.Pos, fmt.Sprintf("two stages are called %q, the first on line %d", s.Name, first.Line), "neither a person nor if-refused can say which is meant", "give each a name of its own")
			continue
		}
		seen[s.Name] = s.Pos
		if s.Each != nil && !strings.Contains(s.Name, "${") {
			l.add(SeverityWarning, s.Pos, fmt.Sprintf("stage %q is repeated under one name", s.Name), "the record and a hold cannot say which of them is meant", fmt.Sprintf("put the variable into the name, as in %s ${%s.name}", s.Name, s.Each.Var))
		}
	}
}

// reach follows the order of the file, finish and if-refused.
func (l *linter) reach() {
	index := map[string]int{}
	var names []string
	for i, s := range l.d.Stages {
		if _, twice := index[s.Name]; !twice {
			index[s.Name] = i
			names = append(names, s.Name)
		}
	}
	reached := make([]bool, len(l.d.Stages))
	for todo := []int{0}; len(todo) > 0; {
		i := todo[0]
		todo = todo[1:]
		if i >= len(reached) || reached[i] {
			continue
		}
		reached[i] = true
		s := &l.d.Stages[i]
		if !s.Finish || s.Needed != nil || s.Each != nil {
			todo = append(todo, i+1)
		}
		if target, ok := index[s.IfRefused]; ok {
			todo = append(todo, target)
		}
	}
	for i := range l.d.Stages {
		s := &l.d.Stages[i]
		if _, ok := index[s.IfRefused]; s.IfRefused != "" && !ok {
			l.add(SeverityError, s.Pos, fmt.Sprintf("no stage is called %q, where if-refused goes on", s.IfRefused), "a refusal would have nowhere to go", didYouMean(s.IfRefused, names, names))
		}
		if !reached[i] {
			l.add(SeverityError, s.Pos, fmt.Sprintf("stage %q is never reached", s.Name), "the dialogue finishes above it, and no if-refused leads to it", "move it up, name it in an if-refused, or take finish: true out above")
		}
	}
}

// lastAnswer looks at the stages where the dialogue can end.
func (l *linter) lastAnswer() {
	for i := range l.d.Stages {
		s := &l.d.Stages[i]
		if !s.Finish && i != len(l.d.Stages)-1 || len(s.Until) > 0 || len(s.Exchanges) == 0 {
			continue
		}
		last := s.Exchanges[len(s.Exchanges)-1]
		if len(last.Reads) == 0 {
			l.add(SeverityWarning, last.Pos, "nothing shows that the last answer was taken", "the run would count as complete although the unit refused it", "add until to the stage with what the unit shows next, or a read-back")
		}
	}
}

// factUses finds facts that are named and never come to be.
func (l *linter) factUses() {
	known := l.d.FactNames()
	l.expressions(func(pos Pos, facts []string) {
		for _, name := range facts {
			if !slices.Contains(known, name) {
				l.add(SeverityError, pos, fmt.Sprintf("fact %q is never read", name), "the expression can never be worked out", factMend(name, known))
			}
		}
	})
}

func factMend(name string, known []string) string {
	if len(known) == 0 {
		return "add it to facts, or keep it in a read-back"
	}
	return didYouMean(name, known, known)
}

// expressions visits every expression of the dialogue with the facts that
// it names.
func (l *linter) expressions(visit func(Pos, []string)) {
	guard := func(g *Guard) {
		if g != nil {
			visit(g.Pos, g.named())
		}
	}
	answer := func(a *Answer) {
		if a != nil {
			visit(a.Pos, a.Facts())
		}
	}
	for i := range l.d.Stages {
		s := &l.d.Stages[i]
		guard(s.Needed)
		answer(s.title)
		if s.Each != nil {
			visit(s.Each.Of.Pos, s.Each.Of.Facts())
		}
		for j := range s.Exchanges {
			x := &s.Exchanges[j]
			guard(x.When)
			guard(x.Needed)
			answer(x.Answer)
			for k := range x.Reads {
				answer(x.Reads[k].Equals)
				answer(x.Reads[k].title)
			}
		}
	}
}

func (l *linter) secrets(s *Stage) {
	for i := range s.Exchanges {
		x := &s.Exchanges[i]
		if x.Answer != nil && x.Answer.HasSecret() && x.Echo == EchoTyped {
			l.add(SeverityError, x.Pos, "a secret is typed where the unit shows what is typed", "it would stand on every screen that looks on", "write echo: hidden, or leave echo out; if the unit truly shows secrets, write echo: none")
		}
	}
}
