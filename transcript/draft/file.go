package draft

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"linehand/script"
	"linehand/transcript"
)

// stage is a stage of the draft.
type stage struct {
	name   string
	class  class
	within time.Duration
	items  []*item
	until  []pattern
	finish bool
	each   string // the list of ports that the stage is repeated for
	marks  []string
}

// file is a dialogue in the making.
type file struct {
	unit   Unit
	head   transcript.Header
	heard  []*hearing
	fact   [][2]string
	none   bool // no serial number is printed
	stages []*stage
	marks  []string // about the file as a whole
}

// split makes stages: a new one where the subject changes, where the unit
// restarts, and where commands begin.
func split(items []*item) []*stage {
	smooth(items)
	var stages []*stage
	var last time.Duration
	for _, it := range items {
		n := len(stages)
		if n == 0 || stages[n-1].class != it.class || it.ans.template == "${factory.user}" && stages[n-1].signsIn() {
			stages = append(stages, &stage{class: it.class})
		}
		s := stages[len(stages)-1]
		s.items = append(s.items, it)
		if len(it.seen) > 0 && it.seen[0] == 0 {
			s.within = max(s.within, it.began-last)
			last = it.began
		}
	}
	for _, s := range stages {
		s.within = max(2*time.Minute, (3*s.within + time.Minute).Truncate(time.Minute))
	}
	return stages
}

// signsIn tells whether a sign-in has begun in a stage.
func (s *stage) signsIn() bool {
	return slices.ContainsFunc(s.items, func(it *item) bool { return it.ans.template == "${factory.user}" })
}

// smooth gives an item between two of one subject that subject, and what
// comes before the first sign-in to it.
func smooth(items []*item) {
	for i := range items {
		if items[i].class == start && i+1 < len(items) && !items[i].atOnce {
			items[i].class = items[i+1].class
			if items[i+1].class == start {
				items[i].class = start
			}
		}
		if i > 0 && i+1 < len(items) && items[i-1].class == items[i+1].class && items[i].class == settings && items[i].needed == "" && items[i].ans.template != "${factory.user}" {
			items[i].class = items[i-1].class
		}
		if items[i].press != "" && items[i].class == start && i > 0 {
			items[i].class = items[i-1].class
		}
	}
}

// anchor marks the start of prompts that are the end of another.
func (f *file) anchor() {
	var all []*pattern
	for _, s := range f.stages {
		for _, it := range s.items {
			for i := range it.prompts {
				all = append(all, &it.prompts[i])
			}
		}
	}
	for _, a := range all {
		for _, b := range all {
			if !a.regexp && a.text != b.text && strings.HasSuffix(b.text, a.text) {
				*a = pattern{`(?m)^\W*` + regexp.QuoteMeta(a.text), true}
				break
			}
		}
	}
}

// ending says how the last stage is seen to be over.
func (f *file) ending() {
	last := f.stages[len(f.stages)-1]
	last.finish = true
	h := f.heard[0]
	shown := h.last
	if shown == "" {
		for _, line := range h.turns[len(h.turns)-1].reply {
			if strings.TrimSpace(line) != "" {
				shown = strings.TrimSpace(line)
			}
		}
	}
	shown = strings.TrimLeftFunc(shown, ornament)
	if shown == "" {
		if len(last.items[len(last.items)-1].reads) == 0 {
			last.marks = append(last.marks, "nothing was printed after the last answer: add until with what shows that it was taken")
		}
		return
	}
	last.until = []pattern{generalise(shown, knownOf(h.unit))}
}

