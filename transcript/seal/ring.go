package seal

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"filippo.io/age"
	"filippo.io/age/armor"

	"linehand/transcript/internal/durable"
)

// Key is a bench's key with its private part. It prints as its public part.
type Key struct{ private ed25519.PrivateKey }

// NewKey makes a key.
func NewKey() (Key, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return Key{}, fmt.Errorf("make a key: %w", err)
	}
	return Key{private}, nil
}

// KeyOfSeed is the key of a secret key as RFC 8032 writes it: 32 bytes.
func KeyOfSeed(seed [ed25519.SeedSize]byte) Key { return Key{ed25519.NewKeyFromSeed(seed[:])} }

// Public is the public part.
func (k Key) Public() Public { return Public(k.private[ed25519.SeedSize:]) }

// Sign signs text with Ed25519 (RFC 8032, without prehash).
func (k Key) Sign(text []byte) []byte { return ed25519.Sign(k.private, text) }

// Format prints the public part, whatever the verb.
func (k Key) Format(f fmt.State, _ rune) { fmt.Fprint(f, "key ", k.Public()) }

// MarshalText gives the public part.
func (k Key) MarshalText() ([]byte, error) { return k.Public().MarshalText() }

// Ring is a folder of keys. Each has a file KEY.public.pem (SubjectPublicKeyInfo,
// RFC 8410) and, as long as it may sign, a file KEY.private.pem: PKCS #8
// (RFC 5958, RFC 8410), or that as an armored file of the age format where it
// has a passphrase. KEY is the public part's first 16 digits.
type Ring struct{ dir string }

// ErrNoKey says that the ring does not hold the private part of a key.
var ErrNoKey = errors.New("the private part of the key is not here")

// ErrPassphrase says that a passphrase does not open a key.
var ErrPassphrase = errors.New("the passphrase does not open the key")

// OpenRing is the ring in the folder dir, which need not be there yet.
func OpenRing(dir string) *Ring { return &Ring{dir} }

const (
	publicEnd  = ".public.pem"
	privateEnd = ".private.pem"

	passphraseWork = 18 // scrypt's N is 2^18: about a second, 256 MiB
)

func (r *Ring) path(p Public, end string) string { return filepath.Join(r.dir, p.Short()+end) }

// Make makes a key and keeps it in the ring; its private part can be read by
// its owner only, and needs the passphrase unless that is "". The private part
// is on disk before the public one is.
func (r *Ring) Make(passphrase string) (Key, error) {
	key, err := NewKey()
	if err == nil {
		err = r.keep(key, passphrase, passphraseWork)
	}
	if err != nil {
		return Key{}, fmt.Errorf("make a key in %s: %w", r.dir, err)
	}
	return key, nil
}

func (r *Ring) keep(key Key, passphrase string, work int) error {
	der, err := x509.MarshalPKCS8PrivateKey(key.private)
	if err != nil {
		return err
	}
	private := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
	if passphrase != "" {
		if private, err = locked(private, passphrase, work); err != nil {
			return err
		}
	}
	if err := durable.MakeFolder(r.dir); err != nil {
		return err
	}
	p := key.Public()
	if err := durable.WriteNew(r.path(p, privateEnd), private); err != nil {
		return err
	}
	return durable.WriteNew(r.path(p, publicEnd), p.PEM())
}

func locked(text []byte, passphrase string, work int) ([]byte, error) {
	recipient, err := age.NewScryptRecipient(passphrase)
	if err != nil {
		return nil, err
	}
	recipient.SetWorkFactor(work)
	var out bytes.Buffer
	armored := armor.NewWriter(&out)
	w, err := age.Encrypt(armored, recipient)
	if err != nil {
		return nil, err
	}
	_, err = w.Write(text)
	err = errors.Join(err, w.Close(), armored.Close())
	return out.Bytes(), err
}

