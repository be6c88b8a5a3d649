package main

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/access"
	"linehand/transcript"
)

func (a *app) peopleCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "people", Short: "Who may sign in at the bench by name",
		Long: `people adds, lists and removes those who may sign in at the bench by name and
passphrase. A bench that runs takes note at once.

Roles: look (see lines, orders and the plan), play (file, allow and stop work),
release (release holds, take a line's keyboard), audit (see records, make
handover packs), keys (end sessions, make API tokens). Each includes look.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().String("data", "", "the bench's data `FOLDER` (default bench-data)")
	var roles, from string
	add := &cobra.Command{
		Use: "add NAME --role ROLE[,ROLE…]", Short: "Add a person, or give one other roles and another passphrase", Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.addPerson(args[0], roles, from) },
	}
	add.Flags().StringVar(&roles, "role", "", "`ROLES` with commas between them: look, play, release, audit, keys")
	add.Flags().StringVar(&from, "from", "", "read the passphrase out of the first line of `FILE`, which only you can read")
	list := &cobra.Command{Use: "list", Short: "List the people", Args: cobra.NoArgs, RunE: func(*cobra.Command, []string) error { return a.listPeople() }}
	remove := &cobra.Command{Use: "remove NAME", Short: "Remove a person; their sessions end", Args: cobra.ExactArgs(1), RunE: func(_ *cobra.Command, args []string) error {
		people, err := access.OpenPeople(a.set.Bench.Data)
		if err == nil {
			err = people.Remove(args[0])
		}
		return peopleFault(err)
	}}
	for _, c := range []*cobra.Command{add, list, remove} {
		c.Args = usageArgs(c.Args)
		cmd.AddCommand(c)
	}
	return cmd
}

func peopleFault(err error) error {
	if err == nil {
		return nil
	}
	return &codedError{exitInput, err.Error(), "linehand help bench people tells more; nothing was changed"}
}

func (a *app) addPerson(name, roles, from string) error {
	if roles == "" {
		return usage("--role look,play", "say what %s may do", transcript.Printable(name))
	}
	rs, err := access.ParseRoles(roles)
	if err != nil {
		return usage("--role look,play", "--role: %v", err)
	}
	if err := access.CheckName(name); err != nil {
		return usage("linehand bench people add NAME --role ROLE", "%v", err)
	}
	people, err := access.OpenPeople(a.set.Bench.Data)
	if err != nil {
		return peopleFault(err)
	}
	passphrase, err := a.personPassphrase(name, from)
	if err != nil {
		return err
	}
	if err := people.Add(name, rs, passphrase, time.Now()); err != nil {
		return peopleFault(err)
	}
	fmt.Fprintf(a.out, "%s may %s\n", name, rs)
	return nil
}

// personPassphrase reads a passphrase out of a file that only its owner can read,
// or asks for it twice.
func (a *app) personPassphrase(name, from string) (string, error) {
	if from != "" {
		info, err := os.Stat(from)
		if err == nil && !private(info) {
			err = errors.New("others can read it: chmod 600")
		}
		var data []byte
		if err == nil {
			data, err = os.ReadFile(from)
		}
		if err != nil {
			return "", &codedError{exitSecret, fmt.Sprintf("read the passphrase from %s: %v", from, err), "nothing was changed"}
		}
		line, _, _ := strings.Cut(string(data), "\n")
		return strings.TrimSuffix(line, "\r"), nil
	}
	first, err := a.askHidden(fmt.Sprintf("Passphrase of %s, at least %d characters: ", name, access.LeastPassphrase))
	if err != nil {
		return "", err
	}
	if err := access.CheckPassphrase(first); err != nil {
		return "", peopleFault(err)
	}
	again, err := a.askHidden("Once more: ")
	if err == nil && again != first {
		err = usage("nothing was changed", "the two are not the same")
	}
	return first, err
}

func (a *app) listPeople() error {
	people, err := access.OpenPeople(a.set.Bench.Data)
	if err != nil {
		return peopleFault(err)
	}
	list, err := people.List()
	if err != nil {
		return peopleFault(err)
	}
	for _, p := range list {
		fmt.Fprintf(a.out, "%s  %s\n", p.Name, p.Roles)
	}
	return nil
}

func (a *app) linkCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "link", Short: "Print a new sign-in link of the bench that runs here",
		Long: `link asks the bench that runs with this data folder for a link that signs in
whoever opens it first, within ten minutes. There are links only where the bench
listens on a loopback address.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c := &client{app: a}
			var link struct{ URL string }
			if err := c.do(cmd.Context(), http.MethodPost, "/api/sign-in-links", nil, &link); err != nil {
				return err
			}
			fmt.Fprintln(a.out, link.URL)
			return nil
		},
	}
	cmd.Flags().String("data", "", "the bench's data `FOLDER` (default bench-data)")
	return cmd
}
