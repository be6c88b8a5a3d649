//go:build !unix && !windows

package durable

import "os"

// Lock does nothing where the system has no locks.
func Lock(*os.File, bool) error { return nil }
