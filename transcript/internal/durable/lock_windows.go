package durable

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// Lock takes the file for this program until it is closed, or the program
// ends in whatever way. Where wait is false and another holds it, ErrHeld.
// The locked byte lies far behind the end: locks of this system bind readers.
func Lock(f *os.File, wait bool) error {
	flags := uint32(windows.LOCKFILE_EXCLUSIVE_LOCK)
	if !wait {
		flags |= windows.LOCKFILE_FAIL_IMMEDIATELY
	}
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &windows.Overlapped{OffsetHigh: 1 << 30})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrHeld
	}
	return os.NewSyscallError("LockFileEx", err)
}
