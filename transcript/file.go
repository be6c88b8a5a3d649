package transcript

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"linehand/transcript/internal/durable"
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
	if err := durable.MakeFolder(filepath.Dir(path)); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is there already, and a session record is never written over: choose another name: %w", path, fs.ErrExist)
	}
	if err != nil {
		return nil, err
	}
	if err := durable.Lock(f, false); err != nil { // until the journal is closed: nobody seals a run that goes on
		f.Close()
		os.Remove(path) // ours: it was not there before
		return nil, err
	}
	return diskFile{f}, nil
}

type diskFile struct{ *os.File }

func (f diskFile) Sync() error { return syncData(f.File) }
