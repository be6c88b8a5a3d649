package plan

import (
	"os"
	"strings"
	"testing"

	"linehand/script/site"
)

func cleanProfile(t testing.TB) string {
	t.Helper()
	data, err := os.ReadFile("../site/testdata/clean.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// problemsWith makes a change to the clean profile and gives the problems
// that are not notes, a line each, without the file's name.
func problemsWith(t testing.TB, changes ...string) string {
	t.Helper()
	text := cleanProfile(t)
	for i := 0; i < len(changes); i += 2 {
		if strings.Count(text, changes[i]) != 1 {
			t.Fatalf("%q stands %d times in the profile", changes[i], strings.Count(text, changes[i]))
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	s, err := site.Parse("site.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := Make(s)
	if (p == nil) != (problems.Err() != nil) {
		t.Errorf("plan %v with problems %v", p, problems)
	}
	var lines []string
	for _, problem := range problems {
		if problem.Severity != Note {
			lines = append(lines, strings.TrimPrefix(problem.String(), "site.yaml:"))
		}
	}
	return strings.Join(lines, "\n")
}

func TestBadSites(t *testing.T) {
	tests := []struct {
		name    string
		changes []string
		want    string
	}{
		{"clean", nil, ""},
		{"outside its network", []string{"192.0.2.22}", "192.0.3.22}"},
			`41:44: error: 192.0.3.22 is not in 192.0.2.0/24, the subnet of network quay (RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254`},
		{"in another network", []string{"192.0.2.22}", "198.51.100.22}"},
			`41:44: error: 198.51.100.22 is not in 192.0.2.0/24, the subnet of network quay (RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254, or say network seabed, which it lies in`},
		{"network address", []string{"192.0.2.22}", "192.0.2.0}"},
			`41:44: error: 192.0.2.0 is the network address of 192.0.2.0/24 and cannot be a host's (RFC 1122 3.2.1.3); write one of 192.0.2.1 to 192.0.2.254`},
		{"broadcast address", []string{"192.0.2.22}", "192.0.2.255}"},
			`41:44: error: 192.0.2.255 is the broadcast address of 192.0.2.0/24 and cannot be a host's (RFC 1122 3.2.1.3); write one of 192.0.2.1 to 192.0.2.254`},
		{"gateway outside", []string{"gateway: 192.0.2.1", "gateway: 192.0.3.1"},
			`11:14: error: the gateway 192.0.3.1 is not in 192.0.2.0/24, the subnet of network quay (a host reaches only its own subnet without a gateway, RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254`},
		{"gateway is the broadcast address", []string{"gateway: 192.0.2.1", "gateway: 192.0.2.255"},
			`11:14: error: 192.0.2.255 is the broadcast address of 192.0.2.0/24 and cannot be a gateway (RFC 1122 3.2.1.3); write one of 192.0.2.1 to 192.0.2.254`},
		{"a unit has the gateway's address", []string{"192.0.2.22}", "192.0.2.1}"},
			`41:44: error: 192.0.2.1 is taken twice: by deep-2 port e0 and, at site.yaml:11:14, by the gateway of network quay; give one of the two another address`},
		{"port's gateway is a unit", []string{"192.0.2.22}", "192.0.2.22, gateway: 192.0.2.21}"},
			`41:65: error: the gateway 192.0.2.21 of deep-2 port e0 is the address of deep-1 port e0, at site.yaml:34:44; name the router's address`},
		{"port's gateway outside", []string{"192.0.2.22}", "192.0.2.22, gateway: 198.51.100.1}"},
			`41:65: error: the gateway 198.51.100.1 is not in 192.0.2.0/24, the subnet of network quay (a host reaches only its own subnet without a gateway, RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254`},
		{"address twice", []string{"192.0.2.22}", "192.0.2.21}"},
			`41:44: error: 192.0.2.21 is taken twice: by deep-2 port e0 and, at site.yaml:34:44, by deep-1 port e0; give one of the two another address`},
		{"a port has the cluster's address", []string{"192.0.2.22}", "192.0.2.20}"},
			`41:44: error: 192.0.2.20 is taken twice: by deep-2 port e0 and, at site.yaml:18:27, by the cluster deep; give one of the two another address`},
		{"cluster's address is the gateway's", []string{"address: 192.0.2.20", "address: 192.0.2.1"},
			`18:27: error: 192.0.2.1 is taken twice: by the cluster deep and, at site.yaml:11:14, by the gateway of network quay; give one of the two another address`},
		{"cluster outside", []string{"address: 192.0.2.20", "address: 192.0.3.20"},
			`18:27: error: 192.0.3.20 is not in 192.0.2.0/24, the subnet of network quay (RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254`},
		{"cluster without network", []string{"network: quay, join-secret", "join-secret"},
			`18:27: error: the cluster "deep" has an address but no network; write network: with the network that the address is in`},
		{"member without a port there", []string{"{name: e0, network: quay, address: 192.0.2.22}", "{name: e0, network: seabed, address: 198.51.100.22}"},
			"6:9: warning: deep-2 reaches no DNS server of this list (a host reaches only its own subnet without a gateway, RFC 950 2.2); write the gateway of a network that they are in, or servers in it\n" +
				`39:21: warning: deep-2 has no port in network quay, where the cluster deep has its address; plan a port there, or check the cluster's network`},
		{"serial twice", []string{"BW24-2207-0127", "bw24-2207-0113"},
			`38:13: error: the serial number bw24-2207-0113 is that of two units, deep-2 and, at site.yaml:31:13, deep-1; read both labels again`},
		{"no serial", []string{"    serial: BW24-2207-0127\n", ""},
			`36:5: warning: the unit "deep-2" has no serial number (the right chassis cannot be told by machine; a person will have to confirm it); write serial: as on the unit's label`},
		{"names differ in capitals only", []string{"name: deep-2", "name: Deep-1"},
			`36:11: error: the units "Deep-1" and, at site.yaml:29:11, "deep-1" differ in capitals only (capitals have no significance in names, RFC 1035 2.3.1); rename one of the two`},
		{"ports differ in capitals only", []string{"{name: e1, network", "{name: E0, network"},
			`35:16: error: the ports "e0" and "E0" of deep-1 differ in capitals only; rename one of the two`},
		{"unit's name", []string{"name: deep-2", "name: deep_2"},
			`36:11: error: "deep_2" cannot be a unit's name: it holds '_', and only letters, digits and hyphens may stand in it (RFC 952 and RFC 1123 2.1); write letters, digits and inner hyphens`},
		{"domain", []string{"domain: example.net", "domain: -example.net"},
			`4:11: error: "-example.net" cannot be a domain: a part of it starts or ends with a hyphen (RFC 952 and RFC 1123 2.1); write letters, digits and inner hyphens`},
		{"unknown network", []string{"network: quay, address: 192.0.2.22", "network: quai, address: 192.0.2.22"},
			`41:29: error: the profile has no network "quai"; did you mean "quay"?`},
		{"unknown cluster", []string{"{join: deep}", "{join: deap}"}, `39:21: error: the profile has no cluster "deap"; did you mean "deep"?`},
		{"unknown kind", []string{"kind: brackwater-s24\n    serial: BW24-2207-0127", "kind: brackwater-s42\n    serial: BW24-2207-0127"},
			`37:11: error: the profile has no kind of unit "brackwater-s42"; did you mean "brackwater-s24"?`},
		{"unknown kind, nothing near", []string{"kind: brackwater-s24\n    serial: BW24-2207-0127", "kind: tamsin-p8\n    serial: BW24-2207-0127"},
			`37:11: error: the profile has no kind of unit "tamsin-p8"; write one of brackwater-s24, or add it`},
		{"unknown secret", []string{"{admin: shelf-admin}", "{admin: shelf-admon}"},
			`23:20: error: the profile has no secret of the name written here; did you mean "shelf-admin"? A secret itself never stands in a profile`},
		{"a literal secret that could be a name", []string{"join-secret: deep-join", "join-secret: hunter2"},
			`18:67: error: the profile has no secret of the name written here; write one of s24-factory, shelf-admin, deep-join. A secret itself never stands in a profile`},
		{"started twice", []string{"{join: deep}", "{start: deep}"},
			`39:22: error: the cluster deep is started twice: by deep-2 and, at site.yaml:32:22, by deep-1 (the second would be a cluster of its own); let one of the two join`},
		{"nobody starts it", []string{"{start: deep}", "{join:  deep}"},
			`18:12: warning: no unit of this profile starts the cluster deep; right if it runs already; else let the first unit start it`},
		{"loopback", []string{"192.0.2.22}", "127.0.0.1}"},
			`41:44: error: 127.0.0.1 is not in 192.0.2.0/24, the subnet of network quay (RFC 950 2.2); write one of 192.0.2.1 to 192.0.2.254` + "\n" +
				`41:44: error: 127.0.0.1 is a loopback address (127.0.0.0/8) (RFC 1122 3.2.1.3); take an address that hosts use`},
		{"multicast server", []string{"dns: [192.0.2.3]", "dns: [224.0.0.1]"},
			`6:9: error: 224.0.0.1 is a multicast address (224.0.0.0/4) (RFC 1112 4); take an address that hosts use`},
		{"unspecified server", []string{"dns: [192.0.2.3]", "dns: ['::']"},
			`6:9: error: :: is an unspecified address (::/128) (RFC 4291 2.5.2); take an address that hosts use`},
		{"subnet overlap", []string{"subnet: 198.51.100.0", "subnet: 192.0.2.0", "198.51.100.21}", "192.0.2.33}"},
			`13:13: error: 192.0.2.0/24 of network seabed overlaps 192.0.2.0/24 of network quay, at site.yaml:10:13 (an address must lie in one subnet only, RFC 4632 5.1); divide the addresses anew`},
		{"overlap where there is room", []string{"clusters:\n", "  - {name: a, subnet: 10.0.0.0/16}\n  - {name: b, subnet: 10.0.4.0/22}\nclusters:\n"},
			`18:23: error: 10.0.4.0/22 of network b overlaps 10.0.0.0/16 of network a, at site.yaml:17:23 (an address must lie in one subnet only, RFC 4632 5.1); divide the addresses anew; 10.1.0.0/22 is free`},
		{"no name server for a named log server", []string{"  dns: [192.0.2.3]\n", "  log: log.example.net\n"},
			`6:8: warning: the log server is named, log.example.net, but there is no DNS server to ask for its address; write dns:, or the log server's address`},
		{"a unit is a server", []string{"192.0.2.22}", "192.0.2.3}"},
			`41:44: warning: 192.0.2.3, the address of deep-2 port e0, is also that of a server that units are to reach, at site.yaml:6:9; give it another address, unless it is that server`},
		{"cluster that no name server can name", []string{"{name: deep, address", "{name: deep_1, address", "{start: deep}", "{start: deep_1}", "{join: deep}", "{join: deep_1}"},
			`18:12: warning: "deep_1" cannot be looked up as a name: it holds '_', and only letters, digits and hyphens may stand in it (RFC 952 and RFC 1123 2.1); write letters, digits and inner hyphens, or say in the kind's limits: what it accepts`},
		{"name with its domain", []string{"domain: example.net", "domain: " + strings.Repeat("abcdefghi.", 24) + "example"},
			"29:11: error: deep-1 with its domain, said at site.yaml:4:11, has 254 characters, and 253 is the most (RFC 1035 2.3.4); shorten the name or the domain\n" +
				"36:11: error: deep-2 with its domain, said at site.yaml:4:11, has 254 characters, and 253 is the most (RFC 1035 2.3.4); shorten the name or the domain"},
		{"addresses for documentation on equipment", []string{"  demonstration: true\n", ""},
			"9:13: error: 192.0.2.0/24 is for documentation (192.0.2.0/24) and not for equipment (RFC 5737); take addresses of your own, or say demonstration: true under site: if nothing of this site is real\n" +
				"12:13: error: 198.51.100.0/24 is for documentation (198.51.100.0/24) and not for equipment (RFC 5737); take addresses of your own, or say demonstration: true under site: if nothing of this site is real"},
		{"ports of an open network differ", []string{"    gateway: 192.0.2.1\n", "", "192.0.2.21}", "192.0.2.21, mtu: 9000}", "192.0.2.22}", "192.0.2.22, mtu: 1500}"},
			`40:61: error: deep-2 port e0 has an MTU of 1500, and deep-1 port e0, at site.yaml:33:61, one of 9000 (inside a subnet nothing tells a sender that a frame was too large: path MTU discovery works through routers, RFC 1191 1); write the same for all of network quay`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := problemsWith(t, tt.changes...); got != tt.want {
				t.Errorf("\ngot  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestDocumentationIsNotedOncePerNetwork(t *testing.T) {
	s, err := site.Parse("site.yaml", []byte(cleanProfile(t)))
	if err != nil {
		t.Fatal(err)
	}
	_, problems := Make(s)
	want := "site.yaml:10:13: note: 192.0.2.0/24 is for documentation (192.0.2.0/24): right for a demonstration, wrong for equipment (RFC 5737)\n" +
		"site.yaml:13:13: note: 198.51.100.0/24 is for documentation (198.51.100.0/24): right for a demonstration, wrong for equipment (RFC 5737)"
	var got []string
	for _, p := range problems {
		got = append(got, p.String())
	}
	if strings.Join(got, "\n") != want {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
}
