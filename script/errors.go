package script

import (
	"fmt"
	"slices"
	"strings"
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

func (f Fault) Error() string {
	if f.Mend == "" {
		return fmt.Sprintf("%s: %s", f.Pos, f.What)
	}
	return fmt.Sprintf("%s: %s; %s", f.Pos, f.What, f.Mend)
}

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

func (e Errors) sorted() Errors {
	slices.SortStableFunc(e, func(a, b Fault) int {
		if a.Pos.Line != b.Pos.Line {
			return a.Pos.Line - b.Pos.Line
		}
		return a.Pos.Column - b.Pos.Column
	})
	return e
}

func placeAt(pos Pos) func(int) Pos { return func(int) Pos { return pos } }

// didYouMean suggests the nearest of the candidates, or lists the names that
// there are.
func didYouMean(got string, candidates, listed []string) string {
	best, bestDistance := "", 1+max(1, len(got)/3)
	for _, candidate := range candidates {
		if d := editDistance(strings.ToLower(got), strings.ToLower(candidate)); d < bestDistance {
			best, bestDistance = candidate, d
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "the names are " + strings.Join(listed, ", ")
}

// editDistance counts the single-character changes between two words, a
// swap of neighbours as one (restricted Damerau-Levenshtein distance).
func editDistance(a, b string) int {
	if len(a) > 100 || len(b) > 100 {
		return 100
	}
	before, last := []int(nil), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
