package transcript

import (
	"os"

	"golang.org/x/sys/unix"
)

// syncData waits until the bytes of f, and its length, are on disk.
func syncData(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		for {
			if failed = unix.Fdatasync(int(fd)); failed != unix.EINTR {
				return
			}
		}
	})
	if err != nil {
		return err
	}
	return os.NewSyscallError("fdatasync", failed)
}
