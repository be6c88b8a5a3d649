package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
)

func (a *app) checkCommand() *cobra.Command {
	var dialogues []string
	var strict, asJSON bool
	cmd := &cobra.Command{
		Use:   "check [PROFILE…]",
		Short: "Check site profiles and dialogues, without a unit",
		Long: `check reads each profile, makes the plan, and checks the dialogue of every unit
against its values. It opens no line and reads no secret. Problems come first,
the worst before the others; then the plan.`,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 && a.set.Profile != "" {
				args = []string{a.set.Profile}
			}
			severity := station.Warning
			if strict {
				severity = station.Error
			}
			return a.check(args, dialogues, severity, asJSON)
		},
	}
	cmd.Flags().StringSliceVar(&dialogues, "dialogue", nil, "check this dialogue `FILE`, and use it in place of the profile's own of that name")
	cmd.Flags().BoolVar(&strict, "secrets", false, "a secret that cannot be had now is an error")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print what was found as JSON")
	return cmd
}

func (a *app) check(profiles, dialogues []string, secrets station.Severity, asJSON bool) error {
	if len(profiles) == 0 && len(dialogues) == 0 {
		return usage("linehand check PROFILE, or linehand check --dialogue FILE", "nothing was named to check")
	}
	if len(profiles) == 0 {
		profiles = []string{""}
	}
	code := exitFine
	var reports []station.Report
	for _, profile := range profiles {
		r := station.Check(profile, secrets, dialogues...)
		reports = append(reports, r)
		if !r.Sound {
			code = exitInput
		}
	}
	if asJSON {
		if err := printJSON(a.out, reports); err != nil {
			return err
		}
		return outcome(code)
	}
	for _, r := range reports {
		showReport(a.out, r)
	}
	return outcome(code)
}

func showReport(w io.Writer, r station.Report) {
	count := map[station.Severity]int{}
	for _, f := range r.Findings {
		count[f.Severity]++
		fmt.Fprintf(w, "%s: %s: %s\n", f.Severity, f.Place(), f.What)
		if f.Why != "" {
			fmt.Fprintf(w, "    why: %s\n", f.Why)
		}
		if f.Mend != "" {
			fmt.Fprintf(w, "    mend: %s\n", f.Mend)
		}
	}
	if len(r.Findings) > 0 {
		fmt.Fprintln(w)
	}
	verdict := "sound"
	if !r.Sound {
		verdict = "not sound: no run would begin"
	}
	name := r.Profile
	if name == "" {
		name = "the dialogue"
	}
	fmt.Fprintf(w, "%s is %s (%d errors, %d warnings, %d notes)\n", name, verdict, count[station.Error], count[station.Warning], count[station.Note])
	if len(r.Units) > 0 {
		showPlan(w, r)
	}
}

func showPlan(w io.Writer, r station.Report) {
	fmt.Fprintf(w, "\nThe plan of %s\n", r.Site)
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, u := range r.Units {
		serial := u.Serial
		if serial == "" {
			serial = "serial number left open"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", u.Name, u.Kind, serial, u.Cluster, strings.Join(u.Ports, "; "))
	}
	t.Flush()
}

// printJSON prints v for machines.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
