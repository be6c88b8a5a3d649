package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/script/vault"
)

// vaulting is a command on a vault with its options.
type vaulting struct {
	*app
	kind      string
	valueFile string
	newKey    string
	toKey     string
	toPhrase  string
	json      bool
}

func (a *app) vaultCommand() *cobra.Command {
	v := &vaulting{app: a}
	cmd := &cobra.Command{
		Use:   "vault",
		Short: "Keep the secrets of a site in an encrypted file",
		Long: `vault keeps secrets in one file that is encrypted with a passphrase or a key
file. A profile names the file with "vault: FILE" and an entry of it under
secrets: as {vault: ENTRY}. No command prints a value.

The passphrase is asked for without echo, or read from a file that only you can
read (--passphrase-file). A key file (--key-file) opens the vault without
asking; keep it on another medium than the vault. Both paths can be settings.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return usage("linehand help vault lists what there is", "there is no command %q for a vault", args[0])
		},
	}
	for _, sub := range []*cobra.Command{v.create(), v.add(), v.generate(), v.rotate(), v.forget(), v.list(), v.reencrypt(), v.check()} {
		sub.Args = usageArgs(sub.Args)
		addVaultFlags(sub)
		cmd.AddCommand(sub)
	}
	return cmd
}

func (v *vaulting) addRuleFlags(cmd *cobra.Command) {
	cmd.Flags().String("profile", "", "site profile `FILE` whose kinds say what their units take")
	cmd.Flags().StringVar(&v.kind, "kind", "", "`KIND` of unit of the profile that is to take the secret")
}

func (v *vaulting) create() *cobra.Command {
	cmd := &cobra.Command{
		Use: "create FILE", Short: "Make a vault without secrets", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			lock, err := v.freshLock(cmd.Context(), args[0], v.set.KeyFile, v.set.PassphraseFile)
			if err != nil {
				return err
			}
			made, err := vault.Create(args[0], lock)
			if err != nil {
				return &vaultError{err}
			}
			fmt.Fprintf(v.out, "%s: made, locked with %s\n", made.Path(), lock)
			return nil
		},
	}
	cmd.Flags().StringVar(&v.newKey, "new-key", "", "make a key, write it to `FILE`, and lock the vault with it")
	return cmd
}

// freshLock is a lock that a vault is to have from now on. A passphrase that
// is too short or common is refused.
func (v *vaulting) freshLock(ctx context.Context, path, keyFile, phraseFile string) (vault.Lock, error) {
	said := 0
	for _, s := range []string{v.newKey, keyFile, phraseFile} {
		if s != "" {
			said++
		}
	}
	if said > 1 {
		return vault.Lock{}, usage("say one of them", "more than one lock is named")
	}
	switch {
	case v.newKey != "":
		lock, err := vault.NewKeyFile(v.newKey, time.Now())
		if err != nil {
			return lock, &vaultError{err}
		}
		fmt.Fprintf(v.out, "%s: a new key; who loses it loses the vault\n", v.newKey)
		return lock, nil
	case keyFile != "":
		lock, err := vault.KeyFile(keyFile)
		if err != nil {
			return lock, &codedError{exitSecret, err.Error(), "nothing was changed"}
		}
		return lock, nil
	}
	phrase, err := v.twice(ctx, phraseFile, "New passphrase of the vault "+path)
	if err != nil {
		return vault.Lock{}, err
	}
	rules := vault.Rules{MinLen: vault.SoleFactorLen, Allowed: phrase}
	if err := refused("the passphrase", rules.Check(phrase, vault.Context{Name: "the passphrase"})); err != nil {
		return vault.Lock{}, err
	}
	return vault.Passphrase(phrase, 0)
}

// twice reads a new value from a file, or asks for it twice without echo.
func (v *vaulting) twice(ctx context.Context, file, prompt string) (string, error) {
	if file != "" {
		return valueFrom(file, "the new value")
	}
	ask := v.asker(ctx)
	if ask == nil {
		return "", &codedError{exitSecret, "a new value is needed, and there is no terminal to ask at", "name a file that only you can read, or run at a terminal"}
	}
	first, err := ask(prompt)
	if err != nil {
		return "", &codedError{exitSecret, fmt.Sprintf("asking for a new value: %v", err), ""}
	}
	again, err := ask("The same again")
	if err != nil {
		return "", &codedError{exitSecret, fmt.Sprintf("asking for a new value: %v", err), ""}
	}
	if first != again {
		return "", &codedError{exitSecret, "the two are not the same", "nothing was changed; run it again"}
	}
	return first, nil
}

// refused turns findings into an error where one of them is an error.
func refused(what string, found []vault.Finding) error {
	var faults station.Findings
	for _, f := range found {
		if f.Severity == "error" {
			faults = append(faults, station.Finding{Severity: station.Error, What: f.What, Why: f.Why, Mend: f.Mend + "; nothing was changed"})
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return faults
}

func (v *vaulting) add() *cobra.Command {
	cmd := &cobra.Command{
		Use: "add FILE NAME", Short: "Put a secret in, or another value for one that is there", Args: cobra.ExactArgs(2),
		Long: `add asks for the value twice without echo, or reads it from a file that only you
can read. With --profile, the value is held against the rules of the units that
are to take it; an old value is kept beside the new one until vault forget.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return v.change(cmd.Context(), args[0], func(open *vault.Vault, of func(string) measure) error {
				value, err := v.twice(cmd.Context(), v.valueFile, "Value of "+args[1])
				if err != nil {
					return err
				}
				v.mask.Add(args[1], value)
				found := of(args[1]).check(open, args[1], value)
				if of(args[1]).factory[args[1]] {
					found = nil // what the maker has set is as it is
				}
				if err := refused(args[1], found); err != nil {
					return err
				}
				v.warn(found)
				return open.Set(args[1], value)
			}, "%s: %s is in it", args[0], args[1])
		},
	}
	v.addRuleFlags(cmd)
	cmd.Flags().StringVar(&v.valueFile, "value-file", "", "read the value from `FILE`")
	return cmd
}

