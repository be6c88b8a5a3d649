// Package durable does to files what has to be still so after a power cut:
// folders made, files put in the place of others, names brought to disk.
package durable

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrHeld says that somebody else holds a file's lock.
var ErrHeld = errors.New("the file is in use")

// MakeFolder makes the folder at dir, for its owner only, and sees to it that
// it is still there after a power cut.
func MakeFolder(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	parent := filepath.Dir(dir)
	if parent != dir {
		if err := MakeFolder(parent); err != nil {
			return err
		}
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return SyncFolder(parent)
}

// WriteNew makes the file at path, for its owner only, which must not be
// there yet (fs.ErrExist). When the program or the power fails, it is there
// whole or not at all.
func WriteNew(path string, data []byte) error {
	fresh, err := write(path, data)
	if err != nil {
		return err
	}
	defer os.Remove(fresh)
	if err := os.Link(fresh, path); err != nil {
		if _, there := os.Lstat(path); there == nil {
			return fmt.Errorf("%s is there already: %w", path, fs.ErrExist)
		}
		if err := os.Rename(fresh, path); err != nil { // no links on this file system
			return err
		}
	}
	return SyncFolder(filepath.Dir(path))
}

// Write puts a file with the given content at path, for its owner only. When
// the program or the power fails, the old one is there or the new one.
func Write(path string, data []byte) error {
	fresh, err := write(path, data)
	if err != nil {
		return err
	}
	if err := os.Rename(fresh, path); err != nil {
		os.Remove(fresh)
		return err
	}
	return SyncFolder(filepath.Dir(path))
}

// write writes data beside path and brings it to disk.
func write(path string, data []byte) (fresh string, err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return "", err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(f.Name())
		return "", err
	}
	return f.Name(), nil
}

// Remove removes the file at path, and brings that to disk. A file that is
// not there is no error.
func Remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return SyncFolder(filepath.Dir(path))
}
