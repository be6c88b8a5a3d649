package reach

import (
	"fmt"
	"net"
	"net/netip"
)

// Source is where the bench looks from.
type Source struct {
	Interface string
	Prefix    netip.Prefix // the bench's own address with its length; invalid when it has none for this
	InSubnet  bool         // the address that is looked at is in that subnet
}

// String is such as "eth0 192.0.2.9/24", or says that the bench is not in
// the subnet.
func (s Source) String() string {
	switch {
	case !s.Prefix.IsValid():
		return "nowhere: the bench has no way to it"
	case !s.InSubnet:
		return fmt.Sprintf("%s %s, which is not in its subnet", s.Interface, s.Prefix)
	}
	return s.Interface + " " + s.Prefix.String()
}

// Bench finds the interface of the bench whose own subnet holds addr, and
// the bench's address there with its length. Of several, the one with the
// longest prefix counts. ok is false when the bench is not in that subnet.
func Bench(addr netip.Addr) (iface string, own netip.Prefix, ok bool) {
	s, ok := inSubnet(addr)
	return s.Interface, s.Prefix, ok
}

// inSubnet reads the interfaces afresh: cables are plugged and addresses
// set while one waits.
func inSubnet(addr netip.Addr) (Source, bool) {
	addr = addr.Unmap()
	best := Source{}
	for own, iface := range ownAddresses() {
		if addr.Zone() != "" && addr.Zone() != iface {
			continue
		}
		if own.Contains(addr.WithZone("")) && (!best.InSubnet || own.Bits() > best.Prefix.Bits()) {
			best = Source{Interface: iface, Prefix: own, InSubnet: true}
		}
	}
	return best, best.InSubnet
}

// ownAddresses is the bench's addresses, with the interface of each, of the
// interfaces that are up.
func ownAddresses() map[netip.Prefix]string {
	own := map[netip.Prefix]string{}
	interfaces, err := net.Interfaces()
	if err != nil {
		return nil // as good as none: looks say that there is no way
	}
	for _, iface := range interfaces {
		if iface.Flags&net.FlagUp == 0 {
			continue
		}
		addresses, err := iface.Addrs()
		if err != nil {
			continue // gone since
		}
		for _, a := range addresses {
			if p, err := netip.ParsePrefix(a.String()); err == nil {
				own[p] = iface.Name
			}
		}
	}
	return own
}

// sourceFor is where the bench would ask addr from: its own subnet, or the
// way that the system's routes take.
func sourceFor(addr netip.Addr) (Source, error) {
	if s, ok := inSubnet(addr); ok {
		return s, nil
	}
	// Connecting a UDP socket sends nothing; it only chooses a route.
	conn, err := net.Dial("udp", netip.AddrPortFrom(addr, 9).String())
	if err != nil {
		return Source{}, fmt.Errorf("the bench is not in the subnet of %s and has no route to it: give the bench an address there", addr)
	}
	defer conn.Close()
	local, _ := netip.AddrFromSlice(conn.LocalAddr().(*net.UDPAddr).IP)
	local = local.Unmap()
	for own, iface := range ownAddresses() {
		if own.Addr() == local {
			return Source{Interface: iface, Prefix: own}, nil
		}
	}
	return Source{Prefix: netip.PrefixFrom(local, local.BitLen())}, nil
}

// about says in a detail where the bench stands, when that matters.
func (s Source) about(addr netip.Addr) string {
	if s.InSubnet {
		return ""
	}
	return fmt.Sprintf("; the bench is not in the subnet of %s and asks from %s through a router", addr, s.Prefix.Addr())
}

// local is the address to bind to; invalid where the system should choose,
// as for a link-local address, which needs a zone that the target carries.
func (s Source) local() netip.Addr {
	if !s.InSubnet || s.Prefix.Addr().IsLinkLocalUnicast() {
		return netip.Addr{}
	}
	return s.Prefix.Addr()
}
