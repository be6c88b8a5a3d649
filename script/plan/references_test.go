package plan

import (
	"fmt"
	"math/big"
	"net/netip"
	"slices"
	"strings"
	"testing"

	"linehand/script/site"
)

// RFC 4632 section 3.1: the size of a prefix is 2^(32-p) and there are 2^p of
// them. The counts of hosts are RFC 1878's (two less), RFC 3021's for /31 and
// one for a host route.
func TestSizes(t *testing.T) {
	addresses := []int64{4294967296, 2147483648, 1073741824, 536870912, 268435456, 134217728, 67108864, 33554432, 16777216, 8388608, 4194304,
		2097152, 1048576, 524288, 262144, 131072, 65536, 32768, 16384, 8192, 4096, 2048, 1024, 512, 256, 128, 64, 32, 16, 8, 4, 2, 1}
	for bits, size := range addresses {
		p := netip.PrefixFrom(netip.IPv4Unspecified(), bits)
		want := size - 2
		switch bits {
		case 31:
			want = 2
		case 32:
			want = 1
		}
		if got := Work(p).Usable; got.Cmp(big.NewInt(want)) != 0 {
			t.Errorf("/%d: %s hosts, want %d", bits, got, want)
		}
		// The last block of this size starts after all others.
		last := netip.PrefixFrom(netip.MustParseAddr("255.255.255.255"), bits).Masked().Addr().As4()
		start := int64(last[0])<<24 | int64(last[1])<<16 | int64(last[2])<<8 | int64(last[3])
		if blocks := start/size + 1; blocks != 1<<bits {
			t.Errorf("/%d: %d blocks, want %d", bits, blocks, int64(1)<<bits)
		}
	}
}

// RFC 1878 table 1-2 (one /24): first and last row of each part, and the rows
// in the middle that it prints; table 1-1 (one /16) less its printing
// defects: the broadcast of its last rows ends in 255.255, and 8 bits give
// 256 nets of 254 hosts.
func TestRFC1878(t *testing.T) {
	rows := []struct {
		bits, net        int
		first, last, all string
	}{
		{25, 0, "1", "126", "127"}, {25, 128, "129", "254", "255"},
		{26, 0, "1", "62", "63"}, {26, 192, "193", "254", "255"},
		{27, 0, "1", "30", "31"}, {27, 160, "161", "190", "191"}, {27, 224, "225", "254", "255"},
		{28, 0, "1", "14", "15"}, {28, 64, "65", "78", "79"}, {28, 240, "241", "254", "255"},
		{29, 0, "1", "6", "7"}, {29, 136, "137", "142", "143"}, {29, 248, "249", "254", "255"},
		{30, 0, "1", "2", "3"}, {30, 252, "253", "254", "255"},
	}
	for _, row := range rows {
		s := Work(prefix(fmt.Sprintf("192.168.7.%d/%d", row.net, row.bits)))
		for got, want := range map[netip.Addr]string{s.First: row.first, s.Last: row.last, s.Broadcast: row.all} {
			if got.String() != "192.168.7."+want {
				t.Errorf("/%d at .%d: %s, want .%s", row.bits, row.net, got, want)
			}
		}
	}
	counts := []struct{ block, bits, nets, hosts int }{
		{24, 25, 2, 126}, {24, 26, 4, 62}, {24, 27, 8, 30}, {24, 28, 16, 14}, {24, 29, 32, 6}, {24, 30, 64, 2},
		{16, 17, 2, 32766}, {16, 18, 4, 16382}, {16, 19, 8, 8190}, {16, 20, 16, 4094}, {16, 21, 32, 2046}, {16, 22, 64, 1022}, {16, 23, 128, 510}, {16, 24, 256, 254},
	}
	for _, c := range counts {
		block := netip.PrefixFrom(netip.MustParseAddr("172.16.0.0"), c.block)
		parts, err := Divide(block, slices.Repeat([]int{c.bits}, c.nets))
		if err != nil {
			t.Fatal(err)
		}
		if end := lastOf(parts[len(parts)-1]); end != lastOf(block) || Work(parts[0]).Usable.Int64() != int64(c.hosts) {
			t.Errorf("/%d in /%d: ends at %s, %s hosts", c.bits, c.block, end, Work(parts[0]).Usable)
		}
		if _, err := Divide(block, slices.Repeat([]int{c.bits}, c.nets+1)); err == nil {
			t.Errorf("/%d in /%d: one more than %d fits", c.bits, c.block, c.nets)
		}
	}
}

