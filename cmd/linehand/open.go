package main

import (
	"context"

	"linehand/console"
	"linehand/console/serial"
)

// openSerial opens serial lines for the owner, who is named to others that
// want the same line.
func openSerial(owner string) func(ctx context.Context, path, name string, set console.Settings) (console.Line, error) {
	return func(ctx context.Context, path, name string, set console.Settings) (console.Line, error) {
		return serial.Open(ctx, path, name, set, "linehand "+owner)
	}
}
