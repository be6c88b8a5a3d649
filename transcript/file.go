package transcript

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// File is what a journal needs of the file that it appends to. Sync may be
// called while Write runs.
type File interface {
	Write(p []byte) (int, error)
	Sync() error // returns when the bytes written so far are on disk
	Truncate(size int64) error
	Close() error
}

// openNew creates the file at path, for its owner only, and the folders above
// it that are missing. It never opens a file that is there.
func openNew(path string) (File, error) {
	if err := makeFolder(filepath.Dir(path)); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is there already, and a session record is never written over: choose another name: %w", path, fs.ErrExist)
	}
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

type diskFile struct{ *os.File }

func (f diskFile) Sync() error { return syncData(f.File) }

// makeFolder makes the folder at dir, for its owner only, and sees to it that
// it is still there after a power cut.
func makeFolder(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	parent := filepath.Dir(dir)
	if parent != dir {
		if err := makeFolder(parent); err != nil {
			return err
		}
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return syncFolder(parent)
}
