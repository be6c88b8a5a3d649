package plan

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
)

func prefix(s string) netip.Prefix { return netip.MustParsePrefix(s) }

// RFC 4632 section 3.1, the table of prefixes; RFC 3021 for /31.
func TestMasks(t *testing.T) {
	masks := strings.Fields(`0.0.0.0 128.0.0.0 192.0.0.0 224.0.0.0 240.0.0.0 248.0.0.0 252.0.0.0 254.0.0.0
		255.0.0.0 255.128.0.0 255.192.0.0 255.224.0.0 255.240.0.0 255.248.0.0 255.252.0.0 255.254.0.0
		255.255.0.0 255.255.128.0 255.255.192.0 255.255.224.0 255.255.240.0 255.255.248.0 255.255.252.0 255.255.254.0
		255.255.255.0 255.255.255.128 255.255.255.192 255.255.255.224 255.255.255.240 255.255.255.248 255.255.255.252 255.255.255.254
		255.255.255.255`)
	for bits, want := range masks {
		if got := maskOf(netip.PrefixFrom(netip.MustParseAddr("10.0.0.0"), bits).Masked()); got != want {
			t.Errorf("/%d: got %s, want %s", bits, got, want)
		}
	}
	if got := maskOf(prefix("2001:db8::/32")); got != "" {
		t.Errorf("IPv6: got %s", got)
	}
}

// Network and broadcast addresses and the hosts between them. RFC 1878 table
// 1-2 for the parts of a /24; RFC 950 appendix II; RFC 3021 2.1 for /31; RFC
// 6164 for /127; RFC 4291 2.6.1 for the subnet-router anycast address.
func TestHosts(t *testing.T) {
	tests := []struct {
		subnet string
		hosts  string
		bad    []string
	}{
		{"192.0.2.0/25", "192.0.2.1 to 192.0.2.126", []string{"192.0.2.0", "192.0.2.127"}},
		{"192.0.2.128/25", "192.0.2.129 to 192.0.2.254", []string{"192.0.2.128", "192.0.2.255"}},
		{"192.0.2.192/26", "192.0.2.193 to 192.0.2.254", []string{"192.0.2.192", "192.0.2.255"}},
		{"192.0.2.160/27", "192.0.2.161 to 192.0.2.190", []string{"192.0.2.160", "192.0.2.191"}},
		{"192.0.2.64/28", "192.0.2.65 to 192.0.2.78", []string{"192.0.2.64", "192.0.2.79"}},
		{"192.0.2.136/29", "192.0.2.137 to 192.0.2.142", []string{"192.0.2.136", "192.0.2.143"}},
		{"192.0.2.252/30", "192.0.2.253 to 192.0.2.254", []string{"192.0.2.252", "192.0.2.255"}},
		{"36.40.0.0/16", "36.40.0.1 to 36.40.255.254", []string{"36.40.0.0", "36.40.255.255"}},
		{"128.99.4.0/22", "128.99.4.1 to 128.99.7.254", []string{"128.99.4.0", "128.99.7.255"}},
		{"192.0.2.0/31", "192.0.2.0 to 192.0.2.1", nil},
		{"192.0.2.7/32", "192.0.2.7", nil},
		{"2001:db8::/64", "2001:db8::1 to 2001:db8::ffff:ffff:ffff:ffff", []string{"2001:db8::"}},
		{"2001:db8::2/127", "2001:db8::2 to 2001:db8::3", nil},
		{"2001:db8::7/128", "2001:db8::7", nil},
	}
	for _, tt := range tests {
		p := prefix(tt.subnet)
		if got := hosts(p); got != tt.hosts {
			t.Errorf("%s: hosts %s, want %s", tt.subnet, got, tt.hosts)
		}
		first, last, _ := strings.Cut(tt.hosts, " to ")
		for _, host := range []string{first, last} {
			if host == "" {
				continue
			}
			if what, _ := notAHost(netip.MustParseAddr(host), p); what != "" {
				t.Errorf("%s in %s: %s", host, tt.subnet, what)
			}
		}
		for _, bad := range tt.bad {
			if what, why := notAHost(netip.MustParseAddr(bad), p); what == "" || why == "" {
				t.Errorf("%s is taken as a host of %s", bad, tt.subnet)
			}
		}
	}
}

// RFC 3021 2.1: both addresses of a /31 are hosts, and there is no broadcast
// address; the gateway takes the other one.
func TestPointToPoint(t *testing.T) {
	got := problemsWith(t, "subnet: 198.51.100.0", "subnet: 198.51.100.20", "255.255.255.0\n    vlan: 40", "255.255.255.254\n    gateway: 198.51.100.20")
	if got != "" {
		t.Errorf("got %s", got)
	}
}

