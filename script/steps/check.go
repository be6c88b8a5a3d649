package steps

import (
	"errors"
	"fmt"
	"slices"

	"linehand/script"
)

// Check finds what is wrong with the steps of a dialogue beside the general
// set: steps of it that do not exist, and own steps of the same name.
// script.Lint finds what is wrong with them by themselves.
func Check(d *script.Dialogue) []script.Finding {
	said, err := expand(d)
	if err != nil {
		return findings(err)
	}
	var out []script.Finding
	for _, half := range [][]script.Step{said.before, said.after} {
		seen := map[string]bool{}
		for i := range half {
			name := half[i].Name
			if seen[name] && half[i].Pos.File != generalName {
				out = append(out, script.Finding{Severity: script.SeverityError, Pos: half[i].Pos,
					What: fmt.Sprintf("step %q is there already", name), Why: "the record cannot say which of them was ticked",
					Mend: "give it another name, or write general: to change the one that is there"})
			}
			seen[name] = true
		}
	}
	return out
}

// CheckValues finds what a plan does not supply to the steps of a dialogue.
// Those of the general set need nothing but the unit's name, and every unit
// has one: only own and changed steps are worked out.
func CheckValues(d *script.Dialogue, v script.Values) []script.Finding {
	said, err := expand(d)
	if err != nil {
		return nil // Check tells it
	}
	own := slices.DeleteFunc(slices.Concat(said.before, said.after), func(s script.Step) bool { return s.Pos.File == generalName })
	return script.LintSteps(own, v)
}

func findings(err error) []script.Finding {
	var faults script.Errors
	if !errors.As(err, &faults) {
		return nil
	}
	var out []script.Finding
	for _, f := range faults {
		out = append(out, script.Finding{Severity: script.SeverityError, Pos: f.Pos, What: f.What, Why: "the person would not be shown it", Mend: f.Mend})
	}
	return out
}
