//go:build !linux

package transcript

import "os"

// syncData waits until the bytes of f, and its length, are on disk.
func syncData(f *os.File) error { return f.Sync() }
