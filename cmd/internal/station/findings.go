package station

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"linehand/script"
	"linehand/script/plan"
)

// Severity tells how bad a finding is.
type Severity string

// The severities, the worst first.
const (
	Error   Severity = "error"   // nothing is opened
	Warning Severity = "warning" // it can work, but look again
	Note    Severity = "note"    // nothing to do
)

// Finding is one thing that a check has found in a file that a person wrote.
type Finding struct {
	Severity Severity `json:"severity"`
	File     string   `json:"file"`
	Line     int      `json:"line,omitempty"`
	Column   int      `json:"column,omitempty"`
	What     string   `json:"what"`
	Why      string   `json:"why,omitempty"`
	Mend     string   `json:"mend,omitempty"`
}

// Place is "file:line:column" as far as it is known.
func (f Finding) Place() string {
	return script.Pos{File: f.File, Line: f.Line, Column: f.Column}.String()
}

// Sentence is the finding without its severity and without how to mend it.
func (f Finding) Sentence() string {
	text := f.What
	if f.File != "" {
		text = f.Place() + ": " + text
	}
	if f.Why != "" {
		text += " (" + f.Why + ")"
	}
	return text
}

// Findings are findings in the order of their files and lines. As an error
// they are what keeps a run from beginning.
type Findings []Finding

func (f Findings) Error() string {
	lines := make([]string, len(f))
	for i, one := range f {
		lines[i] = one.Sentence()
		if one.Mend != "" {
			lines[i] += "; " + one.Mend
		}
	}
	return strings.Join(lines, "\n")
}

// Is tells that findings are faults of input files.
func (f Findings) Is(target error) bool { return target == ErrInput }

func (f Findings) only(severity Severity) Findings {
	var out Findings
	for _, one := range f {
		if one.Severity == severity {
			out = append(out, one)
		}
	}
	return out
}

// Faults are the findings that keep a run from beginning.
func (f Findings) Faults() Findings { return f.only(Error) }

func at(pos script.Pos, severity Severity, what, why, mend string) Finding {
	return Finding{severity, pos.File, pos.Line, pos.Column, what, why, mend}
}

// findingsOf turns the error of a reader of profiles or dialogues into
// findings.
func findingsOf(err error) error {
	var faults script.Errors
	if errors.As(err, &faults) {
		var out Findings
		for _, f := range faults {
			out = append(out, at(f.Pos, Error, f.What, "", f.Mend))
		}
		return out
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		return Findings{{Severity: Error, File: path.Path, What: fmt.Sprintf("cannot read the file: %v", path.Err), Mend: "name a file that is there and may be read"}}
	}
	return err
}

func findingsOfPlan(problems plan.Problems) Findings {
	var out Findings
	for _, p := range problems {
		out = append(out, at(p.Pos, Severity(p.Severity), p.What, p.Why, p.Mend))
	}
	return out
}

func findingsOfLint(list []script.Finding) Findings {
	var out Findings
	for _, f := range list {
		out = append(out, at(f.Pos, Severity(f.Severity), f.What, f.Why, f.Mend))
	}
	return out
}
