package draft

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// loops finds commands that were typed for one port after another, and makes
// a stage of them that is repeated for each port: another unit may have
// others.
func loops(stages []*stage, k *known) []*stage {
	var out []*stage
	for _, s := range stages {
		if s.class != commands {
			out = append(out, s)
			continue
		}
		out = append(out, unroll(s, k)...)
	}
	rename(out)
	return out
}

// rename gives each stage a name of its own.
func rename(stages []*stage) {
	count := make(map[string]int, len(stages))
	for _, s := range stages {
		base := string(s.class)
		if s.each != "" {
			base = s.name
		}
		s.name = base
		if count[base]++; count[base] > 1 {
			s.name = fmt.Sprintf("%s %d", base, count[base])
		}
	}
}

// unroll splits a stage of commands where a loop stands in it.
func unroll(s *stage, k *known) []*stage {
	for from := 0; from < len(s.items); from++ {
		for size := 1; size <= 4; size++ {
			ports, over := k.loopAt(s.items[from:], size)
			if ports < 2 {
				continue
			}
			var out []*stage
			if from > 0 {
				out = append(out, &stage{class: s.class, within: s.within, items: s.items[:from]})
			}
			body := s.items[from : from+size]
			first := k.ports[len(k.ports)-ports]
			loop := &stage{name: bodyName(body) + " ${port.name}", class: s.class, within: s.within, each: over}
			for _, it := range body {
				loop.items = append(loop.items, it.inLoop(first.Name))
			}
			out = append(out, loop)
			rest := &stage{class: s.class, within: s.within, items: s.items[from+size*ports:]}
			if len(rest.items) == 0 {
				return out
			}
			return append(out, unroll(rest, k)...)
		}
	}
	return []*stage{s}
}

// bodyName is the first command's first word, for people.
func bodyName(body []*item) string {
	name := strings.Fields(body[0].ans.template + " command")[0]
	if strings.Contains(name, "${") {
		name = "commands"
	}
	return "each port: " + name
}

// loopAt tells for how many of the last ports of the unit the same commands
// stand at the beginning of items, size for each.
func (k *known) loopAt(items []*item, size int) (ports int, over string) {
	for _, skip := range []int{0, 1} {
		n := len(k.ports) - skip
		if n < 2 || len(items) < n*size {
			continue
		}
		if k.sameFor(items[:n*size], size, skip) {
			return n, map[int]string{0: "unit.ports", 1: "unit.ports[1:]"}[skip]
		}
	}
	return 0, ""
}

func (k *known) sameFor(items []*item, size, skip int) bool {
	for i, it := range items {
		port := k.ports[skip+i/size].Name
		like := items[i%size].inLoop(k.ports[skip].Name)
		here := it.inLoop(port)
		if skip+i/size > 0 && strings.Contains(it.ans.template, "${port.") {
			return false // it is about the first port, whichever the loop is at
		}
		if it.press != "" || !strings.Contains(here.ans.template, "${port.") || here.ans.template != like.ans.template || !slices.Equal(here.reads, like.reads) || it.prompts[0] != items[0].prompts[0] {
			return false
		}
	}
	return true
}

// inLoop is the item with the port as the loop's variable.
func (it *item) inLoop(port string) *item {
	c := *it
	c.ans.template = portVar(it.ans.template, port)
	c.reads = slices.Clone(it.reads)
	for i := range c.reads {
		c.reads[i].what = portVar(c.reads[i].what, port)
		c.reads[i].equals = portVar(c.reads[i].equals, port)
	}
	return &c
}

// portVar puts the loop's variable where a port stands: its values, and its
// name as a word.
func portVar(text, port string) string {
	text = strings.ReplaceAll(text, "${ports."+port+".", "${port.")
	text = strings.ReplaceAll(text, `${ports["`+port+`"].`, "${port.")
	word := regexp.MustCompile(`(^|[\s=,])` + regexp.QuoteMeta(port) + `($|[\s=,])`)
	return word.ReplaceAllString(text, "${1}$${port.name}${2}")
}
