package main

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/desk"
	"linehand/cmd/internal/station"
	"linehand/script/plan/sums"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/script/vault"
)

// addVaultFlags adds what a vault is opened with. Both are paths: neither a
// key nor a passphrase stands on a command line or in the environment.
func addVaultFlags(cmd *cobra.Command) {
	cmd.Flags().String("key-file", "", "`FILE` with the key that opens the vault")
	cmd.Flags().String("passphrase-file", "", "`FILE` with the passphrase that opens the vault, which only you can read; without it and --key-file you are asked")
}

// vaultError is a vault that cannot be opened or written.
type vaultError struct{ err error }

func (e *vaultError) Error() string { return e.err.Error() }
func (e *vaultError) Unwrap() error { return e.err }

func (e *vaultError) code() int {
	if errors.Is(e.err, vault.ErrWrongKey) {
		return exitSecret
	}
	return exitInput
}

// asker asks for a secret without echo; nil where there is no terminal.
func (a *app) asker(ctx context.Context) func(prompt string) (string, error) {
	if !isTerminal(a.in) {
		return nil
	}
	return desk.New(a.in, a.errs, a.set.Person, nil).Ask(ctx)
}

// vaultLock is what opens a vault, as it was set or asked for.
func (a *app) vaultLock(path string, ask func(string) (string, error)) (vault.Lock, error) {
	switch {
	case a.set.KeyFile != "" && a.set.PassphraseFile != "":
		return vault.Lock{}, usage("say one of them", "a key file and a passphrase file are both set")
	case a.set.KeyFile != "":
		lock, err := vault.KeyFile(a.set.KeyFile)
		if err != nil {
			return lock, &codedError{exitSecret, err.Error(), "nothing was changed"}
		}
		return lock, nil
	case a.set.PassphraseFile != "":
		phrase, err := valueFrom(a.set.PassphraseFile, "the passphrase")
		if err != nil {
			return vault.Lock{}, err
		}
		return vault.Passphrase(phrase, 0)
	case ask == nil:
		return vault.Lock{}, &codedError{exitSecret, fmt.Sprintf("the vault %s needs a passphrase or a key, and there is no terminal to ask at", path), "name a file with --passphrase-file or --key-file, or run at a terminal"}
	}
	phrase, err := ask("Passphrase of the vault " + path)
	if err != nil {
		return vault.Lock{}, &codedError{exitSecret, fmt.Sprintf("asking for the passphrase: %v", err), ""}
	}
	return vault.Passphrase(phrase, 0)
}

// valueFrom reads a value from a file that only its owner can read.
func valueFrom(path, what string) (string, error) {
	const name = "value"
	store := secret.Open([]site.Secret{{Name: site.Text{Value: name}, Source: site.FromFile, Where: path}}, secret.Options{})
	value, err := store.Secret(name)
	if err != nil {
		if inner := errors.Unwrap(err); inner != nil {
			err = inner
		}
		return "", &codedError{exitSecret, fmt.Sprintf("%s: %v", what, err), "nothing was changed"}
	}
	return value, nil
}

// openVault opens a vault.
func (a *app) openVault(path string, ask func(string) (string, error)) (*vault.Vault, error) {
	lock, err := a.vaultLock(path, ask)
	if err != nil {
		return nil, err
	}
	v, err := vault.Open(path, lock)
	if err != nil {
		return nil, &vaultError{err}
	}
	return v, nil
}

// entries gives the entries of a site's vault. It opens the vault when it is
// first called, so that nobody is asked for a passphrase in vain.
func (a *app) entries(s *site.Site, ask func(string) (string, error)) func(entry string) (string, error) {
	open := sync.OnceValues(func() (*vault.Vault, error) { return a.openVault(s.Vault.Value, ask) })
	return func(entry string) (string, error) {
		v, err := open()
		if err != nil {
			return "", err
		}
		value, err := v.Secret(entry)
		if errors.Is(err, vault.ErrUnknown) {
			return "", fmt.Errorf("the vault %s has no entry %q; add it with linehand vault add, or linehand vault generate", s.Vault.Value, entry)
		}
		return value, err
	}
}

// vaultOptions are those of a store that asks nobody for single secrets.
func (a *app) vaultOptions(ctx context.Context, s *site.Site) secret.Options {
	return secret.Options{
		Note:  func(text string) { a.log.Warn().Str("note", text).Msg("secret") },
		Vault: a.entries(s, a.asker(ctx)),
	}
}

// measure says what a value of a vault's entry has to keep to.
type measure struct {
	rules   vault.Rules
	words   []string
	factory map[string]bool // entries that are factory values
}

func (m measure) check(v *vault.Vault, name, value string) []vault.Finding {
	c := vault.Context{Name: name, Others: make(map[string]string), Words: m.words}
	for _, other := range v.Names() {
		text, err := v.Secret(other)
		switch {
		case err != nil || other == name:
		case m.factory[other]:
			c.Factory = append(c.Factory, text)
		default:
			c.Others[other] = text
		}
	}
	return m.rules.Check(value, c)
}

// measures finds the rules for entries: those of a kind that was named, or of
// all units of the profile that are to hold the entry.
func (a *app) measures(kind string) (func(entry string) measure, error) {
	if a.set.Profile == "" {
		if kind != "" {
			return nil, usage("name the site's file with --profile FILE", "the kind %q stands in a profile, and none was named", kind)
		}
		return func(string) measure { return measure{rules: vault.Rules{MinLen: vault.MultiLen}} }, nil
	}
	sheet, err := a.sheet()
	if err != nil {
		return nil, err
	}
	base := measure{rules: vault.Rules{MinLen: vault.MultiLen}, words: []string{sheet.Plan.Site.Name}, factory: make(map[string]bool)}
	if kind != "" {
		if base, err = base.ofKind(sheet.Site, kind); err != nil {
			return nil, err
		}
	}
	by := make(map[string]measure)
	wanted := sums.Secrets(sheet.Site, sheet.Plan)
	for _, s := range sheet.Site.Secrets {
		for _, w := range wanted {
			if s.Source != site.FromVault || w.Name != s.Name.Value {
				continue
			}
			m := base
			m.rules, m.words = sums.Strictest(base.rules, w.Rules), append(base.words[:len(base.words):len(base.words)], w.Words...)
			by[s.Where] = m
			base.factory[s.Where] = w.Factory
		}
	}
	return func(entry string) measure {
		if m, ok := by[entry]; ok {
			return m
		}
		return base
	}, nil
}

func (m measure) ofKind(s *site.Site, kind string) (measure, error) {
	var known []string
	for _, k := range s.Kinds {
		if k.Name.Value == kind {
			m.rules = sums.Strictest(m.rules, sums.RulesOf(k.Limits.Secret))
			m.words = append(m.words, kind)
			return m, nil
		}
		known = append(known, k.Name.Value)
	}
	return m, usage(fmt.Sprintf("its kinds are %v", known), "the profile has no kind %q", kind)
}

// sheet reads the profile that is set.
func (a *app) sheet() (*station.Sheet, error) { return station.ReadSheet(a.set.Profile) }
