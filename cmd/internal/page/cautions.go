package page

import (
	"slices"
	"strings"

	"linehand/cmd/internal/station"
	"linehand/script/steps"
)

// caution is one caution of the steps by hand, with all that it is due at.
type caution struct {
	Text, Source string
	Steps        []string // names of the steps, in the order of the work
	Kinds        []string // of unit
}

// work is how much is done by hand at units of a kind.
type work struct {
	Kind   string
	Units  int
	Before int // steps before the dialogue
	After  int
	Holds  int // hold points among them
}

// byHand gathers the cautions of all kinds of unit, each once.
func (v *view) byHand(all []station.ByHand) {
	at := make(map[[2]string]int)
	for _, k := range all {
		w := work{Kind: k.Kind, Units: len(k.Units), Before: len(k.Before), After: len(k.After)}
		for _, s := range slices.Concat(k.Before, k.After) {
			if s.Required {
				w.Holds++
			}
			if s.Caution == "" {
				continue
			}
			key := [2]string{s.Caution, s.Source}
			i, known := at[key]
			if !known {
				i = len(v.Cautions)
				at[key] = i
				v.Cautions = append(v.Cautions, caution{Text: bare(s.Caution), Source: s.Source})
			}
			c := &v.Cautions[i]
			c.Steps, c.Kinds = added(c.Steps, s.Of), added(c.Kinds, k.Kind)
		}
		v.Works = append(v.Works, w)
	}
}

// bare is a caution without the sentence that the section says once for all.
func bare(text string) string { return strings.TrimSpace(strings.TrimSuffix(text, steps.Defer)) }

func added(list []string, name string) []string {
	if slices.Contains(list, name) {
		return list
	}
	return append(list, name)
}
