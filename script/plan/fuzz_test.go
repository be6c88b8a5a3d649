package plan

import (
	"net/netip"
	"os"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/site"
)

// FuzzPlan: whatever profile the reader takes, there is a plan or an error
// with its place; and in a plan every port lies in its network, no two ports
// share an address, and every planned value has a source.
func FuzzPlan(f *testing.F) {
	clean, err := os.ReadFile("../site/testdata/clean.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(clean)
	for _, change := range []string{"192.0.2.0/24|192.0.2.20/30", "192.0.2.22}|192.0.2.21}", "{join: deep}|{start: deep}", "192.0.2.0/24|'::/0'", "192.0.2.0/24|0.0.0.0/0", "network: quay|network: seabed", "192.0.2.22}|auto}", "address: 192.0.2.20|address: auto", "192.0.2.0/24|192.0.2.0/24\n    subnet6: 2001:db8::/64\n    reserved: [192.0.2.9, 2001:db8::/120]", "192.0.2.21}|auto, address6: auto, group: a}"} {
		from, to, _ := strings.Cut(change, "|")
		f.Add([]byte(strings.ReplaceAll(string(clean), from, to)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := site.Parse("site.yaml", data)
		if err != nil {
			return
		}
		p, problems := Make(s)
		for _, problem := range problems {
			if problem.Pos.Line < 1 || problem.What == "" {
				t.Fatalf("%+v", problem)
			}
		}
		if p == nil {
			if problems.Err() == nil {
				t.Fatal("neither a plan nor an error")
			}
			return
		}
		seen := map[string]bool{}
		for _, u := range p.Units {
			for _, port := range u.Values["unit"].(script.UnitValues).Ports {
				subnet := netip.MustParsePrefix(port.Network.Subnet)
				if !subnet.Contains(netip.MustParseAddr(port.Address)) || seen[port.Address] {
					t.Fatalf("%s in %s", port.Address, subnet)
				}
				seen[port.Address] = true
			}
			for path := range u.Planned {
				if u.Sources[path].Line < 1 {
					t.Fatalf("%s has no source", path)
				}
			}
		}
	})
}
