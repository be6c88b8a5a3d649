package plan

import (
	"cmp"
	"fmt"
	"net/netip"
	"slices"

	"linehand/script"
	"linehand/script/site"
)

func (c *checker) networks() {
	vlans := make(map[int]*site.Network, len(c.s.Networks))
	for i := range c.s.Networks {
		n := &c.s.Networks[i]
		c.hostName("domain", n.Domain)
		c.servers(n.DNS)
		c.servers(n.NTP)
		c.frames(n, vlans)
		for _, h := range halves(n) {
			c.subnet(h)
			if h.gateway.Value == "" {
				continue
			}
			if a := literal(h.gateway); c.gateway(a, h.gateway.Pos, n, h.prefix) {
				c.claim(a, "the gateway of network "+n.Name.Value, h.gateway.Pos)
			}
		}
		if n.Gateway6.Value != "" && !n.Prefix6.IsValid() {
			c.report(Error, n.Gateway6.Pos, fmt.Sprintf("network %s has an IPv6 gateway but no subnet6", n.Name.Value), "", "write subnet6: beside it, or the gateway under gateway: where the subnet is an IPv6 one")
		}
		c.reserved(n)
	}
	c.overlaps()
}

// half is a subnet of a network: of one kind of address.
type half struct {
	prefix          netip.Prefix
	subnet, gateway site.Text
}

func halves(n *site.Network) []half {
	out := []half{{n.Prefix, n.Subnet, n.Gateway}}
	if n.Prefix6.IsValid() {
		out = append(out, half{n.Prefix6, n.Subnet6, n.Gateway6})
	}
	return out
}

// subnet notes what kind of block a network is in.
func (c *checker) subnet(h half) {
	s, ok := specialOf(h.prefix.Addr())
	if !ok || s.block.Bits() > h.prefix.Bits() {
		return
	}
	switch {
	case s.severity == Note && c.demonstration():
		c.report(Note, h.subnet.Pos, fmt.Sprintf("%s is for documentation (%s): right for a demonstration, wrong for equipment", h.prefix, s.block), s.source, "")
	case s.severity == Note:
		c.report(Error, h.subnet.Pos, fmt.Sprintf("%s is for documentation (%s) and not for equipment", h.prefix, s.block), s.source, realOnes)
	case s.severity != "":
		c.report(s.severity, h.subnet.Pos, fmt.Sprintf("%s lies in %s (%s)", h.prefix, s.block, s.name), s.source, "take a subnet that hosts use")
	}
}

const realOnes = "take addresses of your own, or say demonstration: true under site: if nothing of this site is real"

func (c *checker) demonstration() bool { return c.s.Demonstration.Value == "true" }

// frames checks a network's MTU and VLAN by themselves.
func (c *checker) frames(n *site.Network, vlans map[int]*site.Network) {
	c.frameSize(n.MTU, n.Prefix.Addr().Is6() || n.Prefix6.IsValid())
	if n.VLAN.Value == 0 {
		return
	}
	if first := vlans[n.VLAN.Value]; first != nil {
		c.report(Warning, n.VLAN.Pos, fmt.Sprintf("the networks %s and, at %s, %s are both VLAN %d", n.Name.Value, first.VLAN.Pos, first.Name.Value, n.VLAN.Value),
			"two subnets on one VLAN hear each other's broadcasts; common practice is one each", "give one of the two another number, unless this is wanted")
		return
	}
	vlans[n.VLAN.Value] = n
}

// frameSize checks an MTU. What lies between the least and the most of the
// profile's format but is hardly ever right is a warning.
func (c *checker) frameSize(mtu site.Number, v6 bool) {
	switch {
	case mtu.Value == 0:
	case v6 && mtu.Value < 1280:
		c.report(Error, mtu.Pos, fmt.Sprintf("an MTU of %d is too small for IPv6", mtu.Value), "every IPv6 link carries 1280 octets, RFC 8200 5", "write 1280 or more")
	case mtu.Value < 576:
		c.report(Warning, mtu.Pos, fmt.Sprintf("an MTU of %d is smaller than any host must take", mtu.Value), "every host takes 576 octets, RFC 1122 3.3.2", "write 1500, or what the equipment says")
	case mtu.Value > 9216:
		c.report(Warning, mtu.Pos, fmt.Sprintf("an MTU of %d is larger than most switches carry", mtu.Value), "9216 is the usual most; common practice, no source", "write 9000, or what every switch on the way says")
	}
}

// reserved checks that the reserved ranges lie in their network.
func (c *checker) reserved(n *site.Network) {
	for _, r := range n.Reserved {
		if n.Prefix.Contains(r.First) && n.Prefix.Contains(r.Last) || n.Prefix6.IsValid() && n.Prefix6.Contains(r.First) && n.Prefix6.Contains(r.Last) {
			continue
		}
		c.report(Error, r.Pos, fmt.Sprintf("the reserved range %s is not in %s, the subnet of network %s", r.Value, subnets(n), n.Name.Value), "RFC 950 2.2", "write a range inside it")
	}
}

func subnets(n *site.Network) string {
	if n.Prefix6.IsValid() {
		return n.Prefix.String() + " or " + n.Prefix6.String()
	}
	return n.Prefix.String()
}

