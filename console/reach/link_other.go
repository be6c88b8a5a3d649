//go:build !linux

package reach

import (
	"context"
	"errors"
	"net/netip"
)

// onLink is for Linux only.
func onLink(context.Context, string, netip.Addr, ProbeOptions) (owner string, err error) {
	return "", errors.New("on this system the program cannot ask the link itself")
}
