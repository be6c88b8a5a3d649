// Package secret fetches the secrets that a site profile refers to, from the
// environment, from files, from a vault and from a person, at the moment they
// are first needed.
//
// A value is handed to the caller of Store.Secret and to nobody else: no
// error, no log and no printing of a Store shows it. What is fetched once
// stays for the life of the Store; a person is asked once for each name.
//
// It does not wipe memory, and it does not keep values out of a core dump.
package secret

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"linehand/script/internal/yamlwalk"
	"linehand/script/site"
)

// MaxBytes is the longest secret.
const MaxBytes = 1024

// Options say how a Store reaches the world.
type Options struct {
	// Ask shows the prompt and reads a secret without echo. Nil where there
	// is nobody to ask. It is never called twice at once.
	Ask func(prompt string) (string, error)
	// Env looks up an environment variable. Nil: os.LookupEnv.
	Env func(name string) (string, bool)
	// Note is told what could not be checked here, such as the permissions of
	// a file on a system without them. Nil: it is dropped.
	Note func(text string)
	// Vault gives an entry of the profile's vault; it opens the vault when it
	// is first called. Nil where no vault can be opened.
	Vault func(entry string) (string, error)
}

// Store hands out secrets by name. It is safe for use by several runs at
// once.
type Store struct {
	entries map[string]*entry
	options Options
	asking  sync.Mutex
}

// entry fetches one secret at most once. The value is held inside a function,
// so that no way of printing the Store can reach it.
type entry struct {
	ref   site.Secret
	once  sync.Once
	value func() string
	err   error
}

// Open makes a Store of a profile's references. It fetches nothing yet.
func Open(refs []site.Secret, options Options) *Store {
	if options.Env == nil {
		options.Env = os.LookupEnv
	}
	if options.Note == nil {
		options.Note = func(string) {}
	}
	s := &Store{entries: make(map[string]*entry, len(refs)), options: options}
	for _, ref := range refs {
		s.entries[ref.Name.Value] = &entry{ref: ref}
	}
	return s
}

// Secret returns the value of a secret. Its errors name the secret, the place
// that it should come from and the line of the profile that says so.
func (s *Store) Secret(name string) (string, error) {
	e, ok := s.entries[name]
	if !ok {
		return "", s.unknown(name)
	}
	e.once.Do(func() {
		value, err := s.fetch(e.ref)
		if err == nil {
			err = fit(value)
		}
		if err != nil {
			e.err = fmt.Errorf("secret %q (%s): %w", name, e.ref.Pos, err)
			return
		}
		e.value = func() string { return value }
	})
	if e.err != nil {
		return "", e.err
	}
	return e.value(), nil
}

// Names lists what the Store can be asked for, sorted.
func (s *Store) Names() []string { return slices.Sorted(maps.Keys(s.entries)) }

func (s *Store) unknown(name string) error {
	if near, ok := yamlwalk.Nearest(name, s.Names()); ok {
		return fmt.Errorf("there is no secret %q; did you mean %q?", name, near)
	}
	return fmt.Errorf("there is no secret %q; list it under secrets: in the site profile", name)
}

func (s *Store) fetch(ref site.Secret) (string, error) {
	switch ref.Source {
	case site.FromEnv:
		value, ok := s.options.Env(ref.Where)
		if !ok {
			return "", fmt.Errorf("the environment variable %s is not set; set it before the run", ref.Where)
		}
		return value, nil
	case site.FromFile:
		return s.fromFile(ref.Where)
	case site.FromVault:
		if s.options.Vault == nil {
			return "", errors.New("it is in the vault, and there is nothing to open that with; see linehand help vault")
		}
		return s.options.Vault(ref.Where)
	case site.FromAsk:
		if s.options.Ask == nil {
			return "", errors.New("it is to be asked for, and there is no terminal to ask at; run at a terminal, or refer to a variable or a file")
		}
		s.asking.Lock()
		defer s.asking.Unlock()
		value, err := s.options.Ask(ref.Where)
		if err != nil {
			return "", fmt.Errorf("asking for it: %w", err)
		}
		return value, nil
	}
	return "", errors.New("the profile does not say where it comes from")
}

// fit refuses what could not be typed as a secret. A line end inside would
// press Enter in the middle.
func fit(value string) error {
	switch {
	case value == "":
		return errors.New("it is empty; give it a value")
	case len(value) > MaxBytes:
		return fmt.Errorf("it is longer than %d bytes; shorten it", MaxBytes)
	case !utf8.ValidString(value):
		return errors.New("it is not UTF-8 text; choose another")
	case strings.ContainsFunc(value, unicode.IsControl):
		return errors.New("it holds a control character, such as a line end or a tab; choose another")
	}
	return nil
}

// trimLineEnd takes one line end off, as editors leave it.
func trimLineEnd(value string) string {
	return strings.TrimSuffix(strings.TrimSuffix(value, "\n"), "\r")
}

func (s *Store) summary() string { return fmt.Sprintf("%d secrets, not shown", len(s.entries)) }

// Format prints a count, whatever the verb.
func (s *Store) Format(f fmt.State, verb rune) { fmt.Fprint(f, s.summary()) }

// String gives a count.
func (s *Store) String() string { return s.summary() }

// GoString gives a count.
func (s *Store) GoString() string { return s.summary() }

// MarshalJSON gives a count.
func (s *Store) MarshalJSON() ([]byte, error) { return []byte(`"` + s.summary() + `"`), nil }
