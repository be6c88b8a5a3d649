//go:build unix

package secret

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// openAtOnce does not wait where the name is a pipe.
func openAtOnce(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK|syscall.O_NOCTTY|syscall.O_CLOEXEC, 0)
}

func guarded(path string, info fs.FileInfo, _ func(string)) error {
	if st, ok := info.Sys().(*syscall.Stat_t); ok && int(st.Uid) != os.Geteuid() {
		return fmt.Errorf("%s belongs to another user (number %d); run: chown %d %s", path, st.Uid, os.Geteuid(), path)
	}
	return modeFault(path, info.Mode())
}
