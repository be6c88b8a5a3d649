package main

import (
	"github.com/spf13/cobra"

	"linehand/script/schema"
)

func (a *app) schemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema profile|dialogue",
		Short: "Print the JSON Schema of site profiles or of dialogues, for editors",
		Long: `schema prints a JSON Schema (draft 2020-12). An editor that is given it shows
mistyped keys and values of the wrong form while they are typed; linehand check
finds what a schema cannot say.`,
		Args:      cobra.ExactArgs(1),
		ValidArgs: []string{"profile", "dialogue"},
		RunE: func(_ *cobra.Command, args []string) error {
			var text []byte
			switch args[0] {
			case "profile":
				text = schema.Profile()
			case "dialogue":
				text = schema.Dialogue()
			default:
				return usage("there are profile and dialogue", "there is no schema of %q", args[0])
			}
			_, err := a.out.Write(text)
			return err
		},
	}
}
