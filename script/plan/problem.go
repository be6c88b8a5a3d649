package plan

import (
	"errors"
	"fmt"
	"strings"

	"linehand/script"
)

// Severity tells how bad a problem is.
type Severity string

// The severities.
const (
	Error   Severity = "error"   // there is no plan
	Warning Severity = "warning" // it can work, but look again
	Note    Severity = "note"    // nothing to do
)

// Problem is one thing that is wrong with a site.
type Problem struct {
	Severity Severity
	Pos      script.Pos
	What     string
	Why      string // with its published source; "" where What says it all
	Mend     string
}

// String gives one line: "file:line:col: severity: what (why); how to mend it".
func (p Problem) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s: %s", p.Pos, p.Severity, p.What)
	if p.Why != "" {
		fmt.Fprintf(&b, " (%s)", p.Why)
	}
	if p.Mend != "" {
		b.WriteString("; " + p.Mend)
	}
	return b.String()
}

// Problems are all problems of a site, in the order of the profile.
type Problems []Problem

// Err returns the errors among the problems as one error of a line each, nil
// when there are none.
func (p Problems) Err() error {
	var lines []string
	for _, problem := range p {
		if problem.Severity == Error {
			lines = append(lines, problem.String())
		}
	}
	if lines == nil {
		return nil
	}
	return errors.New(strings.Join(lines, "\n"))
}