// RFC 4632 section 6.1: the blocks of the sites C1 to C6 are what aligned
// first fit in that order gives: the hole behind C1 is filled by C3 and C4.
// Section 5.2: 192.168.65.1 lies in 192.168.64.0/19.
func TestDelegationByFirstFit(t *testing.T) {
	got, err := Divide(prefix("10.24.0.0/13"), []int{21, 20, 22, 22, 23, 23})
	if err != nil {
		t.Fatal(err)
	}
	want := "[10.24.0.0/21 10.24.16.0/20 10.24.8.0/22 10.24.12.0/22 10.24.32.0/23 10.24.34.0/23]"
	if fmt.Sprint(got) != want {
		t.Errorf("got %v, want %s", got, want)
	}
	if !prefix("192.168.64.0/19").Contains(netip.MustParseAddr("192.168.65.1")) || !prefix("192.168.0.0/16").Overlaps(prefix("192.168.64.0/19")) {
		t.Error("RFC 4632 5.2")
	}
	if _, err := Divide(prefix("192.0.2.0/24"), []int{25, 26, 27, 27, 30}); err == nil || !strings.Contains(err.Error(), "no room left for number 5, a /30") {
		t.Errorf("a full block: %v", err)
	}
}

// RFC 950 appendix II: hosts and gateways of a class A and a class B net, and
// a mask with holes that RFC 4632 5.1 refuses today; 2.1 for 0.0.0.37 and for
// 128.9.255.255, all hosts on 128.9; 2.2 for the rule of the same subnet.
func TestRFC950(t *testing.T) {
	for _, x := range []struct{ host, gateway, subnet, broadcast string }{
		{"36.40.0.123", "36.40.0.62", "36.40.0.0/16", "36.40.255.255"},
		{"128.99.4.123", "128.99.4.62", "128.99.4.0/22", "128.99.7.255"},
	} {
		p := prefix(x.subnet)
		if netip.PrefixFrom(netip.MustParseAddr(x.host), p.Bits()).Masked() != p || netip.PrefixFrom(netip.MustParseAddr(x.gateway), p.Bits()).Masked() != p {
			t.Errorf("%s and %s are not both in %s", x.host, x.gateway, p)
		}
		if got := Work(p).Broadcast.String(); got != x.broadcast {
			t.Errorf("%s: broadcast %s, want %s", p, got, x.broadcast)
		}
	}
	if _, ok := site.MaskBits("255.255.255.88"); ok {
		t.Error("a mask with holes is taken")
	}
	if what, _ := notAHost(netip.MustParseAddr("128.9.255.255"), prefix("128.9.0.0/16")); what == "" {
		t.Error("128.9.255.255 is taken as a host")
	}
	if s, _ := specialOf(netip.MustParseAddr("0.0.0.37")); s.severity != Error {
		t.Error("0.0.0.37 is taken")
	}
}

// RFC 5952 section 4 and 5; RFC 4291 2.2.
func TestIPv6Text(t *testing.T) {
	for in, want := range map[string]string{
		"2001:0db8::0001": "2001:db8::1", "2001:db8:0:0:0:0:2:1": "2001:db8::2:1", "2001:db8::0:1": "2001:db8::1", "2001:db8::1:1:1:1:1": "2001:db8:0:1:1:1:1:1",
		"2001:0:0:1:0:0:0:1": "2001:0:0:1::1", "2001:db8:0:0:1:0:0:1": "2001:db8::1:0:0:1", "2001:db8::AAAA": "2001:db8::aaaa",
		"2001:DB8:0:0:8:800:200C:417A": "2001:db8::8:800:200c:417a", "FF01:0:0:0:0:0:0:101": "ff01::101", "::13.1.68.3": "::d01:4403",
	} {
		a, err := site.ParseAddress(in)
		if err != nil || a.String() != want {
			t.Errorf("%s: got %s, %v, want %s", in, a, err, want)
		}
	}
	// Forms that another library reads as some address, and this one must not.
	for _, in := range []string{"1.2.3", "010.0.0.1", "0x0a.0.0.1", " 192.0.2.1", "192.0.2.1 ", "192.0.2.0/24", "2001:db8::1%e0", "::ffff:129.144.52.38", "[2001:db8::1]:80", ""} {
		if a, err := site.ParseAddress(in); err == nil {
			t.Errorf("%q is read as %s", in, a)
		}
	}
}

