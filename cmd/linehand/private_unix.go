//go:build unix

package main

import "os"

// private tells whether only its owner can read a file.
func private(info os.FileInfo) bool { return info.Mode().Perm()&0o077 == 0 }
