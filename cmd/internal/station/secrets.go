package station

import (
	"fmt"
	"slices"

	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
)

// SecretError says that a secret could not be had.
type SecretError struct {
	Unit string
	Err  error
}

func (e *SecretError) Error() string { return fmt.Sprintf("unit %s: %v", e.Unit, e.Err) }

// Unwrap gives the store's own error.
func (e *SecretError) Unwrap() error { return e.Err }

// Fetch gets every secret that a run of the unit types, and makes it known to
// the mask. What the unit only refers to is masked as well where it can be
// had without asking anybody. It returns the names of what the mask knows.
func Fetch(u *plan.Unit, needed []string, refs []site.Secret, store *secret.Store, mask *transcript.Mask) ([]string, error) {
	known := slices.Clone(needed)
	for _, name := range needed {
		value, err := store.Secret(name)
		if err != nil {
			return nil, &SecretError{Unit: u.Name, Err: err}
		}
		mask.Add(name, value)
	}
	for _, name := range u.Secrets {
		if slices.Contains(known, name) || asked(refs, name) {
			continue
		}
		if value, err := store.Secret(name); err == nil {
			mask.Add(name, value)
			known = append(known, name)
		}
	}
	slices.Sort(known)
	return known, nil
}

func asked(refs []site.Secret, name string) bool {
	return slices.ContainsFunc(refs, func(r site.Secret) bool { return r.Name.Value == name && r.Source == site.FromAsk })
}