// gateway checks a gateway against its subnet and reports whether it is an
// address in it. An IPv6 gateway may be link-local: routers announce
// themselves so (RFC 4861 4.2).
func (c *checker) gateway(a netip.Addr, pos script.Pos, n *site.Network, p netip.Prefix) bool {
	if a.Is6() && a.IsLinkLocalUnicast() {
		return false
	}
	if !p.Contains(a) {
		c.report(Error, pos, fmt.Sprintf("the gateway %s is not in %s, the subnet of network %s", a, p, n.Name.Value),
			"a host reaches only its own subnet without a gateway, RFC 950 2.2", "write one of "+hosts(p))
		return false
	}
	if what, why := notAHost(a, p); what != "" {
		c.report(Error, pos, what+" and cannot be a gateway", why, "write one of "+hosts(p))
		return false
	}
	return true
}

// overlaps finds networks that share addresses, each reported with the first
// network that holds it. Sorted by start and then by size, a network that
// overlaps any before it lies within one that is still open.
func (c *checker) overlaps() {
	type claimed struct {
		half
		name string
	}
	var order []claimed
	for i := range c.s.Networks {
		for _, h := range halves(&c.s.Networks[i]) {
			order = append(order, claimed{h, c.s.Networks[i].Name.Value})
		}
	}
	slices.SortStableFunc(order, func(a, b claimed) int {
		return cmp.Or(a.prefix.Addr().Compare(b.prefix.Addr()), a.prefix.Bits()-b.prefix.Bits())
	})
	var open claimed
	found := 0
	for _, n := range order {
		if !open.prefix.IsValid() || !open.prefix.Overlaps(n.prefix) {
			open = n
			continue
		}
		c.report(Error, n.subnet.Pos, fmt.Sprintf("%s of network %s overlaps %s of network %s, at %s", n.prefix, n.name, open.prefix, open.name, open.subnet.Pos),
			"an address must lie in one subnet only, RFC 4632 5.1", "divide the addresses anew"+c.freeBlock(n.prefix, found))
		found++
	}
}

// freeBlock names a subnet of the same size that no network has, in the same
// special-purpose block. It is looked for with the first few overlaps only:
// among thousands of networks the search takes time.
func (c *checker) freeBlock(p netip.Prefix, found int) string {
	s, ok := specialOf(p.Addr())
	if !ok || s.severity == Error || found >= 5 {
		return ""
	}
	var taken []netip.Prefix
	for i := range c.s.Networks {
		for _, h := range halves(&c.s.Networks[i]) {
			taken = append(taken, h.prefix)
		}
	}
	free, ok := firstFit(s.block, p.Bits(), taken)
	if !ok {
		return ""
	}
	return fmt.Sprintf("; %s is free", free)
}

// inNetwork checks an address that a port or cluster has in a network, and
// reports whether it may be claimed.
func (c *checker) inNetwork(a netip.Addr, pos script.Pos, n *site.Network, p netip.Prefix) bool {
	if !p.Contains(a) {
		c.report(Error, pos, fmt.Sprintf("%s is not in %s, the subnet of network %s", a, p, n.Name.Value), "RFC 950 2.2", "write one of "+hosts(p)+c.otherNetwork(a))
		return !c.special(a, pos)
	}
	if what, why := notAHost(a, p); what != "" {
		c.report(Error, pos, what+" and cannot be a host's", why, "write one of "+hosts(p))
		return false
	}
	for _, r := range n.Reserved {
		if r.Contains(a) {
			c.report(Error, pos, fmt.Sprintf("%s lies in the range %s, which network %s reserves at %s", a, r.Value, n.Name.Value, r.Pos), "", "take an address outside the range, or make the range smaller")
			break
		}
	}
	if s, ok := specialOf(p.Addr()); ok && s.severity == Error {
		return true // told at the network
	}
	return !c.special(a, pos)
}

// otherNetwork names the network that an address would belong to.
func (c *checker) otherNetwork(a netip.Addr) string {
	for i := range c.s.Networks {
		if n := &c.s.Networks[i]; n.Prefix.Contains(a) || n.Prefix6.IsValid() && n.Prefix6.Contains(a) {
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
		c.clusterName(k)
		c.secretRef(k.JoinSecret)
		n := c.network[k.Network.Value]
		if n == nil && k.Network.Value != "" {
			c.unknown("network", k.Network, c.known.networks)
		}
		switch {
		case k.Address.Value == "" || n == nil && k.Network.Value != "":
		case n == nil:
			c.report(Error, k.Address.Pos, fmt.Sprintf("the cluster %q has an address but no network", k.Name.Value), "", "write network: with the network that the address is in")
		case k.Address.Value == site.Auto:
			c.ask(&k.Address, "the cluster "+k.Name.Value, n, n.Prefix, lockKey{cluster: k.Name.Value})
		case c.inNetwork(literal(k.Address), k.Address.Pos, n, n.Prefix):
			c.claim(literal(k.Address), "the cluster "+k.Name.Value, k.Address.Pos)
		}
	}
}

// literal reads an address that the profile's reader has checked; not valid
// where none is written, or auto.
func literal(t site.Text) netip.Addr {
	a, _ := netip.ParseAddr(t.Value)
	return a
}

// addr is the address that a text stands for: what is written, or what was
// allotted for auto.
func (c *checker) addr(t *site.Text) netip.Addr {
	if t.Value == site.Auto {
		return c.allotted[t]
	}
	return literal(*t)
}
