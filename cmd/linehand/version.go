package main

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"linehand/script"
	"linehand/script/site"
	"linehand/transcript"
)

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Say which version this is, and which formats it reads",
		Args:  cobra.NoArgs,
		Run: func(*cobra.Command, []string) {
			fmt.Fprintf(a.out, "%s (%s, %s/%s)\nformats: %s %s %s\n", tool(), runtime.Version(), runtime.GOOS, runtime.GOARCH, site.Format, script.Format, transcript.Format)
		},
	}
}
