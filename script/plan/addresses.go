package plan

import (
	"fmt"
	"math/big"
	"net/netip"
	"slices"

	"linehand/script/site"
)

// special is one row of the special-purpose registries: what may not stand
// on a port, and how bad it is if it does.
type special struct {
	block    netip.Prefix
	name     string
	source   string
	severity Severity // "" for blocks that are fine
}

// specials are RFC 6890 tables 1 to 29 as changed by RFC 8190, with the
// documentation block of RFC 9637 and the multicast blocks. A block that may
// not be both source and destination cannot be a port's. The longest match
// counts.
var specials = []special{
	{netip.MustParsePrefix("0.0.0.0/8"), "this host on this network", "RFC 1122 3.2.1.3", Error},
	{netip.MustParsePrefix("10.0.0.0/8"), "private", "RFC 1918", ""},
	{netip.MustParsePrefix("100.64.0.0/10"), "shared address space", "RFC 6598", ""},
	{netip.MustParsePrefix("127.0.0.0/8"), "loopback", "RFC 1122 3.2.1.3", Error},
	{netip.MustParsePrefix("169.254.0.0/16"), "link-local", "RFC 3927 1.6", Error},
	{netip.MustParsePrefix("172.16.0.0/12"), "private", "RFC 1918", ""},
	{netip.MustParsePrefix("192.0.0.0/24"), "IETF protocol assignments", "RFC 6890 table 7", Error},
	{netip.MustParsePrefix("192.0.0.0/29"), "DS-Lite", "RFC 6333", Warning},
	{netip.MustParsePrefix("192.0.2.0/24"), "documentation", "RFC 5737", Note},
	{netip.MustParsePrefix("192.88.99.0/24"), "6to4 relay anycast", "RFC 3068", Warning},
	{netip.MustParsePrefix("192.168.0.0/16"), "private", "RFC 1918", ""},
	{netip.MustParsePrefix("198.18.0.0/15"), "benchmarking", "RFC 2544", Warning},
	{netip.MustParsePrefix("198.51.100.0/24"), "documentation", "RFC 5737", Note},
	{netip.MustParsePrefix("203.0.113.0/24"), "documentation", "RFC 5737", Note},
	{netip.MustParsePrefix("224.0.0.0/4"), "multicast", "RFC 1112 4", Error},
	{netip.MustParsePrefix("240.0.0.0/4"), "reserved", "RFC 1112 4", Error},
	{netip.MustParsePrefix("255.255.255.255/32"), "limited broadcast", "RFC 919 7", Error},

	{netip.MustParsePrefix("::/128"), "unspecified", "RFC 4291 2.5.2", Error},
	{netip.MustParsePrefix("::1/128"), "loopback", "RFC 4291 2.5.3", Error},
	{netip.MustParsePrefix("::ffff:0:0/96"), "IPv4-mapped", "RFC 4291 2.5.5.2", Error},
	{netip.MustParsePrefix("64:ff9b::/96"), "IPv4-IPv6 translation", "RFC 6052", Warning},
	{netip.MustParsePrefix("100::/64"), "discard only", "RFC 6666", Warning},
	{netip.MustParsePrefix("2001::/23"), "IETF protocol assignments", "RFC 6890 table 21", Warning},
	{netip.MustParsePrefix("2001::/32"), "Teredo", "RFC 4380", Warning},
	{netip.MustParsePrefix("2001:2::/48"), "benchmarking", "RFC 5180", Warning},
	{netip.MustParsePrefix("2001:10::/28"), "ORCHID", "RFC 4843", Error},
	{netip.MustParsePrefix("2001:db8::/32"), "documentation", "RFC 3849", Note},
	{netip.MustParsePrefix("2002::/16"), "6to4", "RFC 3056", Warning},
	{netip.MustParsePrefix("3fff::/20"), "documentation", "RFC 9637 6", Note},
	{netip.MustParsePrefix("fc00::/7"), "unique local", "RFC 4193", ""},
	{netip.MustParsePrefix("fe80::/10"), "link-local", "RFC 4291 2.5.6", Error},
	{netip.MustParsePrefix("ff00::/8"), "multicast", "RFC 4291 2.7", Error},
}

// specialOf finds the smallest special block that holds an address.
func specialOf(a netip.Addr) (found special, ok bool) {
	for _, s := range specials {
		if s.block.Contains(a) && (!ok || s.block.Bits() > found.block.Bits()) {
			found, ok = s, true
		}
	}
	return found, ok
}

