package draft

import (
	"fmt"
	"strings"
	"time"
)

// writer puts the file together and counts its lines.
type writer struct {
	strings.Builder
	lines int
	marks []Mark
}

func (w *writer) line(format string, args ...any) {
	fmt.Fprintf(&w.Builder, format, args...)
	w.WriteByte('\n')
	w.lines++
}

func (w *writer) mark(indent, text string) {
	text = strings.Join(strings.Fields(strings.ToValidUTF8(text, "\ufffd")), " ")
	w.line("%s%s%s", indent, lookHere, printable(text))
	w.marks = append(w.marks, Mark{w.lines, text})
}

// write writes the file.
func (f *file) write() *Draft {
	w := &writer{}
	d := &Draft{Name: dialogueName(f.unit.Kind), Stages: len(f.stages)}
	f.writeHead(w, d.Name)
	w.line("")
	w.line("stages:")
	for i, s := range f.stages {
		if i > 0 {
			w.line("")
		}
		s.write(w)
		d.Exchanges += len(s.items)
	}
	d.Text, d.Marks = w.String(), w.marks
	return d
}

func (f *file) writeHead(w *writer, name string) {
	w.line("# Drafted from %s by hand. Read it before it is used:", count(len(f.heard), "session"))
	w.line("# what was guessed is marked.")
	w.line("format: linehand.dialogue/1")
	w.line("name: %s", name)
	w.line("title: %s", quote(f.title()))
	w.line("line: %s", f.lineSettings())
	f.writeWake(w)
	for _, m := range f.marks {
		w.mark("", m)
	}
	if f.none {
		w.line("identity: not printed")
	}
	if len(f.fact) > 0 {
		w.line("facts:")
		for _, fact := range f.fact {
			w.line("  %s: %s", fact[0], quote(fact[1]))
		}
	}
	var chatter []string
	for _, h := range f.heard {
		for _, re := range h.chatter {
			if text := quote(strings.TrimPrefix(re.String(), "(?m)")); !contains(chatter, text) {
				chatter = append(chatter, text)
			}
		}
	}
	if len(chatter) > 0 {
		w.line("chatter: [%s]", strings.Join(chatter, ", "))
	}
}

func contains(list []string, text string) bool {
	for _, t := range list {
		if t == text {
			return true
		}
	}
	return false
}

func (f *file) writeWake(w *writer) {
	h := f.heard[0]
	within := max(12*time.Minute, (4 * h.silent).Truncate(time.Minute))
	wake, redraw := "", ""
	for _, h := range f.heard {
		wake, redraw = h.wake, h.redraw
		if wake != "" || redraw != "" {
			break
		}
	}
	switch {
	case redraw != "":
		w.line("wake: {press: %s, every: 5s, within: %s}", redraw, short(within))
		w.line("redraw: %s", redraw)
	case wake != "":
		w.line("wake: {press: %s, every: 5s, within: %s}", wake, short(within))
	default:
		w.line("wake: {press: nothing, within: %s}", short(within))
	}
}

// short is a time as the language writes it.
func short(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%dh", d/time.Hour)
	}
	return fmt.Sprintf("%dm", max(1, d/time.Minute))
}

func (s *stage) write(w *writer) {
	w.line("  - stage: %s", quote(s.name))
	w.line("    within: %s", short(s.within))
	if s.each != "" {
		w.line("    each: {port: '%s'}", s.each)
	}
	w.line("    exchanges:")
	var refused []string
	for _, it := range s.items {
		it.write(w)
		for _, words := range it.refused {
			if q := quote(words); words != "" && !contains(refused, q) && !s.asks(words) {
				refused = append(refused, q)
			}
		}
	}
	if len(refused) > 0 {
		w.line("    refused-by: [%s]", strings.Join(refused, ", "))
	}
	for _, m := range s.marks {
		w.mark("    ", m)
	}
	if len(s.until) > 0 {
		w.line("    until: %s", s.until[0].yaml())
	}
	if s.finish {
		w.line("    finish: true")
	}
}

// asks tells whether words stand in a prompt of the stage.
func (s *stage) asks(words string) bool {
	for _, it := range s.items {
		if strings.Contains(it.raw, words) {
			return true
		}
	}
	return false
}

func (it *item) write(w *writer) {
	for _, m := range it.marks {
		w.mark("      ", m)
	}
	var prompts []string
	for _, p := range it.prompts {
		prompts = append(prompts, p.yaml())
	}
	prompt := prompts[0]
	if len(prompts) > 1 {
		prompt = "[" + strings.Join(prompts, ", ") + "]"
	}
	w.line("      - prompt: %s", prompt)
	if it.press != "" {
		w.line("        press: %s", it.press)
	} else {
		w.line("        answer: %s", quote(it.ans.template))
	}
	for _, line := range []struct{ key, value string }{{"when", it.when}, {"needed", it.needed}, {"echo", it.echo}} {
		if line.value != "" {
			w.line("        %s: %s", line.key, quote(line.value))
		}
	}
	if it.times > 1 {
		w.line("        times: %d", it.times)
	}
	if it.atOnce {
		w.line("        at-once: true")
	}
	if it.some {
		w.line("        sometimes: true")
	}
	if len(it.reads) > 0 {
		w.line("        reads:")
		for _, r := range it.reads {
			w.line("          - {what: %s, as: %s, regexp: %s, equals: %s}", quote(r.what), r.as, quote(r.regexp), quote(r.equals))
		}
	}
}

func (p pattern) yaml() string {
	if p.regexp {
		return "{regexp: " + quote(p.text) + "}"
	}
	return quote(p.text)
}

// quote is a text in single quotes, in which only they are special.
func quote(text string) string {
	return "'" + strings.ReplaceAll(printable(text), "'", "''") + "'"
}

// printable replaces what a file of text must not hold.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x2028 || r == 0x2029 || r == 0xfeff {
			return '\ufffd'
		}
		return r
	}, strings.ToValidUTF8(text, "\ufffd"))
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
