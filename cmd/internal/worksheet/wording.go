package worksheet

import (
	"regexp/syntax"
	"strings"

	"linehand/script"
)

// wording is a pattern as a person would look for it: the text itself, or a
// regular expression with what may vary shown as an ellipsis.
func wording(p script.Pattern) string {
	if !p.Regexp {
		return strings.TrimSpace(p.Text)
	}
	tree, err := syntax.Parse(p.Text, syntax.Perl)
	if err != nil {
		return p.Text
	}
	var b strings.Builder
	speak(&b, tree)
	text := b.String()
	for strings.Contains(text, "……") {
		text = strings.ReplaceAll(text, "……", "…")
	}
	return strings.TrimSpace(text)
}

func speak(b *strings.Builder, r *syntax.Regexp) {
	switch r.Op {
	case syntax.OpLiteral:
		b.WriteString(string(r.Rune))
	case syntax.OpConcat, syntax.OpCapture:
		for _, sub := range r.Sub {
			speak(b, sub)
		}
	case syntax.OpEmptyMatch, syntax.OpBeginLine, syntax.OpEndLine, syntax.OpBeginText, syntax.OpEndText, syntax.OpWordBoundary, syntax.OpNoWordBoundary:
	case syntax.OpQuest:
		// A single character that may be missing, as in "members?", is shown.
		if sub := r.Sub[0]; sub.Op == syntax.OpLiteral && len(sub.Rune) == 1 {
			b.WriteString(string(sub.Rune))
			return
		}
		b.WriteString("…")
	default:
		b.WriteString("…")
	}
}
