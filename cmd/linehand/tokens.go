package main

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/access"
)

func (a *app) tokensCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "tokens", Short: "API tokens of the bench that runs here",
		Long: `tokens makes, lists and ends the API tokens by which programs elsewhere ask the
bench, linehand order among them. A token's secret is written into a file that
only you can read, once; the bench keeps a digest.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().String("data", "", "the bench's data `FOLDER` (default bench-data)")
	cmd.PersistentFlags().String("person", "", "`NAME` of who asks")
	var roles, to string
	var days int
	make := &cobra.Command{Use: "make NAME --role ROLE[,ROLE…] --out FILE", Short: "Make a token for a program", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return a.makeToken(cmd, args[0], roles, to, days) }}
	make.Flags().StringVar(&roles, "role", "", "`ROLES` with commas between them: look, play, release, audit, keys")
	make.Flags().StringVar(&to, "out", "", "put the token into a new `FILE`")
	make.Flags().IntVar(&days, "days", 90, "how many days it is good; at most 366")
	list := &cobra.Command{Use: "list", Short: "List the tokens that are good", Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error {
		var all []access.Token
		if err := (&client{app: a}).do(cmd.Context(), http.MethodGet, "/api/tokens", nil, &all); err != nil {
			return err
		}
		for _, t := range all {
			fmt.Fprintf(a.out, "%s  %s  %s  by %s  until %s\n", t.ID, t.Name, t.Roles, t.By, t.Until.Format(time.DateOnly))
		}
		return nil
	}}
	end := &cobra.Command{Use: "end TOKEN", Short: "End a token, by its ID", Args: cobra.ExactArgs(1), RunE: func(cmd *cobra.Command, args []string) error {
		return (&client{app: a}).do(cmd.Context(), http.MethodDelete, "/api/tokens/"+url.PathEscape(args[0]), nil, nil)
	}}
	for _, c := range []*cobra.Command{make, list, end} {
		c.Args = usageArgs(c.Args)
		cmd.AddCommand(c)
	}
	return cmd
}

func (a *app) makeToken(cmd *cobra.Command, name, roles, to string, days int) error {
	rs, err := access.ParseRoles(roles)
	if err != nil {
		return usage("--role look,play", "--role: %v", err)
	}
	if to == "" {
		return usage("--out FILE", "say where the token is to go")
	}
	c := &client{app: a}
	var made struct {
		access.Token
		Secret string
	}
	if err := c.do(cmd.Context(), http.MethodPost, "/api/tokens", map[string]any{"name": name, "roles": rs, "days": days}, &made); err != nil {
		return err
	}
	if err := writeNew(to, made.Secret+"\n", 0o600); err != nil {
		// A token that nobody has is not to be left.
		if ended := c.do(cmd.Context(), http.MethodDelete, "/api/tokens/"+url.PathEscape(made.ID), nil, nil); ended != nil {
			a.complain(ended.Error(), "end the token "+made.ID+" yourself")
		}
		return err
	}
	fmt.Fprintf(a.out, "%s  %s may %s until %s\n", made.ID, made.Name, made.Roles, made.Until.Format(time.DateOnly))
	return nil
}
