package vault

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/gofrs/flock"
)

// disk is what saving needs of the system, in the order that it needs it.
type disk interface {
	// Create makes an empty file with mode 0600, in place of any of that name.
	Create(path string) (file, error)
	Rename(from, to string) error
	SyncFolder(path string) error
	Remove(path string) error
}

type file interface {
	io.WriteCloser
	Sync() error
}

// save writes a new file beside the old one, brings it to disk, puts it in the
// old one's place and brings that to disk too. replaced says that the last but
// one of these is done: the new file is there, though it may not outlive a
// power failure if err says so.
func (v *Vault) save() (replaced bool, err error) {
	data, digest, err := v.sealed()
	if err != nil {
		return false, err
	}
	unlock, err := lockFile(v.path + ".lock")
	if err != nil {
		return false, err
	}
	defer unlock()
	if err := v.unchanged(); err != nil {
		return false, err
	}
	// The name is always the same, so that what a killed program leaves
	// behind is used up by the next; the lock keeps two from sharing it.
	fresh := v.path + ".new"
	if err := v.write(fresh, data); err != nil {
		_ = v.disk.Remove(fresh)
		return false, fmt.Errorf("%w; the old file stands", err)
	}
	if err := v.disk.Rename(fresh, v.path); err != nil {
		_ = v.disk.Remove(fresh)
		return false, fmt.Errorf("put the new file in place: %w; the old file stands", bare(err))
	}
	v.digest = digest
	if err := v.disk.SyncFolder(filepath.Dir(v.path)); err != nil {
		return true, fmt.Errorf("the new file is in place, but may not outlive a power failure: %w; save again", bare(err))
	}
	return true, nil
}

// sealed is the file as it is to be written.
func (v *Vault) sealed() (data []byte, digest string, err error) {
	text, err := encode(v.entries)
	if err != nil {
		return nil, "", errors.New("its contents cannot be written as JSON")
	}
	body, err := v.lock.encrypt(text)
	if err != nil {
		return nil, "", err
	}
	data, digest = wrap(body)
	return data, digest, nil
}

// unchanged refuses to write over what this Vault has not read.
func (v *Vault) unchanged() error {
	data, err := readFile(v.path)
	if v.digest == "" {
		if err == nil {
			return fmt.Errorf("%w; name another, or open that one", ErrExists)
		}
		if !errors.Is(err, os.ErrNotExist) {
			return err
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("look at the file before writing: %w", err)
	}
	if _, digest, err := unwrap(data); err != nil || digest != v.digest {
		return fmt.Errorf("%w; open it again and repeat the change", ErrStale)
	}
	return nil
}

func (v *Vault) write(path string, data []byte) error {
	f, err := v.disk.Create(path)
	if err != nil {
		return fmt.Errorf("make a new file: %w", bare(err))
	}
	if _, err := f.Write(data); err != nil {
		_ = f.Close()
		return fmt.Errorf("write the new file: %w", bare(err))
	}
	if err := f.Sync(); err != nil {
		_ = f.Close()
		return fmt.Errorf("bring the new file to disk: %w", bare(err))
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("close the new file: %w", bare(err))
	}
	return nil
}

// lockFile keeps a second writer out for the time of a save. The file stays:
// taking it away would let two writers lock two files of one name.
func lockFile(path string) (unlock func(), err error) {
	l := flock.New(path, flock.SetPermissions(0o600))
	got, err := l.TryLock()
	if err != nil {
		return nil, fmt.Errorf("lock %s: %w", path, bare(err))
	}
	if !got {
		_ = l.Close()
		return nil, fmt.Errorf("%w (it holds %s); wait for it and try again", ErrBusy, path)
	}
	return func() { _ = l.Close() }, nil
}

// system is the real disk.
type system struct{}

func (system) Create(path string) (file, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
}

func (system) Rename(from, to string) error { return os.Rename(from, to) }

func (system) SyncFolder(path string) error { return syncFolder(path) }

func (system) Remove(path string) error { return os.Remove(path) }
