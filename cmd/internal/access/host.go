package access

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// hosts are the names by which the bench may be asked. A page of another site
// can have its own name lead here (rebinding), and the browser then takes the
// bench for that site; only the Host header tells.
type hosts struct {
	loopback bool
	names    map[string]bool
}

func newHosts(loopback bool, listen string, more []string) hosts {
	h := hosts{loopback: loopback, names: make(map[string]bool)}
	for _, name := range append(more, listen) {
		if ip, err := netip.ParseAddr(name); err == nil && ip.IsUnspecified() || name == "" {
			continue
		}
		h.names[plainHost(name)] = true
	}
	if loopback {
		h.names["localhost"] = true
	}
	return h
}

// plainHost is a host without port, brackets and final dot, in small letters.
func plainHost(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// have tells whether a request is for the bench: by one of its names, or by
// the very address that the request came in at, which nobody can rebind.
func (h hosts) have(r *http.Request) bool {
	name := plainHost(r.Host)
	if h.names[name] {
		return true
	}
	ip, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	if h.loopback {
		return ip.IsLoopback()
	}
	at, ok := r.Context().Value(http.LocalAddrContextKey).(*net.TCPAddr)
	return ok && at.AddrPort().Addr().Unmap() == ip.Unmap()
}

// sameSite refuses what a page of another site asks for, even to look: only
// following a link from there is let through. Browsers say it by themselves
// (Fetch Metadata); other programs do not.
func sameSite(r *http.Request) error {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return nil
	}
	if r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		return nil
	}
	return errors.New("the request comes from another site")
}
