package script

import (
	"fmt"
	"strings"
)

// emptyMatches finds regular expressions that match where nothing stands.
func (l *linter) emptyMatches(s *Stage) {
	check := func(p Pattern, what string) {
		if p.Regexp && (p.In.MatchString("") || what == "prompt" && p.At.MatchString("")) {
			l.add(SeverityError, p.Pos, fmt.Sprintf("the regular expression %q matches the empty text", clip(p.Text)), "it would match whatever the unit prints", "say what must be there")
		}
	}
	for i := range s.Exchanges {
		for _, p := range s.Exchanges[i].Prompts {
			check(p, "prompt")
		}
		for _, p := range s.Exchanges[i].RefusedBy {
			check(p, "refusal")
		}
	}
	for _, p := range s.RefusedBy {
		check(p, "refusal")
	}
	for _, p := range s.Until {
		check(p, "end")
	}
	for _, stop := range l.d.StopOn {
		check(stop.Text, "stop")
	}
}

// plainText is a prompt as the unit ends in it.
func plainText(p Pattern) string { return strings.TrimRight(p.Text, " \t\r\n") }

// livePrompts looks at each two exchanges of a stage, which are watched for
// at once: those not yet answered first, in file order.
func (l *linter) livePrompts(s *Stage) {
	for i := range s.Exchanges {
		for j := i + 1; j < len(s.Exchanges); j++ {
			l.pair(&s.Exchanges[i], &s.Exchanges[j])
		}
	}
}

func (l *linter) pair(first, second *Exchange) {
	for _, a := range first.Prompts {
		for _, b := range second.Prompts {
			switch {
			case samePattern(a, b):
				l.sameWording(first, second, a)
			case takes(a, b):
				l.shadow(first, a, b)
			case takes(b, a):
				l.later(second, a, b)
			}
			l.tooEarly(first, second, a, b)
			l.tooEarly(second, first, b, a)
		}
	}
}

func samePattern(a, b Pattern) bool {
	if a.Regexp != b.Regexp {
		return false
	}
	return a.Regexp && a.Text == b.Text || !a.Regexp && plainText(a) == plainText(b)
}

// takes tells whether a would match when b's plain text is what shows.
func takes(a, b Pattern) bool { return !b.Regexp && a.At.MatchString(b.Text) }

// sameWording: the same prompt twice in a stage means its next exchange that
// is not answered yet, so it must be plain when the first is done with.
func (l *linter) sameWording(first, second *Exchange, p Pattern) {
	if first.Needed != nil || second.Needed != nil {
		return // one of them may be out: the guards decide
	}
	why := ""
	switch {
	case first.Sometimes:
		why = "the first may be left out by the unit, and then this answer goes unsaid or the other is given"
	case first.Times > 1:
		why = fmt.Sprintf("the first is answered up to %d times before this one's turn comes", first.Times)
	case first.When != nil:
		why = "when the first must not be answered the run holds there, and never comes to this one"
	default:
		return
	}
	l.add(SeverityError, second.Pos, fmt.Sprintf("the prompt %q stands on line %d too", clip(p.Text), first.Pos.Line), why, "tell the two apart by a longer text or by needed: on both")
}

const anchorMend = "write more of the prompt, or mark its start: {regexp: '(?m)^…'}"

// shadow: the earlier prompt matches where the later one shows.
func (l *linter) shadow(first *Exchange, a, b Pattern) {
	severity, why := SeverityWarning, "a unit that skips the first question would get the first one's answer here"
	if first.Sometimes || first.Times > 1 {
		severity, why = SeverityError, "the first may still be waiting when this one shows, and would be answered in its place"
	}
	l.add(severity, b.Pos, fmt.Sprintf("the prompt %q on line %d also matches at the end of %q", clip(a.Text), a.Pos.Line, clip(b.Text)), why, anchorMend)
}

// later: the later prompt matches where the earlier one shows again.
func (l *linter) later(second *Exchange, a, b Pattern) {
	if second.AtOnce {
		return // told as too early
	}
	l.add(SeverityWarning, b.Pos, fmt.Sprintf("the prompt %q also matches at the end of %q on line %d", clip(b.Text), clip(a.Text), a.Pos.Line),
		"a unit that asks the first question again would get the second one's answer", anchorMend)
}

