//go:build !linux

package ports

import "context"

// events: this system is not asked; Watch looks once a second.
func events(context.Context) <-chan struct{} { return nil }
