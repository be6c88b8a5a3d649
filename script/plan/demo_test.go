package plan

import (
	"path/filepath"
	"slices"
	"testing"

	"linehand/script"
	"linehand/script/site"
)

func demo(t testing.TB) *Plan {
	t.Helper()
	s, err := site.Load(filepath.FromSlash("../../fixtures/site/skerrymore.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := Make(s)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	for _, problem := range problems {
		if problem.Severity != Note {
			t.Errorf("false alarm on the clean site: %s", problem)
		}
	}
	return p
}

func TestDemoSite(t *testing.T) {
	p := demo(t)
	if len(p.Units) != 12 {
		t.Errorf("%d units, want 12", len(p.Units))
	}
	u, err := p.Unit("DEEP-2")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		"unit.name": "deep-2", "unit.kind": "brackwater-s24", "unit.serial": "BW24-2207-0127", "unit.title": "Second shelf of the deep-water recordings",
		"site.name": "skerrymore", "site.title": "Skerrymore Acoustics Laboratory", "site.domain": "skerrymore.example.net",
		"site.time_zone": "Europe/London", "site.dns": "192.0.2.3 2001:db8:5c::3", "site.ntp": "192.0.2.5 2001:db8:5c::5", "site.log": "log.example.net",
		"factory.user": "fitter",
		"cluster.mode": "join", "cluster.name": "skerry-deep", "cluster.address": "192.0.2.20",
		"networks.quay.name": "quay", "networks.quay.subnet": "192.0.2.0/24", "networks.quay.mask": "255.255.255.0", "networks.quay.prefix": "24", "networks.quay.gateway": "192.0.2.1",
		"networks.quay.dns": "192.0.2.3 2001:db8:5c::3", "networks.quay.ntp": "192.0.2.5 2001:db8:5c::5", "networks.quay.domain": "skerrymore.example.net",
		"networks.seabed.name": "seabed", "networks.seabed.subnet": "198.51.100.0/24", "networks.seabed.mask": "255.255.255.0", "networks.seabed.prefix": "24", "networks.seabed.gateway": "198.51.100.1",
		"networks.seabed.dns": "192.0.2.3 2001:db8:5c::3", "networks.seabed.ntp": "192.0.2.5 2001:db8:5c::5", "networks.seabed.domain": "skerrymore.example.net",
		"ports.e0.address": "192.0.2.22", "ports.e0.mask": "255.255.255.0", "ports.e0.prefix": "24", "ports.e0.cidr": "192.0.2.22/24", "ports.e0.gateway": "192.0.2.1", "ports.e0.network": "quay", "ports.e0.vlan": "10",
		"ports.e0.address6": "2001:db8:5c::a", "ports.e0.prefix6": "64", "ports.e0.cidr6": "2001:db8:5c::a/64", "ports.e0.gateway6": "2001:db8:5c::1",
		"networks.quay.subnet6": "2001:db8:5c::/64", "networks.quay.prefix6": "64", "networks.quay.gateway6": "2001:db8:5c::1",
		"cluster.members": "deep-1 deep-2", "cluster.turn": "2",
		"place.rack": "rack-2", "place.at": "3", "place.side": "front", "place.height": "4",
		"supplies.1.number": "1", "supplies.1.feed": "strip-2a", "supplies.1.inlet": "C14",
		"supplies.2.number": "2", "supplies.2.feed": "strip-2b", "supplies.2.inlet": "C14",
		"storage.drives": "24", "storage.size": "20 TB", "storage.layout": "double parity groups", "storage.groups": "2",
		"storage.use": "22", "storage.spares": "2", "storage.serve": "after the check",
	}
	for name, host := range map[string]string{"e1": "198.51.100.24", "e2": "198.51.100.25", "e3": "198.51.100.26"} {
		at := "ports." + name
		want[at+".address"], want[at+".mask"], want[at+".prefix"], want[at+".cidr"] = host, "255.255.255.0", "24", host+"/24"
		want[at+".gateway"], want[at+".network"], want[at+".mtu"], want[at+".vlan"] = "198.51.100.1", "seabed", "9000", "40"
	}
	for path, value := range want {
		if u.Planned[path] != value {
			t.Errorf("%s: planned %q, want %q", path, u.Planned[path], value)
		}
		if u.Sources[path].Line == 0 {
			t.Errorf("%s: no source", path)
		}
	}
	for path, value := range u.Planned {
		if want[path] == "" {
			t.Errorf("%s = %q: planned without being expected", path, value)
		}
	}
	if got := filepath.Base(u.Sources["site.ntp"].File); got != "company.yaml" {
		t.Errorf("site.ntp comes from %s", got)
	}
	if got, want := u.Dialogue, filepath.FromSlash("../../fixtures/dialogues/brackwater-s24.yaml"); got != want {
		t.Errorf("dialogue %s, want %s", got, want)
	}
	if got, want := u.Secrets, []string{"deep-join", "s24-factory", "shelf-admin"}; !slices.Equal(got, want) {
		t.Errorf("secrets %v, want %v", got, want)
	}
	refs := u.Values["secret"].(map[string]script.SecretRef)
	for role, name := range map[string]string{"admin": "shelf-admin", "join": "deep-join", "switch-admin": "switch-admin"} {
		if refs[role].Name != name {
			t.Errorf("secret.%s is %q, want %q", role, refs[role].Name, name)
		}
	}
	cluster := u.Values["cluster"].(script.ClusterValues)
	if !slices.Equal(cluster.Members, []string{"deep-1", "deep-2"}) {
		t.Errorf("members %v", cluster.Members)
	}
	if port := u.Values["port"].(script.PortValues); port.Name != "e0" || port.Path != "ports.e0" || port.Network.Path != "networks.quay" {
		t.Errorf("first port %+v", port)
	}
}

func TestUnitSuggestsTheNearest(t *testing.T) {
	_, err := demo(t).Unit("depp-2")
	if want := `the plan has no unit "depp-2"; did you mean "deep-2"?`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	_, err = demo(t).Unit("somewhere-else")
	if want := `the plan has no unit "somewhere-else"; its units are quay-sw1, deep-1, deep-2, quay-sw2, shallow-1, shallow-2, strip-1a, strip-1b and 4 more`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// TestDemoSuppliesItsDialogues: each demo unit has every value that the
// dialogue of its kind names.
func TestDemoSuppliesItsDialogues(t *testing.T) {
	for _, u := range demo(t).Units {
		if u.Dialogue == "" && u.Facts.Outlets.Value > 0 {
			continue // an outlet strip has no console
		}
		d, err := script.Load(u.Dialogue)
		if err != nil {
			t.Fatal(err)
		}
		for _, finding := range script.LintValues(d, u.Values) {
			t.Errorf("%s: %s", u.Name, finding)
		}
		for _, name := range d.SecretNames() {
			if u.Values["secret"].(map[string]script.SecretRef)[name].Name == "" {
				t.Errorf("%s: no secret plays %s", u.Name, name)
			}
		}
	}
}
