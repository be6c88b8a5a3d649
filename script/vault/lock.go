package vault

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"filippo.io/age"
)

// The work of deriving a key from a passphrase: scrypt with N = 2^work, r = 8,
// p = 1 (RFC 7914).
const (
	DefaultWork = 18 // about a second, 256 MiB
	MaxWork     = 22 // more is refused, also in a file: it would take 4 GiB and more
)

// Lock is what encrypts and opens a vault. The zero Lock does neither. It
// prints as what kind it is.
type Lock struct{ open func() keys }

type keys struct {
	kind      string
	recipient age.Recipient
	identity  age.Identity
}

// Passphrase makes a lock of a passphrase. Work is the base-2 logarithm of
// scrypt's N when a vault is saved, 0 for DefaultWork; a vault that is opened
// says what it was saved with.
func Passphrase(phrase string, work int) (Lock, error) {
	if work == 0 {
		work = DefaultWork
	}
	switch {
	case phrase == "":
		return Lock{}, errors.New("the passphrase is empty; give one")
	case work < 1 || work > MaxWork:
		return Lock{}, fmt.Errorf("a work factor of %d; give 1 to %d", work, MaxWork)
	}
	recipient, err := age.NewScryptRecipient(phrase)
	if err != nil {
		return Lock{}, errors.New("the passphrase cannot be used; give another")
	}
	recipient.SetWorkFactor(work)
	identity, err := age.NewScryptIdentity(phrase)
	if err != nil {
		return Lock{}, errors.New("the passphrase cannot be used; give another")
	}
	identity.SetMaxWorkFactor(MaxWork)
	return Lock{func() keys { return keys{"a passphrase", recipient, identity} }}, nil
}

// KeyFile reads a lock from a key file, as NewKeyFile writes it: lines that
// start with # and one X25519 identity of the age format. Only its owner may
// be able to read the file, where the system can say so.
func KeyFile(path string) (Lock, error) {
	text, err := readKey(path)
	if err != nil {
		return Lock{}, fmt.Errorf("read the key file %s: %w", path, err)
	}
	var identity *age.X25519Identity
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		one, err := age.ParseX25519Identity(string(line))
		if err != nil || identity != nil { // the parser's error may quote the key
			return Lock{}, fmt.Errorf("read the key file %s: it does not hold exactly one X25519 key; make one, or name another file", path)
		}
		identity = one
	}
	if identity == nil {
		return Lock{}, fmt.Errorf("read the key file %s: there is no key in it; make one, or name another file", path)
	}
	return x25519Lock(identity), nil
}

// NewKeyFile makes a new key, writes it to a file that is not there yet and
// that only its owner can read, and returns the lock. Who loses the file loses
// the vault.
func NewKeyFile(path string, now time.Time) (Lock, error) {
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		return Lock{}, fmt.Errorf("make a key: %w", err)
	}
	text := fmt.Sprintf("# made: %s\n# public key: %s\n%s\n", now.UTC().Format(time.RFC3339), identity.Recipient(), identity)
	if err := writeNew(path, []byte(text)); err != nil {
		return Lock{}, fmt.Errorf("write the key file %s: %w", path, bare(err))
	}
	return x25519Lock(identity), nil
}

func x25519Lock(identity *age.X25519Identity) Lock {
	return Lock{func() keys { return keys{"a key", identity.Recipient(), identity} }}
}

func readKey(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, bare(err)
	case !info.Mode().IsRegular():
		return nil, errors.New("it is not a regular file; name one")
	case readByOthers(info.Mode()):
		return nil, fmt.Errorf("it can be read or changed by others (its mode is %04o); run: chmod 600 %s, and make a new key if others may have read it", info.Mode().Perm(), path)
	}
	text, err := io.ReadAll(io.LimitReader(f, 64<<10))
	return text, bare(err)
}

func writeNew(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%w; name another, or move it away", ErrExists)
	}
	if err != nil {
		return err
	}
	if _, err = f.Write(data); err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = syncFolder(filepath.Dir(path))
	}
	return err
}

func (l Lock) usable() bool { return l.open != nil }

func (l Lock) encrypt(text []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := age.Encrypt(&out, l.open().recipient)
	if err != nil {
		return nil, fmt.Errorf("encrypt: %w", err)
	}
	if _, err := w.Write(text); err != nil {
		return nil, fmt.Errorf("encrypt: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("encrypt: %w", err)
	}
	return out.Bytes(), nil
}

// decrypt opens a body that is as long and has the digest that its first line
// says. What does not open is then a wrong key, or forged.
func (l Lock) decrypt(body []byte) ([]byte, error) {
	r, err := age.Decrypt(bytes.NewReader(body), l.open().identity)
	var none *age.NoIdentityMatchError
	switch {
	case errors.As(err, &none), errors.Is(err, age.ErrIncorrectIdentity):
		return nil, fmt.Errorf("%w, and the file is whole: try again, with %s that it was saved with", ErrWrongKey, l)
	case err != nil:
		return nil, fmt.Errorf("%w: its encryption does not hold, although its first line agrees; take the last copy that is whole", ErrChanged)
	}
	text, err := io.ReadAll(io.LimitReader(r, longest))
	if err != nil {
		return nil, fmt.Errorf("%w: its encryption does not hold, although its first line agrees; take the last copy that is whole", ErrChanged)
	}
	return text, nil
}

// Format prints what kind of lock it is, whatever the verb.
func (l Lock) Format(f fmt.State, verb rune) { fmt.Fprint(f, l.String()) }

// String says what kind of lock it is.
func (l Lock) String() string {
	if !l.usable() {
		return "no lock"
	}
	return l.open().kind
}

// MarshalJSON says what kind of lock it is.
func (l Lock) MarshalJSON() ([]byte, error) { return []byte(`"` + l.String() + `"`), nil }
