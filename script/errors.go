package script

import (
	"fmt"
	"slices"
	"strings"

	"linehand/script/internal/yamlwalk"
)

func (p Pos) String() string {
	switch {
	case p.File == "" && p.Line == 0:
		return "(no file)"
	case p.Line == 0:
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Fault is one thing that is wrong with a file, where, and how to mend it.
type Fault struct {
	Pos  Pos
	What string
	Mend string
}

// Error is one line, also where the file's own words run over several.
func (f Fault) Error() string {
	text := fmt.Sprintf("%s: %s", f.Pos, f.What)
	if f.Mend != "" {
		text += "; " + f.Mend
	}
	return oneLine.Replace(text)
}

var oneLine = strings.NewReplacer("\n", `\n`, "\r", `\r`)

// Errors are all the faults of a file at once, in file order.
type Errors []Fault

// Error gives one line for each fault: "file:line:col: what; how to mend it".
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, fault := range e {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

// maxFaults is how many faults are told: nobody reads more at once.
const maxFaults = 100

// sorted puts the faults in file order and cuts a flood of them short.
func (e Errors) sorted() Errors {
	slices.SortStableFunc(e, func(a, b Fault) int {
		if a.Pos.Line != b.Pos.Line {
			return a.Pos.Line - b.Pos.Line
		}
		return a.Pos.Column - b.Pos.Column
	})
	if more := len(e) - maxFaults; more > 0 {
		e = append(e[:maxFaults:maxFaults], Fault{Pos: e[maxFaults].Pos, What: fmt.Sprintf("%d more faults from here on", more), Mend: "mend those above first"})
	}
	return e
}

func placeAt(pos Pos) func(int) Pos { return func(int) Pos { return pos } }

// DidYouMean suggests the nearest of the names that there are, or lists them.
func DidYouMean(got string, names []string) string { return didYouMean(got, names, names) }

// didYouMean suggests the nearest of the candidates, or lists the names that
// there are.
func didYouMean(got string, candidates, listed []string) string {
	if best, ok := yamlwalk.Nearest(clip(got), candidates); ok {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "the names are " + strings.Join(listed, ", ")
}
