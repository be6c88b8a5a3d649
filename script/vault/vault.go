// Package vault keeps secrets in one encrypted file, checks them against
// rules, and makes new ones.
//
// The file is a line that says how long what follows is and what its SHA-256
// is, and then a file of the age format (age-encryption.org/v1) with a
// passphrase or an X25519 key; FORMAT.md beside this file describes it. The
// line is what tells a file that was cut short or changed from a wrong
// passphrase; it keeps nobody out, the encryption does.
//
// Save leaves the old file or the new one, whole, whatever moment the machine
// or the program ends at, and refuses to overwrite what another has saved in
// the meantime.
//
// A value is handed to the caller of Vault.Secret and Vault.Previous and to
// nobody else: no error, no finding, no printing of a Vault or a Lock shows
// it. The package does not wipe memory, does not hide how many secrets there
// are from who has the key, and does not notice when the whole file is put
// back to an older state.
package vault

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"linehand/script/internal/yamlwalk"
)

// What Open and Save can find. Their sentences name the file beside these.
var (
	ErrWrongKey = errors.New("the passphrase or key does not open it") // the file is whole
	ErrCutShort = errors.New("it was cut short")
	ErrChanged  = errors.New("it was changed or damaged")
	ErrVersion  = errors.New("it is not a vault of this version")
	ErrBusy     = errors.New("another program is writing it")
	ErrStale    = errors.New("another program has saved it since it was opened here")
	ErrExists   = errors.New("there is a file already")
	ErrUnknown  = errors.New("the vault has no secret of the name asked for")
)

// MaxBytes is the longest value.
const MaxBytes = 1024

// Vault is an open vault. It is safe for use by several goroutines.
type Vault struct {
	path string
	now  func() time.Time
	disk disk

	mu      sync.Mutex // guards the rest
	lock    Lock
	entries []entry // by name
	digest  string  // of the file as it was read or last saved; "" before the first time
}

// entry is one secret. The values are held inside functions, so that no way of
// printing a Vault can reach them.
type entry struct {
	name            string
	value, previous func() string // previous is nil where there is none
	made, rotated   time.Time     // rotated is zero until the first time
}

// Entry tells of a secret without its value.
type Entry struct {
	Name          string
	Made, Rotated time.Time // Rotated is zero where the value is the first
	Previous      bool      // the value before is still kept
}

// Option changes how Create and Open make a Vault.
type Option func(*Vault)

// WithClock takes the times of Set and Rotate from now in place of time.Now.
func WithClock(now func() time.Time) Option { return func(v *Vault) { v.now = now } }

// Create makes a vault with no secrets. There must be no file at path yet;
// its folder must be there.
func Create(path string, lock Lock, opts ...Option) (*Vault, error) {
	v, err := newVault(path, lock, opts)
	if err == nil {
		err = v.Save()
	}
	if err != nil {
		return nil, fmt.Errorf("create the vault %s: %w", path, err)
	}
	return v, nil
}

// Open reads a vault. Its error wraps ErrWrongKey, ErrCutShort, ErrChanged or
// ErrVersion where that is the reason. It changes nothing on disk.
func Open(path string, lock Lock, opts ...Option) (*Vault, error) {
	v, err := newVault(path, lock, opts)
	if err == nil {
		err = v.load()
	}
	if err != nil {
		return nil, fmt.Errorf("open the vault %s: %w", path, err)
	}
	return v, nil
}

func newVault(path string, lock Lock, opts []Option) (*Vault, error) {
	if !lock.usable() {
		return nil, errors.New("no passphrase or key was given; give one")
	}
	// A link stays a link: what is replaced is the file that it leads to.
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	v := &Vault{path: path, now: time.Now, disk: system{}, lock: lock}
	for _, opt := range opts {
		opt(v)
	}
	return v, nil
}

func (v *Vault) load() error {
	data, err := readFile(v.path)
	if err != nil {
		return err
	}
	body, digest, err := unwrap(data)
	if err != nil {
		return err
	}
	text, err := v.lock.decrypt(body)
	if err != nil {
		return err
	}
	v.entries, err = decode(text)
	v.digest = digest
	return err
}

// Path is where the vault is.
func (v *Vault) Path() string { return v.path }

// Names lists the secrets, sorted.
func (v *Vault) Names() []string {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.names()
}

func (v *Vault) names() []string {
	names := make([]string, len(v.entries))
	for i, e := range v.entries {
		names[i] = e.name
	}
	return names
}

// Entries lists the secrets with their times, sorted by name.
func (v *Vault) Entries() []Entry {
	v.mu.Lock()
	defer v.mu.Unlock()
	all := make([]Entry, len(v.entries))
	for i, e := range v.entries {
		all[i] = Entry{e.name, e.made, e.rotated, e.previous != nil}
	}
	return all
}

// Secret returns a value.
func (v *Vault) Secret(name string) (string, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.find(name)
	if err != nil {
		return "", err
	}
	return e.value(), nil
}