func (v *vaulting) warn(found []vault.Finding) {
	for _, f := range found {
		if f.Severity != "error" {
			fmt.Fprintf(v.errs, "linehand: %s: %s (%s); %s\n", f.Severity, v.masked(f.What), f.Why, f.Mend)
		}
	}
}

// open opens a vault, and takes its values out of everything that is printed
// from then on.
func (v *vaulting) open(ctx context.Context, path string) (*vault.Vault, error) {
	open, err := v.openVault(path, v.asker(ctx))
	if err != nil {
		return nil, err
	}
	for _, name := range open.Names() {
		if value, err := open.Secret(name); err == nil {
			v.mask.Add(name, value)
		}
	}
	return open, nil
}

// change opens a vault, changes it and saves it.
func (v *vaulting) change(ctx context.Context, path string, f func(*vault.Vault, func(string) measure) error, done string, args ...any) error {
	of, err := v.measures(v.kind)
	if err != nil {
		return err
	}
	open, err := v.open(ctx, path)
	if err != nil {
		return err
	}
	if err := f(open, of); err != nil {
		if known := (station.Findings)(nil); errors.As(err, &known) || errors.As(err, new(*codedError)) {
			return err
		}
		return &vaultError{err}
	}
	if err := open.Save(); err != nil {
		return &vaultError{err}
	}
	if done != "" {
		fmt.Fprintf(v.out, done+"\n", args...)
	}
	return nil
}

func (v *vaulting) generate() *cobra.Command {
	cmd := &cobra.Command{
		Use: "generate FILE NAME…", Short: "Make new secrets that the units take and a person can type", Args: cobra.MinimumNArgs(2),
		Long: `generate makes a value for each name, puts it into the vault, and prints its
entropy in bits and not the value. With --profile, it makes what the units take
that are to hold it. A name that is there already is refused: vault rotate gives
it another value.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return v.make(cmd.Context(), args[0], args[1:], false)
		},
	}
	v.addRuleFlags(cmd)
	return cmd
}

func (v *vaulting) rotate() *cobra.Command {
	cmd := &cobra.Command{
		Use: "rotate FILE NAME…", Short: "Make new values for secrets that are there", Args: cobra.MinimumNArgs(2),
		Long: `rotate makes a new value for each name, and keeps the one before beside it until
vault forget: a unit that has not been told the new one still holds that.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return v.make(cmd.Context(), args[0], args[1:], true)
		},
	}
	v.addRuleFlags(cmd)
	return cmd
}

// make gives all names a new value, or none.
func (v *vaulting) make(ctx context.Context, path string, names []string, there bool) error {
	bits := make(map[string]float64, len(names))
	err := v.change(ctx, path, func(open *vault.Vault, of func(string) measure) error {
		for _, name := range names {
			known := slices.Contains(open.Names(), name)
			if known && !there {
				return &codedError{exitInput, fmt.Sprintf("%s has a secret %q already", path, name), "linehand vault rotate gives it another value; nothing was changed"}
			}
			one := func() (string, error) {
				value, entropy, err := vault.Generate(of(name).rules, rand.Reader)
				bits[name] = entropy
				v.mask.Add(name, value)
				return value, err
			}
			if err := put(open, name, there, one); err != nil {
				return err
			}
		}
		return nil
	}, "")
	if err != nil {
		return err
	}
	for _, name := range names {
		fmt.Fprintf(v.out, "%s: %s has a new value, with %.0f bits of entropy\n", path, name, bits[name])
	}
	return nil
}

func put(open *vault.Vault, name string, there bool, one func() (string, error)) error {
	if there {
		return open.Rotate(name, one)
	}
	value, err := one()
	if err != nil {
		return err
	}
	return open.Set(name, value)
}

func (v *vaulting) forget() *cobra.Command {
	return &cobra.Command{
		Use: "forget FILE NAME…", Short: "Drop the old value of secrets that were rotated", Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return v.change(cmd.Context(), args[0], func(open *vault.Vault, _ func(string) measure) error {
				for _, name := range args[1:] {
					if err := open.Forget(name); err != nil {
						return err
					}
				}
				return nil
			}, "%s: the old values of %s are dropped", args[0], strings.Join(args[1:], ", "))
		},
	}
}

func (v *vaulting) reencrypt() *cobra.Command {
	cmd := &cobra.Command{
		Use: "reencrypt FILE", Short: "Lock a vault with another passphrase or key", Args: cobra.ExactArgs(1),
		Long: `reencrypt saves the vault under another lock. Who has an old copy of the file can
still open that with the old lock: rotate what must not be known any more.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			open, err := v.open(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			lock, err := v.freshLock(cmd.Context(), args[0], v.toKey, v.toPhrase)
			if err != nil {
				return err
			}
			if err := open.Reencrypt(lock); err != nil {
				return &vaultError{err}
			}
			fmt.Fprintf(v.out, "%s: locked with %s from now on\n", args[0], lock)
			return nil
		},
	}
	cmd.Flags().StringVar(&v.newKey, "to-new-key", "", "make a key, write it to `FILE`, and lock the vault with it")
	cmd.Flags().StringVar(&v.toKey, "to-key-file", "", "lock it with the key in `FILE`")
	cmd.Flags().StringVar(&v.toPhrase, "to-passphrase-file", "", "lock it with the passphrase in `FILE`")
	return cmd
}
