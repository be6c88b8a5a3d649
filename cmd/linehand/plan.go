package main

import (
	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
)

func (a *app) planCommand() *cobra.Command {
	var asCSV, asJSON bool
	cmd := &cobra.Command{
		Use:   "plan [PROFILE]",
		Short: "Print the plan for other programs, as CSV or JSON",
		Long: `plan prints each unit's values as they would be typed, without secrets: as CSV
with a row for each port (RFC 4180), or as JSON. linehand check shows the plan
to people.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			profile := a.set.Profile
			if len(args) > 0 {
				profile = args[0]
			}
			switch {
			case profile == "":
				return usage("linehand plan PROFILE --csv", "no site profile was named")
			case asCSV == asJSON:
				return usage("linehand check shows the plan to people", "say one of --csv and --json")
			}
			sheet, err := station.ReadSheet(profile)
			if err != nil {
				return err
			}
			if asCSV {
				return sheet.Plan.WriteCSV(a.out)
			}
			return sheet.Plan.WriteJSON(a.out)
		},
	}
	cmd.Flags().BoolVar(&asCSV, "csv", false, "a row for each port")
	cmd.Flags().BoolVar(&asJSON, "json", false, "a value for each unit")
	return cmd
}
