//go:build unix

package durable

import (
	"errors"
	"os"
	"syscall"
)

// SyncFolder waits until the names in dir are on disk. Some network file
// systems cannot do that for a folder; they keep names safe in their own way.
func SyncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, syscall.ENOTSUP) {
		return err
	}
	return nil
}