// tooEarly: an exchange that is answered while text still moves takes a
// longer prompt for its own as that one is being printed.
func (l *linter) tooEarly(quick, other *Exchange, a, b Pattern) {
	if !quick.AtOnce || other.AtOnce || a.Regexp || b.Regexp {
		return
	}
	if strings.Contains(b.Text, plainText(a)) {
		l.add(SeverityError, a.Pos, fmt.Sprintf("the prompt %q is answered at once, and stands within %q on line %d", clip(a.Text), clip(b.Text), b.Pos.Line),
			"it would be answered while the longer prompt is still being printed", "write more of the prompt, or take at-once out")
	}
}

// acrossStages looks for an earlier stage's prompt that matches a later
// stage's: a run that attaches half way watches for all of them.
func (l *linter) acrossStages() {
	type waiting struct {
		p     Pattern
		stage string
	}
	var before []waiting
	for i := range l.d.Stages {
		s := &l.d.Stages[i]
		var here []waiting
		for j := range s.Exchanges {
			for _, p := range s.Exchanges[j].Prompts {
				here = append(here, waiting{p, s.Name})
				for _, w := range before {
					// Regular expressions are left alone here: they are long to try.
					if !w.p.Regexp && !samePattern(w.p, p) && takes(w.p, p) {
						l.add(SeverityWarning, p.Pos, fmt.Sprintf("the prompt %q of stage %q on line %d also matches at the end of %q", clip(w.p.Text), w.stage, w.p.Pos.Line, clip(p.Text)),
							"a run that starts with this prompt showing would take it for that one", anchorMend)
					}
				}
			}
		}
		before = append(before, here...)
	}
}

// swallowed finds prompts of a stage that another list takes for something
// else: a refusal, a failure, or chatter.
func (l *linter) swallowed(s *Stage) {
	for i := range s.Exchanges {
		x := &s.Exchanges[i]
		for _, p := range x.Prompts {
			if p.Regexp {
				l.sameRefusal(s, x, p)
				continue
			}
			l.plainSwallowed(s, p)
		}
	}
}

func (l *linter) sameRefusal(s *Stage, x *Exchange, p Pattern) {
	for _, list := range [][]Pattern{s.RefusedBy, x.RefusedBy} {
		for _, refusal := range list {
			if samePattern(p, refusal) {
				l.refusalIsPrompt(refusal, p)
			}
		}
	}
}

func (l *linter) refusalIsPrompt(refusal, p Pattern) {
	l.add(SeverityError, refusal.Pos, fmt.Sprintf("refused-by %q stands in the prompt %q on line %d", clip(refusal.Text), clip(p.Text), p.Pos.Line),
		"every time the prompt shows it would count as a refusal", "name words that come only with a refusal; a prompt that is asked again counts as one anyway")
}

func (l *linter) plainSwallowed(s *Stage, p Pattern) {
	refusals := append([]Pattern(nil), s.RefusedBy...)
	for i := range s.Exchanges {
		refusals = append(refusals, s.Exchanges[i].RefusedBy...)
	}
	for _, refusal := range refusals {
		if refusal.In.MatchString(p.Text) {
			l.refusalIsPrompt(refusal, p)
		}
	}
	for _, stop := range l.d.StopOn {
		if stop.Text.In.MatchString(p.Text) {
			l.add(SeverityError, stop.Pos, fmt.Sprintf("stop-on %q stands in the prompt %q on line %d", clip(stop.Text.Text), clip(p.Text), p.Pos.Line), "the run would end when the prompt shows", "name words that come only with the failure")
		}
	}
	for _, re := range l.d.Chatter {
		if re.MatchString(p.Text) {
			l.add(SeverityError, p.Pos, fmt.Sprintf("the prompt %q is taken out as chatter by %q", clip(p.Text), clip(strings.TrimPrefix(re.String(), "(?m)"))), "it would never be seen", "narrow the chatter pattern")
		}
	}
}
