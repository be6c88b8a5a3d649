//go:build !unix

package durable

// SyncFolder does nothing where the system keeps no folder in a file.
func SyncFolder(string) error { return nil }
