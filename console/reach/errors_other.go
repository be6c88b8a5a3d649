//go:build !windows

package reach

import "syscall"

const (
	errRefusedHere     = syscall.ECONNREFUSED
	errUnreachableHere = syscall.EHOSTUNREACH
)
