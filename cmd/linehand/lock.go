package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
)

func (a *app) lockCommand() *cobra.Command {
	var look bool
	cmd := &cobra.Command{
		Use:   "lock [PROFILE]",
		Short: "Write down the addresses that a profile leaves to be allotted",
		Long: `lock allots an address to every "auto" of a profile and writes them to the lock
file beside it, NAME.lock.yaml for NAME.yaml. What the file holds already stays
put; what nobody asks for any more is taken out. Keep the file under version
control. bringup refuses addresses that no lock file holds.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			profile := a.set.Profile
			if len(args) > 0 {
				profile = args[0]
			}
			return a.lock(profile, look)
		},
	}
	cmd.Flags().BoolVar(&look, "look", false, "write nothing; the exit code tells whether the lock file is current")
	return cmd
}

func (a *app) lock(profile string, look bool) error {
	if profile == "" {
		return usage("linehand lock PROFILE", "no site profile was named")
	}
	sheet, err := station.ReadSheet(profile)
	if err != nil {
		return err
	}
	state := sheet.Lock()
	switch {
	case state.State == station.LockCurrent || state.State == station.LockNotNeeded:
		fmt.Fprintf(a.out, "%s: the lock file is %s (addresses are allotted to %d ports and clusters)\n", state.File, state.State, state.Auto)
		return nil
	case look:
		fmt.Fprintf(a.out, "%s: the lock file is %s; linehand lock %s writes it\n", state.File, state.State, profile)
		return outcome(exitInput)
	}
	if err := sheet.Plan.Lock.Write(); err != nil {
		return &codedError{exitInput, err.Error(), "see to it that the file can be written"}
	}
	fmt.Fprintf(a.out, "%s: written, with addresses allotted to %d ports and clusters; keep it under version control\n", state.File, state.Auto)
	return nil
}
