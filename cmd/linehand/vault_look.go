package main

import (
	"fmt"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"linehand/script/vault"
)

// keptEntry is an entry for machines.
type keptEntry struct {
	Name     string     `json:"name"`
	Made     time.Time  `json:"made"`
	Rotated  *time.Time `json:"rotated,omitempty"`
	Previous bool       `json:"previous"`
}

func (v *vaulting) list() *cobra.Command {
	cmd := &cobra.Command{
		Use: "list FILE", Short: "List the names of the secrets, and when they were changed", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			open, err := v.open(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			return v.show(open.Entries())
		},
	}
	cmd.Flags().BoolVar(&v.json, "json", false, "print the list as JSON")
	return cmd
}

func (v *vaulting) show(entries []vault.Entry) error {
	if v.json {
		out := []keptEntry{}
		for _, e := range entries {
			one := keptEntry{Name: e.Name, Made: e.Made, Previous: e.Previous}
			if !e.Rotated.IsZero() {
				one.Rotated = &e.Rotated
			}
			out = append(out, one)
		}
		return printJSON(v.out, out)
	}
	t := tabwriter.NewWriter(v.out, 0, 8, 2, ' ', 0)
	for _, e := range entries {
		changed, before := "never changed", ""
		if !e.Rotated.IsZero() {
			changed = "changed " + e.Rotated.Format(time.RFC3339)
		}
		if e.Previous {
			before = "the value before is kept"
		}
		fmt.Fprintf(t, "%s\tmade %s\t%s\t%s\n", e.Name, e.Made.Format(time.RFC3339), changed, before)
	}
	return t.Flush()
}

func (v *vaulting) check() *cobra.Command {
	cmd := &cobra.Command{
		Use: "check FILE", Short: "Hold all secrets against the rules of the units that take them", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			of, err := v.measures(v.kind)
			if err != nil {
				return err
			}
			open, err := v.open(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			return v.judge(open, of)
		},
	}
	v.addRuleFlags(cmd)
	return cmd
}

func (v *vaulting) judge(open *vault.Vault, of func(string) measure) error {
	code, count := exitFine, 0
	for _, name := range open.Names() {
		value, err := open.Secret(name)
		if err != nil {
			return &vaultError{err}
		}
		if of(name).factory[name] {
			continue
		}
		count++
		for _, f := range of(name).check(open, name, value) {
			fmt.Fprintf(v.out, "%s: %s: %s\n    why: %s\n    mend: %s\n", f.Severity, open.Path(), v.masked(f.What), f.Why, f.Mend)
			if f.Severity == "error" {
				code = exitInput
			}
		}
	}
	fmt.Fprintf(v.out, "%s: %d secrets were held against the rules\n", open.Path(), count)
	return outcome(code)
}
