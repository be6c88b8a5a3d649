//go:build unix

package index

import (
	"fmt"
	"io/fs"
	"syscall"
)

// identity is what stays of a file when it is renamed.
func identity(path string, info fs.FileInfo) string {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return fmt.Sprintf("%d:%d", s.Dev, s.Ino)
	}
	return path
}
