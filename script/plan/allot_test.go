package plan

import (
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/site"
	"pgregory.net/rapid"
)

const autoProfile = `format: linehand.site/1
site: {name: a, dns: [192.0.2.5], demonstration: true}
networks:
  - {name: n, subnet: 192.0.2.0/28, gateway: 192.0.2.1, reserved: [192.0.2.3-192.0.2.4]}
clusters: [{name: c, address: auto, network: n}]
kinds: {k: {dialogue: none}}
units:
`

// planOf plans a profile of units u0, u1, … with the given addresses, beside
// a lock file.
func planOf(t testing.TB, lock string, units ...string) (*Plan, Problems) {
	t.Helper()
	var b strings.Builder
	b.WriteString(autoProfile)
	for _, u := range units {
		name, address, _ := strings.Cut(u, "=")
		cluster := "join"
		if name == "u0" {
			cluster = "start"
		}
		fmt.Fprintf(&b, "  - {name: %s, kind: k, serial: %s, cluster: {%s: c}, ports: [{name: e0, network: n, address: %s}]}\n", name, name, cluster, address)
	}
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "a.yaml")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if lock != "" {
		if err := os.WriteFile(site.LockPath(path), []byte(lock), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := site.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return Make(s)
}

func addresses(p *Plan) map[string]string {
	out := map[string]string{}
	for _, u := range p.Units {
		out[u.Name] = u.Planned["ports.e0.address"]
	}
	out["c"] = p.Units[0].Planned["cluster.address"]
	return out
}

func TestAutoTakesTheLowestFree(t *testing.T) {
	p, problems := planOf(t, "", "u0=auto", "u1=192.0.2.7", "u2=auto", "u3=auto")
	if p == nil {
		t.Fatal(problems)
	}
	// .1 is the gateway's, .3 and .4 are reserved, .5 is the DNS server's, .7
	// is written.
	want := map[string]string{"c": "192.0.2.2", "u0": "192.0.2.6", "u1": "192.0.2.7", "u2": "192.0.2.8", "u3": "192.0.2.9"}
	if got := addresses(p); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if len(problems) < 2 || !strings.Contains(problems[1].String(), "4 addresses are allotted that stand in no lock file yet, the first 192.0.2.2 for the cluster c") {
		t.Errorf("%v", problems)
	}
}

// TestAutoStaysPut grows a profile in any place and in any order: with its
// lock file, no address moves, no two are the same, and none is one that may
// not be.
func TestAutoStaysPut(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		lock := ""
		units := []string{"u0=auto"}
		before := map[string]string{}
		for i := 1; i <= rapid.IntRange(1, 6).Draw(r, "steps"); i++ {
			at := rapid.IntRange(0, len(units)).Draw(r, "place")
			units = slices.Insert(units, at, fmt.Sprintf("u%d=auto", i))
			p, problems := planOf(t, lock, units...)
			if p == nil {
				r.Fatal(problems)
			}
			got, seen := addresses(p), map[string]bool{"192.0.2.1": true, "192.0.2.3": true, "192.0.2.4": true, "192.0.2.5": true, "192.0.2.0": true, "192.0.2.15": true}
			for name, a := range got {
				if was := before[name]; was != "" && was != a {
					r.Fatalf("%s moved from %s to %s", name, was, a)
				}
				if seen[a] || !netip.MustParsePrefix("192.0.2.0/28").Contains(netip.MustParseAddr(a)) {
					r.Fatalf("%s has %s", name, a)
				}
				seen[a] = true
			}
			before, lock = got, string(p.Lock.Bytes())
			again, problems := planOf(t, lock, units...)
			if again == nil || !again.Lock.Same(p.Lock) || strings.Contains(fmt.Sprint(problems), "no lock file") {
				r.Fatalf("a second run differs: %v", problems)
			}
		}
	})
}

func TestLockThatCannotStay(t *testing.T) {
	const head = "format: linehand.lock/1\n"
	tests := []struct{ name, lock, units, want string }{
		{"taken by a written one", head + "clusters:\n  c: {address: 192.0.2.2}\nunits:\n  u0:\n    e0: {address: 192.0.2.7}\n", "u0=auto u1=192.0.2.7",
			"a.lock.yaml:6:19: error: the address that the lock file holds for u0 port e0 cannot stay: 192.0.2.7 is taken twice"},
		{"outside", head + "units: {u0: {e0: {address: 198.51.100.7}}}\n", "u0=auto", "a.lock.yaml:2:28: error: the address that the lock file holds for u0 port e0 cannot stay: 198.51.100.7 is not in 192.0.2.0/28"},
		{"reserved", head + "units: {u0: {e0: {address: 192.0.2.3}}}\n", "u0=auto", "cannot stay: 192.0.2.3 lies in the range 192.0.2.3-192.0.2.4"},
		{"two alike", head + "clusters: {c: {address: 192.0.2.2}}\nunits: {u0: {e0: {address: 192.0.2.2}}}\n", "u0=auto", "cannot stay: 192.0.2.2 is taken twice"},
		{"not auto any more", head + "clusters: {c: {address: 192.0.2.2}}\nunits: {u0: {e0: {address: 192.0.2.8}}}\n", "u0=192.0.2.9", `note: 192.0.2.8 is held for u0 port e0, which has no "auto" any more`},
		{"full", "", "u0=auto u1=auto u2=auto u3=auto u4=auto u5=auto u6=auto u7=auto u8=auto u9=auto", "error: 192.0.2.0/28 in network n has no free address left for u9 port e0"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, problems := planOf(t, tt.lock, strings.Fields(tt.units)...)
			var lines []string
			for _, p := range problems {
				lines = append(lines, p.String())
			}
			if got := strings.Join(lines, "\n"); !strings.Contains(got, tt.want) {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestNetworksListTheirHolders(t *testing.T) {
	p := demo(t)
	quay := p.Networks[0]
	if quay.Name != "quay" || len(quay.Subnets) != 2 || quay.VLAN != 10 || quay.Subnets[0].Broadcast.String() != "192.0.2.255" {
		t.Fatalf("%+v", quay)
	}
	var got []string
	for _, h := range quay.Holders {
		got = append(got, h.Address.String()+" "+h.Who)
		if h.Pos == (script.Pos{}) {
			t.Errorf("%s has no place", h.Who)
		}
	}
	for _, want := range []string{"192.0.2.1 the gateway of network quay", "192.0.2.20 the cluster skerry-deep", "192.0.2.21 deep-1 port e0", "2001:db8:5c::a deep-2 port e0"} {
		if !slices.Contains(got, want) {
			t.Errorf("%q is not among %q", want, got)
		}
	}
	if len(got) != 16 {
		t.Errorf("%d holders: %q", len(got), got)
	}
}
