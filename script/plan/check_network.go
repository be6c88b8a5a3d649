package plan

import (
	"fmt"
	"net/netip"
	"slices"

	"linehand/script"
	"linehand/script/site"
)

func (c *checker) networks() {
	for i := range c.s.Networks {
		n := &c.s.Networks[i]
		c.hostName("domain", n.Domain)
		c.servers(n.DNS)
		c.servers(n.NTP)
		c.subnet(n)
		if n.Gateway.Value == "" {
			continue
		}
		if a := addr(n.Gateway); c.gateway(a, n.Gateway.Pos, n) {
			c.claim(a, "the gateway of network "+n.Name.Value, n.Gateway.Pos)
		}
	}
	c.overlaps()
}

// subnet notes what kind of block a network is in.
func (c *checker) subnet(n *site.Network) {
	s, ok := specialOf(n.Prefix.Addr())
	if !ok || s.block.Bits() > n.Prefix.Bits() {
		return
	}
	switch s.severity {
	case Note:
		c.report(Note, n.Subnet.Pos, fmt.Sprintf("%s is for documentation (%s): right for a demonstration, wrong for equipment", n.Prefix, s.block), s.source, "")
	case Error, Warning:
		c.report(s.severity, n.Subnet.Pos, fmt.Sprintf("%s lies in %s (%s)", n.Prefix, s.block, s.name), s.source, "take a subnet that hosts use")
	}
}

// gateway checks a gateway against its subnet and reports whether it is an
// address in it. An IPv6 gateway may be link-local: routers announce
// themselves so (RFC 4861 4.2).
func (c *checker) gateway(a netip.Addr, pos script.Pos, n *site.Network) bool {
	if a.Is6() && a.IsLinkLocalUnicast() {
		return false
	}
	if !n.Prefix.Contains(a) {
		c.report(Error, pos, fmt.Sprintf("the gateway %s is not in %s, the subnet of network %s", a, n.Prefix, n.Name.Value),
			"a host reaches only its own subnet without a gateway, RFC 950 2.2", "write one of "+hosts(n.Prefix))
		return false
	}
	if what, why := notAHost(a, n.Prefix); what != "" {
		c.report(Error, pos, what+" and cannot be a gateway", why, "write one of "+hosts(n.Prefix))
		return false
	}
	return true
}

// overlaps finds networks that share addresses, each reported with the first
// network that holds it. Sorted by start and then by size, a network that
// overlaps any before it lies within one that is still open.
func (c *checker) overlaps() {
	order := make([]*site.Network, len(c.s.Networks))
	for i := range order {
		order[i] = &c.s.Networks[i]
	}
	slices.SortStableFunc(order, func(a, b *site.Network) int {
		if d := a.Prefix.Addr().Compare(b.Prefix.Addr()); d != 0 {
			return d
		}
		return a.Prefix.Bits() - b.Prefix.Bits()
	})
	var open *site.Network
	for _, n := range order {
		if open == nil || !open.Prefix.Overlaps(n.Prefix) {
			open = n
			continue
		}
		c.report(Error, n.Subnet.Pos, fmt.Sprintf("%s of network %s overlaps %s of network %s, at %s", n.Prefix, n.Name.Value, open.Prefix, open.Name.Value, open.Subnet.Pos),
			"an address must lie in one subnet only, RFC 4632 5.1", "divide the addresses anew")
	}
}

// inNetwork checks an address that a port or cluster has in a network, and
// reports whether it may be claimed.
func (c *checker) inNetwork(a netip.Addr, pos script.Pos, n *site.Network) bool {
	if !n.Prefix.Contains(a) {
		c.report(Error, pos, fmt.Sprintf("%s is not in %s, the subnet of network %s", a, n.Prefix, n.Name.Value), "RFC 950 2.2", "write one of "+hosts(n.Prefix)+c.otherNetwork(a))
		return !c.special(a, pos)
	}
	if what, why := notAHost(a, n.Prefix); what != "" {
		c.report(Error, pos, what+" and cannot be a host's", why, "write one of "+hosts(n.Prefix))
		return false
	}
	if s, ok := specialOf(n.Prefix.Addr()); ok && s.severity == Error {
		return true // told at the network
	}
	return !c.special(a, pos)
}

// otherNetwork names the network that an address would belong to.
func (c *checker) otherNetwork(a netip.Addr) string {
	for i := range c.s.Networks {
		if n := &c.s.Networks[i]; n.Prefix.Contains(a) {
			return fmt.Sprintf(", or say network %s, which it lies in", n.Name.Value)
		}
	}
	return ""
}

func (c *checker) clusters() {
	seen := make(map[string]site.Text, len(c.s.Clusters))
	for i := range c.s.Clusters {
		k := &c.s.Clusters[i]
		if first, twice := seen[fold(k.Name.Value)]; twice {
			c.report(Error, k.Name.Pos, fmt.Sprintf("the clusters %q and, at %s, %q differ in capitals only", k.Name.Value, first.Pos, first.Value), "", "rename one of the two")
		}
		seen[fold(k.Name.Value)] = k.Name
		c.secretRef(k.JoinSecret)
		n := c.network[k.Network.Value]
		if n == nil && k.Network.Value != "" {
			c.unknown("network", k.Network, c.known.networks)
		}
		switch {
		case k.Address.Value == "" || n == nil && k.Network.Value != "":
		case n == nil:
			c.report(Error, k.Address.Pos, fmt.Sprintf("the cluster %q has an address but no network", k.Name.Value), "", "write network: with the network that the address is in")
		case c.inNetwork(addr(k.Address), k.Address.Pos, n):
			c.claim(addr(k.Address), "the cluster "+k.Name.Value, k.Address.Pos)
		}
	}
}

// addr reads an address that the profile's reader has checked.
func addr(t site.Text) netip.Addr {
	a, _ := netip.ParseAddr(t.Value)
	return a
}