// PEM is the public part as a file for other programs.
func (p Public) PEM() []byte {
	der, err := x509.MarshalPKIXPublicKey(ed25519.PublicKey(p[:]))
	if err != nil { // a key of the right length always encodes
		return nil
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
}

// ReadPublic reads a public part: PEM, or the digits that records name it by.
func ReadPublic(text []byte) (Public, error) {
	block, _ := pem.Decode(text)
	if block == nil {
		return ParsePublic(strings.TrimSpace(string(text)))
	}
	parsed, err := x509.ParsePKIXPublicKey(block.Bytes)
	key, ok := parsed.(ed25519.PublicKey)
	if err != nil || !ok {
		return Public{}, errors.New("this is no public key for Ed25519 (RFC 8410)")
	}
	return Public(key), nil
}

// Info is a key as a list shows it.
type Info struct {
	Key     Public    `json:"key"`
	Made    time.Time `json:"made"`
	Private bool      `json:"private"` // the private part is here
	Locked  bool      `json:"locked"`  // it has a passphrase
}

// List lists the ring's keys, in the order of their names.
func (r *Ring) List() ([]Info, error) {
	names, err := filepath.Glob(filepath.Join(r.dir, "*"+publicEnd))
	if err != nil {
		return nil, fmt.Errorf("list the keys in %s: %w", r.dir, err)
	}
	var list []Info
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("list the keys in %s: %w", r.dir, err)
		}
		p, err := ReadPublic(text)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		info := Info{Key: p}
		if stat, err := os.Stat(name); err == nil {
			info.Made = stat.ModTime()
		}
		if private, err := os.ReadFile(r.path(p, privateEnd)); err == nil {
			info.Private, info.Locked = true, isLocked(private)
		}
		list = append(list, info)
	}
	return list, nil
}

func isLocked(text []byte) bool { return bytes.HasPrefix(text, []byte(armor.Header)) }

// Key gets a key with its private part; ask is called for a passphrase where
// it has one. Others than the owner must not be able to read the file, where
// the system can say so.
func (r *Ring) Key(p Public, ask func() (string, error)) (Key, error) {
	path := r.path(p, privateEnd)
	key, err := r.read(path, ask)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Key{}, fmt.Errorf("%s: %w", path, ErrNoKey)
	case err != nil:
		return Key{}, fmt.Errorf("%s: %w", path, err)
	case key.Public() != p:
		return Key{}, fmt.Errorf("%s: it holds another key than its name says", path)
	}
	return key, nil
}

func (r *Ring) read(path string, ask func() (string, error)) (Key, error) {
	stat, err := os.Stat(path)
	if err != nil {
		return Key{}, err
	}
	if runtime.GOOS != "windows" && stat.Mode().Perm()&0o077 != 0 {
		return Key{}, fmt.Errorf("others may read it (mode %v); chmod 600 it, and make a new key if others could have", stat.Mode().Perm())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return Key{}, err
	}
	if isLocked(text) {
		if text, err = unlocked(text, ask); err != nil {
			return Key{}, err
		}
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return Key{}, errors.New("it holds no key in PEM form")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	private, ok := parsed.(ed25519.PrivateKey)
	if err != nil || !ok { // the parser's error is not passed on: it may quote the key
		return Key{}, errors.New("it holds no private key for Ed25519 (RFC 8410)")
	}
	return Key{private}, nil
}

func unlocked(text []byte, ask func() (string, error)) ([]byte, error) {
	if ask == nil {
		return nil, errors.New("it needs a passphrase, and nobody can be asked")
	}
	passphrase, err := ask()
	if err != nil {
		return nil, err
	}
	identity, err := age.NewScryptIdentity(passphrase)
	if err != nil {
		return nil, ErrPassphrase
	}
	r, err := age.Decrypt(armor.NewReader(bytes.NewReader(text)), identity)
	if err != nil {
		return nil, ErrPassphrase
	}
	return io.ReadAll(io.LimitReader(r, 1<<16))
}

// Retire takes the private part of a key out of the ring: it signs no more.
// The public part stays.
func (r *Ring) Retire(p Public) error {
	if err := durable.Remove(r.path(p, privateEnd)); err != nil {
		return fmt.Errorf("retire the key %s: %w", p.Short(), err)
	}
	return nil
}
