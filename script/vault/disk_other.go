//go:build !unix

package vault

import "io/fs"

// syncFolder does nothing: this system has no way to bring a folder to disk.
func syncFolder(string) error { return nil }

// readByOthers cannot tell: permissions here are not those of POSIX.
func readByOthers(fs.FileMode) bool { return false }