// RFC 4291 2.3: legal and illegal texts of the 60-bit prefix
// 20010DB80000CD3; RFC 4632 3.1 for the dotted ones, with forms that some
// libraries take: a wildcard for a mask, a length with a sign or a zero.
func TestPrefixText(t *testing.T) {
	profile := func(subnet string) string {
		return "format: linehand.site/1\nsite: {name: a, demonstration: true}\nnetworks: [{name: n, subnet: '" + subnet + "'}]\nkinds: {k: {dialogue: none}}\nunits: [{name: u, kind: k, serial: s}]\n"
	}
	for _, in := range []string{"2001:0DB8:0000:CD30:0000:0000:0000:0000/60", "2001:0DB8::CD30:0:0:0:0/60", "2001:0DB8:0:CD30::/60"} {
		s, err := site.Parse("a.yaml", []byte(profile(in)))
		if err != nil {
			t.Errorf("%s: %v", in, err)
		} else if got := s.Networks[0].Prefix.String(); got != "2001:db8:0:cd30::/60" {
			t.Errorf("%s is read as %s", in, got)
		}
	}
	for in, want := range map[string]string{
		"2001:0DB8:0:CD3/60": "is not a subnet", "2001:0DB8::CD30/60": "write 2001:db8::/60", "2001:0DB8::CD3/60": "write 2001:db8::/60",
		"192.0.2.0/0.0.0.255": "is not a subnet", "192.0.2.0/08": "is not a subnet", "192.0.2.0/+8": "is not a subnet", "192.0.2.9/24": "write 192.0.2.0/24", "192.0.2.0/33": "is not a subnet",
	} {
		_, err := site.Parse("a.yaml", []byte(profile(in)))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", in, err, want)
		}
	}
	if !prefix("2001:db8:0:cd30::/60").Contains(netip.MustParseAddr("2001:0DB8:0:CD30:123:4567:89AB:CDEF")) {
		t.Error("RFC 4291 2.3: the node's address")
	}
}

// RFC 1112 4 and RFC 5771 3 and 9.2: no multicast address is a host's, those
// for documents neither. RFC 3927 2.1: the whole of 169.254/16 is link-local,
// its reserved ends too. RFC 9637: 3fff::/20 and no more.
func TestNoHostHasThese(t *testing.T) {
	for _, a := range []string{"224.0.0.0", "224.0.0.1", "224.0.1.1", "232.1.1.1", "233.251.255.255", "233.252.0.1", "239.192.0.1", "239.255.255.250", "169.254.0.1", "169.254.1.0", "169.254.254.255", "169.254.255.255"} {
		if s, ok := specialOf(netip.MustParseAddr(a)); !ok || s.severity != Error {
			t.Errorf("%s is taken", a)
		}
	}
	for a, want := range map[string]string{"3fff::": "documentation", "3fff:fff:ffff:ffff:ffff:ffff:ffff:ffff": "documentation", "3fff:1000::": "", "3ffe::1": ""} {
		if s, _ := specialOf(netip.MustParseAddr(a)); s.name != want {
			t.Errorf("%s is %q, want %q", a, s.name, want)
		}
	}
}

// RFC 6164: both addresses of a /127 are routers' or hosts'; /128 and /32 hold
// one, which leaves no room for a gateway.
func TestPointToPoint6(t *testing.T) {
	got := problemsWith(t, "subnet: 198.51.100.0\n    mask: 255.255.255.0\n    vlan: 40", "subnet: 2001:db8::2/127\n    gateway: 2001:db8::2\n    vlan: 40", "address: 198.51.100.21", "address: 2001:db8::3")
	if got != "" {
		t.Errorf("got %s", got)
	}
}
