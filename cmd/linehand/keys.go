package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"linehand/transcript/ledger"
	"linehand/transcript/seal"
)

func (a *app) keysCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "The keys that this bench seals its records with",
		Long: `keys makes, lists, changes and shows the keys that this bench seals its records
with. They are in the folder keys below the folder of records; the private part
is for its owner only, and leaves the bench never. Give the public part to
whoever has to verify the records, by another way than the records take.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().String("records", "", "the `FOLDER` of session records (default records)")
	var locked, asPEM, asJSON bool
	fresh := &cobra.Command{Use: "new BENCH", Short: "Make a key and begin the log of this bench", Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.newKey(args[0], locked) }}
	rotate := &cobra.Command{Use: "rotate", Short: "Go over to a new key; the old one signs no more", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.rotateKey(locked) }}
	for _, c := range []*cobra.Command{fresh, rotate} {
		c.Flags().BoolVar(&locked, "passphrase", false, "ask for a passphrase that the private part then needs")
	}
	list := &cobra.Command{Use: "list", Short: "List the keys", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.listKeys(asJSON) }}
	list.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	show := &cobra.Command{Use: "show", Short: "Print the public part of the key in use", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.showKey(asPEM) }}
	show.Flags().BoolVar(&asPEM, "pem", false, "in PEM form, for other programs")
	cmd.AddCommand(fresh, rotate, list, show)
	for _, c := range cmd.Commands() {
		c.Args = usageArgs(c.Args)
	}
	return cmd
}

func (a *app) newKey(bench string, locked bool) error {
	if _, err := os.Stat(a.set.Records + string(os.PathSeparator) + ledger.File); err == nil {
		return &codedError{exitInput, fmt.Sprintf("%s has a log of a bench already", a.set.Records), "linehand keys rotate goes over to a new key"}
	}
	passphrase, err := a.newPassphrase(locked)
	if err != nil {
		return err
	}
	key, err := a.keyRing().Make(passphrase)
	if err != nil {
		return err
	}
	l, err := ledger.Begin(a.set.Records, bench, key)
	if err != nil {
		return &codedError{exitInput, err.Error(), ""}
	}
	defer l.Close()
	fmt.Fprintf(a.out, "key of %s: %s\n", bench, key.Public())
	return nil
}

func (a *app) rotateKey(locked bool) error {
	l, err := a.openLedger()
	if err != nil {
		return err
	}
	defer l.Close()
	old, err := l.Log().Current()
	if err != nil {
		return err
	}
	passphrase, err := a.newPassphrase(locked)
	if err != nil {
		return err
	}
	// The key is in the ring before the log goes over to it, and the old one
	// stays until then: whenever this stops, one of them can sign.
	key, err := a.keyRing().Make(passphrase)
	if err != nil {
		return err
	}
	if err := l.Rotate(key); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "key of %s: %s\n", l.Log().Bench(), key.Public())
	return a.keyRing().Retire(old)
}

// listedKey is a key for a list.
type listedKey struct {
	seal.Info
	InUse bool `json:"in_use"`
}

func (a *app) listKeys(asJSON bool) error {
	infos, err := a.keyRing().List()
	if err != nil {
		return err
	}
	current, err := a.currentKey()
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	list := make([]listedKey, len(infos))
	for i, info := range infos {
		list[i] = listedKey{info, info.Key == current}
	}
	if asJSON {
		return printJSON(a.out, list)
	}
	for _, k := range list {
		state := "signs no more"
		switch {
		case k.InUse && k.Locked:
			state = "in use, with a passphrase"
		case k.InUse:
			state = "in use"
		case k.Private:
			state = "not in use"
		}
		fmt.Fprintf(a.out, "%s  made %s  %s\n", k.Key, k.Made.Format("2006-01-02"), state)
	}
	return nil
}

func (a *app) currentKey() (seal.Public, error) {
	log, _, err := ledger.Read(a.set.Records)
	if err != nil {
		return seal.Public{}, err
	}
	return log.Current()
}

func (a *app) showKey(asPEM bool) error {
	key, err := a.currentKey()
	if err != nil {
		return &codedError{exitInput, err.Error(), "linehand keys new BENCH makes a key and begins a log"}
	}
	if asPEM {
		_, err = a.out.Write(key.PEM())
		return err
	}
	fmt.Fprintln(a.out, key)
	return nil
}

// newPassphrase asks for a passphrase twice.
func (a *app) newPassphrase(locked bool) (string, error) {
	if !locked {
		return "", nil
	}
	first, err := a.askHidden("Passphrase for the new key: ")
	if err != nil {
		return "", err
	}
	second, err := a.askHidden("Again: ")
	switch {
	case err != nil:
		return "", err
	case first == "" || first != second:
		return "", &codedError{exitSecret, "the two passphrases are not the same, or empty", "nothing was made; run again"}
	}
	return first, nil
}

// askHidden asks the person at the terminal for something that is not shown.
// It is kept out of all that this program writes.
func (a *app) askHidden(question string) (string, error) {
	f, ok := a.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return "", &codedError{exitSecret, "nobody can be asked: standard input is no terminal", "run it at a terminal"}
	}
	fmt.Fprint(a.errs, question)
	text, err := term.ReadPassword(int(f.Fd()))
	fmt.Fprintln(a.errs)
	if err != nil {
		return "", fmt.Errorf("read from the terminal: %w", err)
	}
	a.mask.Add("typed here", string(text))
	return string(text), nil
}
