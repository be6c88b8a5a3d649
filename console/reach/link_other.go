//go:build !linux

package reach

import (
	"context"
	"net/netip"
)

// onLink is for Linux only.
func onLink(context.Context, string, netip.Addr, ProbeOptions) (owner string, err error) {
	return "", errNoRawSockets
}