// RFC 4632 section 6.1: the blocks of seven sites. No two overlap; the first
// six lie in the provider's block and the seventh does not.
func TestDelegationExample(t *testing.T) {
	blocks := []string{"10.24.0.0/21", "10.24.16.0/20", "10.24.8.0/22", "10.24.12.0/22", "10.24.32.0/23", "10.24.34.0/23", "10.32.0.0/20"}
	lasts := []string{"10.24.7.255", "10.24.31.255", "10.24.11.255", "10.24.15.255", "10.24.33.255", "10.24.35.255", "10.32.15.255"}
	var networks strings.Builder
	for i, b := range blocks {
		fmt.Fprintf(&networks, "  - {name: c%d, subnet: %s}\n", i+1, b)
		if got := lastOf(prefix(b)).String(); got != lasts[i] {
			t.Errorf("%s ends at %s, want %s", b, got, lasts[i])
		}
	}
	if got := problemsWith(t, "clusters:\n", "XX\n", "XX\n", networks.String()+"clusters:\n"); got != "" {
		t.Errorf("without the provider's own block: %s", got)
	}
	got := problemsWith(t, "clusters:\n", "XX\n", "XX\n", networks.String()+"  - {name: pa, subnet: 10.24.0.0/13}\nclusters:\n")
	if n := strings.Count(got, "\n") + 1; n != 6 || strings.Contains(got, "10.32.0.0") {
		t.Errorf("with the provider's own block %d overlaps:\n%s", n, got)
	}
}

// RFC 1123 2.1, RFC 952, RFC 1035 2.3.4.
func TestHostNames(t *testing.T) {
	label := strings.Repeat("a", 63)
	long := strings.Join([]string{label, label, label, label}, ".") // 255 characters
	for _, name := range []string{"a", "3com.example", "a-b", label, "host.", long[:253], "deep-1"} {
		if fault := hostNameFault(name); fault != "" {
			t.Errorf("%q: %s", name, fault)
		}
	}
	for _, name := range []string{"-a", "a-", "a_b", label + "a", "x..y", "10.0.0.1", long, "", ".", ".a", "a b", "kühl", "10.0.0.256", "2001:db8::1"} {
		if hostNameFault(name) == "" {
			t.Errorf("%q is taken", name)
		}
	}
}

// RFC 6890 tables 1 to 29 as changed by RFC 8190 2.2; RFC 9637 section 6. A
// block that may not be both source and destination is no host's; RFC 1918
// section 3 for the private ranges and their edges.
func TestSpecialPurposeAddresses(t *testing.T) {
	tests := []struct {
		addr     string
		severity Severity
		name     string
	}{
		{"0.0.0.0", Error, "this host on this network"}, {"0.0.0.37", Error, "this host on this network"},
		{"10.255.255.255", "", "private"}, {"172.16.0.0", "", "private"}, {"172.31.255.255", "", "private"}, {"192.168.0.1", "", "private"},
		{"172.15.255.255", "", ""}, {"172.32.0.0", "", ""}, {"11.0.0.0", "", ""},
		{"100.64.0.1", "", "shared address space"}, {"100.128.0.0", "", ""},
		{"127.0.0.1", Error, "loopback"}, {"127.255.255.255", Error, "loopback"}, {"169.254.1.1", Error, "link-local"},
		{"192.0.0.9", Error, "IETF protocol assignments"}, {"192.0.0.1", Warning, "DS-Lite"},
		{"192.0.2.1", Note, "documentation"}, {"198.51.100.1", Note, "documentation"}, {"203.0.113.1", Note, "documentation"},
		{"198.18.0.1", Warning, "benchmarking"}, {"198.19.255.255", Warning, "benchmarking"}, {"198.20.0.0", "", ""},
		{"224.0.0.1", Error, "multicast"}, {"239.255.255.250", Error, "multicast"}, {"240.0.0.1", Error, "reserved"}, {"255.255.255.255", Error, "limited broadcast"},
		{"::", Error, "unspecified"}, {"::1", Error, "loopback"}, {"::ffff:192.0.2.1", Error, "IPv4-mapped"},
		{"64:ff9b::c000:221", Warning, "IPv4-IPv6 translation"}, {"100::1", Warning, "discard only"}, {"2001::1", Warning, "Teredo"},
		{"2001:2::1", Warning, "benchmarking"}, {"2001:10::1", Error, "ORCHID"}, {"2001:db8::1", Note, "documentation"}, {"3fff:fff::1", Note, "documentation"},
		{"2002:c000:204::1", Warning, "6to4"}, {"fd00::1", "", "unique local"}, {"fe80::1", Error, "link-local"}, {"febf::1", Error, "link-local"},
		{"ff02::1", Error, "multicast"}, {"2a00::1", "", ""},
	}
	for _, tt := range tests {
		got, _ := specialOf(netip.MustParseAddr(tt.addr))
		if got.severity != tt.severity || got.name != tt.name {
			t.Errorf("%s: got %q, %q; want %q, %q", tt.addr, got.severity, got.name, tt.severity, tt.name)
		}
	}
}
