package script

import (
	"fmt"
	"regexp"
	"strings"
)

const maxAnswerParts = 100

var secretForm = regexp.MustCompile(`^secret(?:\.([A-Za-z0-9_][A-Za-z0-9_.-]*)|\[(?:"([^"\\]+)"|'([^'\\]+)')\])$`)

// compileAnswer splits an answer into words and expressions. at gives the
// place of a byte of the source in the file.
func compileAnswer(sc scope, source string, at func(offset int) Pos) (*Answer, Errors) {
	b := &answerBuilder{scope: sc, at: at, answer: &Answer{Source: source, Pos: at(0)}}
	for rest := source; rest != ""; {
		rest = b.take(rest, len(source)-len(rest))
	}
	b.flush()
	if len(b.answer.parts) > maxAnswerParts {
		b.faults = append(b.faults, Fault{Pos: at(0), What: fmt.Sprintf("more than %d parts", maxAnswerParts), Mend: "an answer is one line for the unit: shorten it"})
	}
	if len(b.faults) > 0 {
		return nil, b.faults
	}
	return b.answer, nil
}

type answerBuilder struct {
	scope  scope
	at     func(offset int) Pos
	answer *Answer
	faults Errors
	words  strings.Builder // not yet a part
}

// take reads one piece off the rest of the source, which starts at offset,
// and gives what follows it.
func (b *answerBuilder) take(rest string, offset int) string {
	if after, ok := strings.CutPrefix(rest, "$${"); ok {
		b.words.WriteString("${")
		return after
	}
	if !strings.HasPrefix(rest, "${") {
		b.words.WriteByte(rest[0])
		return rest[1:]
	}
	end := closingBrace(rest, len("${"))
	if end < 0 {
		b.faults = append(b.faults, Fault{Pos: b.at(offset), What: "${ without its }", Mend: "close it with }, or write $${ for the two characters ${"})
		return ""
	}
	b.flush()
	part, fault := compilePart(b.scope, rest[len("${"):end])
	if fault != nil {
		b.faults = append(b.faults, Fault{Pos: b.at(offset + len("${") + fault.offset), What: fault.what, Mend: fault.mend})
	}
	part.pos = b.at(offset)
	b.answer.parts = append(b.answer.parts, part)
	return rest[end+1:]
}

func (b *answerBuilder) flush() {
	if b.words.Len() > 0 {
		b.answer.parts = append(b.answer.parts, answerPart{literal: b.words.String(), pos: b.answer.Pos})
		b.words.Reset()
	}
}

func compilePart(sc scope, raw string) (answerPart, *exprFault) {
	source := strings.TrimSpace(raw)
	lead := len(raw) - len(strings.TrimLeft(raw, " \t\r\n"))
	part := answerPart{source: source}
	if source == "" {
		return part, &exprFault{what: "${} is empty", mend: "name a value, such as ${unit.name}"}
	}
	if source == "factory.secret" {
		part.factory = true
		return part, nil
	}
	if m := secretForm.FindStringSubmatch(source); m != nil {
		part.secret = m[1] + m[2] + m[3]
		return part, nil
	}
	prog, fault := compileProgram(sc, source)
	if fault == nil {
		fault = prog.check(wantText)
	}
	if fault != nil {
		fault.offset += lead
		return part, fault
	}
	part.prog = prog
	return part, nil
}

// closingBrace finds the } that ends an expression, past quotes and inner
// braces; -1 when there is none.
func closingBrace(source string, from int) int {
	depth, quote := 0, byte(0)
	for i := from; i < len(source); i++ {
		c := source[i]
		switch {
		case quote != 0:
			if c == '\\' && quote != '`' {
				i++
			} else if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'' || c == '`':
			quote = c
		case c == '{':
			depth++
		case c == '}':
			if depth == 0 {
				return i
			}
			depth--
		}
	}
	return -1
}