// facts proposes where the serial number and the firmware are read.
func (f *file) facts(sessions []Session) {
	var prefixes []string
	planned := false
	late := false
	for i, s := range sessions {
		planned = planned || s.Unit.Serial != ""
		found, at := serialPrefixes(f.heard[i], s.Unit.Serial)
		for _, p := range found {
			if !slices.Contains(prefixes, p) {
				prefixes = append(prefixes, p)
			}
		}
		late = late || len(found) > 0 && at > 0
	}
	switch {
	case len(prefixes) > 0:
		if len(prefixes) > 4 {
			prefixes = prefixes[:4]
		}
		f.fact = append(f.fact, [2]string{"serial", `(?:` + strings.Join(prefixes, "|") + `)([A-Za-z0-9][A-Za-z0-9-]*)`})
		if late {
			f.marks = append(f.marks, "the serial number was printed only after the first planned value was typed: a run holds there, so ask for it earlier")
		}
	default:
		f.none = true
		if planned {
			f.marks = append(f.marks, "the planned serial number was not seen: a person will have to confirm the chassis")
		}
	}
	if re := firmware(f.heard[0]); re != "" {
		f.fact = append(f.fact, [2]string{"firmware", re})
	}
}

// serialPrefixes finds what stands before the unit's serial number, and in
// which turn it was first seen: 0 is before any planned value was typed.
func serialPrefixes(h *hearing, serial string) (prefixes []string, late int) {
	if serial == "" {
		return nil, 0
	}
	late = -1
	k := knownOf(h.unit)
	note := func(line string, turn int) {
		i := strings.Index(line, serial)
		if i < 0 || letterBeside(line, i, i+len(serial)) {
			return
		}
		if late < 0 {
			late = turn
		}
		words := strings.Fields(line[:i])
		before := line[:i]
		if len(words) > 3 {
			before = strings.Join(words[len(words)-3:], " ") + line[len(strings.TrimRight(line[:i], " ")):i]
		}
		if p := generalise(before, k); p.regexp {
			before = p.text
		} else {
			before = regexp.QuoteMeta(before)
		}
		if strings.TrimSpace(before) == "" {
			return
		}
		if !slices.Contains(prefixes, before) {
			prefixes = append(prefixes, before)
		}
	}
	for _, line := range h.boot {
		note(line, 0)
	}
	typed := 0
	for _, t := range h.turns {
		note(t.prompt, typed)
		if t.shown != "" && t.shown != k.factory.User && len(k.recognise(t.shown, t.prompt, "").values) > 0 {
			typed = 1
		}
		for _, line := range t.reply {
			note(line, typed)
		}
	}
	return prefixes, max(late, 0)
}

var versioned = regexp.MustCompile(`(?i)\b(firmware|software|version)\b[ :]*v?\d+\.\d+[0-9.]*`)

func firmware(h *hearing) string {
	for _, line := range h.lines {
		if m := versioned.FindStringSubmatch(line); m != nil {
			return `(?i)\b` + strings.ToLower(m[1]) + `\b[ :]*v?(\d+\.\d+[0-9.]*)`
		}
	}
	return ""
}

// lineSettings is the head's line: speed, framing and what ends an answer.
func (f *file) lineSettings() string {
	speed, framing := "9600", "8N1"
	if parts := strings.Fields(f.head.Line.Settings); len(parts) >= 2 && digits.FindString(parts[0]) == parts[0] && len(parts[1]) == 3 {
		speed, framing = parts[0], parts[1]
	}
	enter := "CR"
	erase := ""
	for _, h := range f.heard {
		switch {
		case h.crlf:
			enter = "CR LF"
		case h.lf:
			enter = "LF"
		}
		switch h.erase {
		case "\b":
			erase = ", erase: BS"
		case "\x7f":
			erase = ", erase: DEL"
		case "\x15":
			erase = ", erase: Ctrl-U"
		}
	}
	return fmt.Sprintf("{speed: %s, framing: %s, enter: %s%s}", speed, framing, enter, erase)
}

// identity of the file for people.
func (f *file) title() string {
	var unit script.UnitValues
	unit, _ = f.unit.Values["unit"].(script.UnitValues)
	if unit.Kind == "" {
		return "First boot of a " + f.unit.Kind
	}
	return "First boot of a " + unit.Kind
}