// lastOf is the last address of a subnet: for IPv4 up to /30 its broadcast
// address.
func lastOf(p netip.Prefix) netip.Addr { return site.LastOf(p) }

// maskOf is the dotted mask of an IPv4 subnet, "" for IPv6 (RFC 4632 3.1).
func maskOf(p netip.Prefix) string {
	if !p.Addr().Is4() {
		return ""
	}
	m := ^uint32(0) << (32 - p.Bits()) // shifting by 32 gives 0: the mask of /0
	return netip.AddrFrom4([4]byte{byte(m >> 24), byte(m >> 16), byte(m >> 8), byte(m)}).String()
}

// notAHost tells why an address inside a subnet cannot be a host's there, and
// by which rule; "" when it can. Both addresses of a /31 and of a /127 are
// hosts (RFC 3021 2.1, RFC 6164), and so is the only one of a /32 and /128.
func notAHost(a netip.Addr, p netip.Prefix) (what, why string) {
	if p.Bits() >= a.BitLen()-1 {
		return "", ""
	}
	switch {
	case a == p.Addr() && a.Is4():
		return fmt.Sprintf("%s is the network address of %s", a, p), "RFC 1122 3.2.1.3"
	case a == p.Addr():
		return fmt.Sprintf("%s is the subnet-router anycast address of %s", a, p), "RFC 4291 2.6.1"
	case a.Is4() && a == lastOf(p):
		return fmt.Sprintf("%s is the broadcast address of %s", a, p), "RFC 1122 3.2.1.3"
	}
	return "", ""
}

// Subnet is what one subnet comes to.
type Subnet struct {
	Prefix      netip.Prefix
	Mask        string     // dotted; "" for IPv6
	Network     netip.Addr // its first address; for IPv6 the subnet-router anycast address (RFC 4291 2.6.1)
	Broadcast   netip.Addr // not valid for IPv6, /31 (RFC 3021 2.1) and /32
	First, Last netip.Addr // that hosts may have
	Usable      *big.Int   // how many hosts may have one
}

// Work gives what a subnet comes to: RFC 4632 3.1 for its size and mask, RFC
// 3021 and RFC 6164 for /31 and /127, whose two addresses are both hosts'.
func Work(p netip.Prefix) Subnet {
	p = p.Masked()
	s := Subnet{Prefix: p, Mask: maskOf(p), Network: p.Addr(), First: p.Addr(), Last: lastOf(p)}
	s.Usable = new(big.Int).Lsh(big.NewInt(1), uint(p.Addr().BitLen()-p.Bits()))
	if p.Bits() >= p.Addr().BitLen()-1 {
		return s
	}
	s.First = s.First.Next()
	s.Usable.Sub(s.Usable, big.NewInt(1))
	if p.Addr().Is4() {
		s.Broadcast, s.Last = s.Last, s.Last.Prev()
		s.Usable.Sub(s.Usable, big.NewInt(1))
	}
	return s
}

// Divide takes blocks of the given prefix lengths out of a larger one, each
// at the lowest place where it fits and is aligned, in the order given. The
// error says which one has no room.
func Divide(block netip.Prefix, lengths []int) ([]netip.Prefix, error) {
	block = block.Masked()
	out := make([]netip.Prefix, 0, len(lengths))
	for i, bits := range lengths {
		p, ok := firstFit(block, bits, out)
		if !ok {
			return nil, fmt.Errorf("%s has no room left for number %d, a /%d; take a larger block, or smaller parts", block, i+1, bits)
		}
		out = append(out, p)
	}
	return out, nil
}

func firstFit(block netip.Prefix, bits int, taken []netip.Prefix) (netip.Prefix, bool) {
	if bits < block.Bits() || bits > block.Addr().BitLen() {
		return netip.Prefix{}, false
	}
	p := netip.PrefixFrom(block.Addr(), bits)
	for p.IsValid() && block.Contains(p.Addr()) {
		at := slices.IndexFunc(taken, p.Overlaps)
		if at < 0 {
			return p, true
		}
		beyond := lastOf(p)
		if other := lastOf(taken[at]); beyond.Less(other) {
			beyond = other
		}
		p = netip.PrefixFrom(beyond.Next(), bits)
	}
	return netip.Prefix{}, false
}

// hosts is the range of host addresses for people: "192.0.2.1 to 192.0.2.254".
func hosts(p netip.Prefix) string {
	s := Work(p)
	if s.First == s.Last {
		return s.First.String()
	}
	return s.First.String() + " to " + s.Last.String()
}
