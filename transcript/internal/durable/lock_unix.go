//go:build unix

package durable

import (
	"errors"
	"os"
	"syscall"
)

// Lock takes the file for this program until it is closed, or the program
// ends in whatever way. Where wait is false and another holds it, ErrHeld.
func Lock(f *os.File, wait bool) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	how := syscall.LOCK_EX
	if !wait {
		how |= syscall.LOCK_NB
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		for {
			if failed = syscall.Flock(int(fd), how); failed != syscall.EINTR {
				return
			}
		}
	})
	switch {
	case err != nil:
		return err
	case errors.Is(failed, syscall.EWOULDBLOCK):
		return ErrHeld
	case errors.Is(failed, syscall.ENOTSUP), errors.Is(failed, syscall.ENOSYS):
		return nil // a file system without locks: the person must not run two
	}
	return os.NewSyscallError("flock", failed)
}
