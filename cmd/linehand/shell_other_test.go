//go:build !linux

package main

// loginShell is of Linux: elsewhere this program is no login shell.
func loginShell() {}
