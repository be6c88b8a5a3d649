//go:build unix

package vault

import (
	"io/fs"
	"os"
)

// syncFolder brings a folder's list of names to disk.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

func readByOthers(mode fs.FileMode) bool { return mode.Perm()&0o077 != 0 }
