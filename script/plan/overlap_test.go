package plan

import (
	"encoding/binary"
	"net/netip"
	"slices"
	"strconv"
	"testing"

	"linehand/script/site"
	"pgregory.net/rapid"
)

// TestOverlapsFindsEveryPair compares the one pass over sorted subnets with
// the looking at all pairs that RFC 4632 5.1 amounts to: a report for each
// network that lies in another, and for each repetition of a subnet.
func TestOverlapsFindsEveryPair(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &site.Site{}
		for i := range rapid.IntRange(0, 12).Draw(t, "networks") {
			var b [4]byte
			binary.BigEndian.PutUint32(b[:], 0x0a000000|rapid.Uint32Range(0, 0xff).Draw(t, "address"))
			p := netip.PrefixFrom(netip.AddrFrom4(b), rapid.IntRange(24, 32).Draw(t, "prefix")).Masked()
			s.Networks = append(s.Networks, site.Network{Name: site.Text{Value: strconv.Itoa(i)}, Prefix: p})
		}
		want := 0
		for i, a := range s.Networks {
			if slices.ContainsFunc(s.Networks, func(b site.Network) bool {
				return b.Prefix.Bits() < a.Prefix.Bits() && b.Prefix.Contains(a.Prefix.Addr())
			}) || slices.ContainsFunc(s.Networks[:i], func(b site.Network) bool { return b.Prefix == a.Prefix }) {
				want++
			}
		}
		c := newChecker(s)
		c.overlaps()
		if len(c.problems) != want {
			t.Fatalf("%d reports, want %d", len(c.problems), want)
		}
	})
}

// TestHostsAgreeWithCounting compares the host rules with plain counting over
// small IPv4 subnets: all but the first and the last address up to /30, both
// of a /31 (RFC 3021 2.1), the one of a /32.
func TestHostsAgreeWithCounting(t *testing.T) {
	for bits := 20; bits <= 32; bits++ {
		p := netip.PrefixFrom(netip.MustParseAddr("192.168.16.0"), bits)
		size, usable := 1<<(32-bits), 0
		for a, n := p.Addr(), 0; n < size; a, n = a.Next(), n+1 {
			if what, _ := notAHost(a, p); what == "" {
				usable++
			}
		}
		want := size - 2
		if bits >= 31 {
			want = size
		}
		if usable != want {
			t.Errorf("/%d: %d hosts, want %d", bits, usable, want)
		}
	}
}
