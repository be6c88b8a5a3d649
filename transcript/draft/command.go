package draft

import (
	"regexp"
	"slices"
	"strings"
)

func (m *maker) command(it *item, t turn) {
	it.class = commands
	it.ans = m.recognise(t.shown, t.prompt, m.port)
	if t.shown == "" {
		it.ans, it.press = answer{}, "Enter"
		return
	}
	m.port = it.ans.port
	if it.ans.literal && looksPlanned(t.shown) {
		it.mark("%q holds what is not in the plan of %s", t.shown, m.unit.Name)
	}
	if words := refusedWith(t); words != "" {
		it.mark("the unit said %q to this: is it wanted?", words)
	}
	it.reads = m.readBacks(t)
}

var labelled = regexp.MustCompile(`^(\s*)([A-Za-z][A-Za-z0-9 _./-]{0,40}?)(\s*[:=]\s*)(\S+)\s*$`)

// readBacks proposes to compare what a command prints with what the plan
// says: lines of a label and a planned value.
func (m *maker) readBacks(t turn) []read {
	var reads []read
	for _, line := range t.reply {
		if part := labelled.FindStringSubmatch(line); part != nil {
			found := m.meanings(part[4], part[2], m.port)
			if len(found) == 0 || found[0].expr == "unit.serial" { // a fact, compared as such
				continue
			}
			v := found[0]
			what := strings.ToLower(part[2])
			if v.port != "" && !strings.Contains(what, v.port) {
				what += " of " + v.port
			}
			reads = append(reads, read{what, string(v.kind), "(?m)^" + regexp.QuoteMeta(part[1]+part[2]) + spaced(part[3]) + `(\S+)`, "${" + v.expr + "}"})
		}
	}
	if len(reads) == 0 {
		reads = m.bareReadBack(t)
	}
	return reads
}

// bareReadBack is for commands that print one value and nothing else.
func (m *maker) bareReadBack(t turn) []read {
	lines := slices.DeleteFunc(slices.Clone(t.reply), func(line string) bool { return strings.TrimSpace(line) == "" || strings.HasSuffix(line, t.shown) })
	if len(lines) != 1 {
		return nil
	}
	found := m.meanings(strings.TrimSpace(lines[0]), t.shown+" name user", m.port)
	if len(found) == 0 {
		return nil
	}
	return []read{{"answer to " + t.shown, string(found[0].kind), `(?m)^\s*(\S+)\s*$`, "${" + found[0].expr + "}"}}
}

// spaced is the sign between a label and its value, whatever the blanks.
func spaced(sign string) string { return `\s*` + regexp.QuoteMeta(strings.TrimSpace(sign)) + `\s*` }
