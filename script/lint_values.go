package script

import (
	"errors"
	"fmt"
	"strings"
)

// LintValues finds what a plan does not supply to a dialogue: it works out
// every guard, answer and read-back of the stages that the plan needs, each
// for each element of a repeated stage, and what must answer on the network.
// LintSteps does it for the steps by hand. Facts are not known before a run:
// what depends on them is taken as needed, and itself passed over.
func LintValues(d *Dialogue, v Values) []Finding {
	l := &valuesLinter{linter: linter{d: d}, why: "the run would hold there", part: "the exchange"}
	v = v.ready()
	for i := range d.Stages {
		l.stage(&d.Stages[i], v)
	}
	l.why, l.part = "nothing could be looked at", "the look"
	l.serves(v)
	return l.sorted()
}

type valuesLinter struct {
	linter
	why  string // what comes of a value that is missing
	part string // what can be left out in its place
}

func (l *valuesLinter) missing(pos Pos, err error) {
	what := strings.TrimPrefix(err.Error(), pos.String()+": ")
	l.add(SeverityError, pos, what, l.why, "add the value to the site profile, or leave "+l.part+" out with needed:")
}

// holds works a guard out; what depends on a fact, or on an error that is
// told once, counts as the caller says.
func (l *valuesLinter) holds(g *Guard, v Values) bool {
	if g == nil || g.prog == nil || g.prog.uses("fact") {
		return true
	}
	yes, err := g.True(v)
	if err != nil {
		l.missing(g.Pos, err)
	}
	return yes
}

func (l *valuesLinter) stage(s *Stage, v Values) {
	if s.Each == nil {
		l.once(s, v)
		return
	}
	if len(s.Each.Of.Facts()) > 0 {
		return
	}
	list, err := s.Each.Of.List(v)
	if err != nil {
		l.missing(s.Each.Of.Pos, err)
		return
	}
	for _, element := range list {
		l.once(s, v.With(s.Each.Var, element))
	}
}

func (l *valuesLinter) once(s *Stage, v Values) {
	if !l.holds(s.Needed, v) {
		return
	}
	l.answer(s.title, v)
	for i := range s.Exchanges {
		x := &s.Exchanges[i]
		if !l.holds(x.Needed, v) || !l.holds(x.When, v) {
			continue
		}
		l.answer(x.Answer, v)
		for j := range x.Reads {
			l.answer(x.Reads[j].title, v)
			l.planned(&x.Reads[j], v)
		}
	}
}

// answer works out each part by itself, so that one fact does not hide what
// the rest lacks.
func (l *valuesLinter) answer(a *Answer, v Values) {
	if a == nil {
		return
	}
	parts, err := a.compiled()
	if err != nil {
		l.missing(a.Pos, err)
		return
	}
	for _, part := range parts {
		if part.prog != nil && part.prog.uses("fact") {
			continue
		}
		if _, err := part.render(v); err != nil {
			l.missing(part.pos, fmt.Errorf("${%s}: %w", part.source, err))
		}
	}
}

// planned also asks whether the planned value is of the kind that the
// read-back compares.
func (l *valuesLinter) planned(read *ReadBack, v Values) {
	if read.Equals == nil {
		return
	}
	before := len(l.findings)
	l.answer(read.Equals, v)
	if len(read.Equals.Facts()) > 0 || len(l.findings) > before {
		return
	}
	text, err := read.Equals.Text(v)
	if err == nil {
		_, err = Compare(read.As, text, text)
	}
	if err != nil {
		l.missing(read.Equals.Pos, errors.New("the read-back compares as "+string(read.As)+": "+err.Error()))
	}
}