// Previous returns the value before the last change, which a unit that has
// not been told the new one still holds. There is none where it was never
// changed, or was forgotten.
func (v *Vault) Previous(name string) (value string, ok bool, err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.find(name)
	if err != nil || e.previous == nil {
		return "", false, err
	}
	return e.previous(), true, nil
}

// Set gives a secret a value, or makes a new secret. It is on disk after Save.
func (v *Vault) Set(name, value string) error {
	if err := fitName(name); err != nil {
		return err
	}
	if err := fit(value); err != nil {
		return fmt.Errorf("secret %q: %w", name, err)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	i, found := v.index(name)
	now := v.now().UTC().Truncate(time.Second)
	if found {
		v.entries[i].change(value, now)
		return nil
	}
	v.entries = slices.Insert(v.entries, i, entry{name: name, value: held(value), made: now})
	return nil
}

// Rotate gives a secret that is there a new value out of generate, and keeps
// the one before as the previous value. It is on disk after Save.
func (v *Vault) Rotate(name string, generate func() (string, error)) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.find(name)
	if err != nil {
		return err
	}
	value, err := generate()
	if err != nil {
		return fmt.Errorf("make a new value for secret %q: %w", name, err)
	}
	if err := fit(value); err != nil {
		return fmt.Errorf("the new value for secret %q: %w", name, err)
	}
	if value == e.value() {
		return fmt.Errorf("the new value for secret %q is the one that it has; make another", name)
	}
	e.change(value, v.now().UTC().Truncate(time.Second))
	return nil
}

// Forget drops the previous value of a secret, once every unit holds the new
// one.
func (v *Vault) Forget(name string) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.find(name)
	if err == nil {
		e.previous = nil
	}
	return err
}

// Remove takes a secret out.
func (v *Vault) Remove(name string) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if _, err := v.find(name); err != nil {
		return err
	}
	i, _ := v.index(name)
	v.entries = slices.Delete(v.entries, i, i+1)
	return nil
}

// Reencrypt saves the vault under another lock. Where that fails, the old lock
// stays, in memory and on disk. Who has an old copy of the file can still open
// that with the old lock: rotate what must not be known any more.
func (v *Vault) Reencrypt(lock Lock) error {
	if !lock.usable() {
		return errors.New("re-encrypt the vault: no passphrase or key was given; give one")
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	old := v.lock
	v.lock = lock
	replaced, err := v.save()
	if err != nil && !replaced {
		v.lock = old
	}
	if err != nil {
		return fmt.Errorf("re-encrypt the vault %s: %w", v.path, err)
	}
	return nil
}

// Save brings the vault to disk: the file is the old one or the new one at any
// moment, and the new one when Save has returned nil.
func (v *Vault) Save() error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if _, err := v.save(); err != nil {
		return fmt.Errorf("save the vault %s: %w", v.path, err)
	}
	return nil
}

func (v *Vault) index(name string) (int, bool) {
	return slices.BinarySearchFunc(v.entries, name, func(e entry, name string) int { return strings.Compare(e.name, name) })
}

// find does not repeat a name that is not there: it may be a value, given in
// the wrong place.
func (v *Vault) find(name string) (*entry, error) {
	if i, ok := v.index(name); ok {
		return &v.entries[i], nil
	}
	if near, ok := yamlwalk.Nearest(name, v.names()); ok {
		return nil, fmt.Errorf("%w; did you mean %q?", ErrUnknown, near)
	}
	return nil, fmt.Errorf("%w; list the names, or add it", ErrUnknown)
}

func (e *entry) change(value string, now time.Time) {
	if value == e.value() {
		return
	}
	e.value, e.previous, e.rotated = held(value), e.value, now
}

func held(value string) func() string { return func() string { return value } }

// fitName takes the names that a site profile can refer to. It shows nothing
// of what was written.
func fitName(name string) error {
	for i, c := range name {
		inner := i > 0 && (c == '-' || c == '_')
		if !inner && !(c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z') {
			return errors.New("what was given cannot be the name of a secret; use at most 64 letters, digits, - and _, a letter or digit first")
		}
	}
	if name == "" || len(name) > 64 {
		return errors.New("the name of a secret has 1 to 64 characters; shorten it or give one")
	}
	return nil
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

func (v *Vault) summary() string {
	v.mu.Lock()
	defer v.mu.Unlock()
	return fmt.Sprintf("vault of %d secrets, not shown", len(v.entries))
}

// Format prints a count, whatever the verb.
func (v *Vault) Format(f fmt.State, verb rune) { fmt.Fprint(f, v.summary()) }

// String gives a count.
func (v *Vault) String() string { return v.summary() }

// MarshalJSON gives a count.
func (v *Vault) MarshalJSON() ([]byte, error) { return []byte(`"` + v.summary() + `"`), nil }

// bare leaves out the path, which the sentence names already.
func bare(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
