package script

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// shelf is a unit of the invented laboratory; addresses from RFC 5737.
func shelf() Values {
	net := NetworkValues{Name: "lab", Subnet: "192.0.2.0/24", Mask: "255.255.255.0", Prefix: 24, Gateway: "192.0.2.1", DNS: []string{"192.0.2.53"}, Path: "networks.lab"}
	e0 := PortValues{Name: "e0", Address: "192.0.2.10", Mask: "255.255.255.0", Prefix: 24, CIDR: "192.0.2.10/24", Gateway: "192.0.2.1", Network: net, Path: "ports.e0"}
	e1 := e0
	e1.Name, e1.Address, e1.Path, e1.MTU, e1.Gateway = "e1", "192.0.2.11", "ports.e1", 9000, ""
	return Values{
		"unit":    UnitValues{Name: "shelf-1", Kind: "brackwater-s24", Serial: "BW24-0001", Ports: []PortValues{e0, e1}},
		"site":    SiteValues{Name: "skerrymore", DNS: []string{"192.0.2.53", "192.0.2.54"}},
		"port":    e0,
		"ports":   map[string]PortValues{"e0": e0, "e1": e1},
		"network": net,
		"cluster": ClusterValues{Mode: "join", Name: "hydro", Members: []string{"shelf-1"}},
		"factory": FactoryValues{User: "admin", Secret: SecretRef{"factory-brackwater"}},
		"secret":  map[string]SecretRef{"join-a": {"join-a"}},
		"fact":    map[string]string{"serial": "BW24-0001"},
	}
}

func mustAnswer(t *testing.T, source string) *Answer {
	t.Helper()
	a, faults := compileAnswer(newScope(), source, placeAt(Pos{File: "x.yaml", Line: 1, Column: 1}))
	if len(faults) > 0 {
		t.Fatalf("%s: %v", source, faults)
	}
	return a
}

func TestAnswerRender(t *testing.T) {
	for _, tt := range []struct {
		source string
		want   []Piece
		plan   bool
	}{
		{"", nil, false},
		{"y", []Piece{{Text: "y"}}, false},
		{"${factory.user}", []Piece{{Text: "admin"}}, false},
		{"${factory.secret}", []Piece{{Secret: "factory-brackwater"}}, false},
		{"${secret.join-a}", []Piece{{Secret: "join-a"}}, true},
		{`${ secret["join-a"] }`, []Piece{{Secret: "join-a"}}, true},
		{"${unit.name}", []Piece{{Text: "shelf-1", Path: "unit.name"}}, true},
		{"set ${unit.ports[1].address}!", []Piece{{Text: "set "}, {Text: "192.0.2.11", Path: "ports.e1.address"}, {Text: "!"}}, true},
		{"${ports.e1.mtu}", []Piece{{Text: "9000", Path: "ports.e1.mtu"}}, true},
		{`${ports["e1"].name}`, []Piece{{Text: "e1", Path: "ports.e1.name"}}, true},
		{"${network.gateway}", []Piece{{Text: "192.0.2.1", Path: "networks.lab.gateway"}}, true},
		{"${port.network.prefix}", []Piece{{Text: "24", Path: "networks.lab.prefix"}}, true},
		{"${cluster.name}", []Piece{{Text: "hydro", Path: "cluster.name"}}, true},
		{"${upper(unit.name)}", []Piece{{Text: "SHELF-1"}}, true},
		{"${join(site.dns, ',')}", []Piece{{Text: "192.0.2.53,192.0.2.54"}}, true},
		{"${fact.serial}", []Piece{{Text: "BW24-0001"}}, false},
		{"$${HOME} $5", []Piece{{Text: "${HOME} $5"}}, false},
		{`${"}" + unit.name}`, []Piece{{Text: "}shelf-1"}}, true},
		{`${len(filter(unit.ports, .mtu > 0))}`, []Piece{{Text: "1"}}, true},
		{`${filter(unit.ports, {.mtu > 0})[0].name}`, []Piece{{Text: "e1", Path: "ports.e1.name"}}, true},
	} {
		t.Run(tt.source, func(t *testing.T) {
			a := mustAnswer(t, tt.source)
			got, err := a.Render(shelf())
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("pieces (-want +got):\n%s", diff)
			}
			if a.UsesPlan() != tt.plan {
				t.Errorf("UsesPlan() = %v, want %v", a.UsesPlan(), tt.plan)
			}
		})
	}
}

func TestAnswerRenderRefuses(t *testing.T) {
	for source, want := range map[string]string{
		"${port.mtu}":                "x.yaml:1:1: ${port.mtu}: the plan does not supply it",
		"${ports.e1.gateway}":        "x.yaml:1:1: ${ports.e1.gateway}: the plan does not supply it",
		"${ports.e9.address}":        "x.yaml:1:1: ${ports.e9.address}: the plan does not supply it",
		"${fact.firmware}":           "x.yaml:1:1: ${fact.firmware}: cannot be worked out: fact firmware was not read",
		"${secret.none}":             `x.yaml:1:1: ${secret.none}: the site profile names no secret "none"`,
		"${unit.ports[7].address}":   "x.yaml:1:1: ${unit.ports[7].address}: cannot be worked out: index out of range: 7 (array length is 2)",
		"${cluster.address}, ${'x'}": "x.yaml:1:1: ${cluster.address}: the plan does not supply it",
	} {
		_, err := mustAnswer(t, source).Render(shelf())
		if err == nil || err.Error() != want {
			t.Errorf("%s\n got %v\nwant %s", source, err, want)
		}
	}
}

func TestExpressionsRefused(t *testing.T) {
	for source, want := range map[string]string{
		"${unit.nam}":                            `unit has no "nam"; did you mean "name"?`,
		"${unti.name}":                           `nothing is called "unti" here; did you mean "unit"?`,
		"${secret.a + 'x'}":                      "a secret may stand only by itself in an answer",
		"${factory.secret == nil}":               "a secret may stand only by itself in an answer",
		"${string(factory.secret)}":              "a secret may stand only by itself in an answer",
		"${factory}":                             "a factory, which cannot be typed",
		"${unit.ports}":                          "a list, which cannot be typed",
		"${now()}":                               `nothing is called "now" here`,
		"${repeat('x', 100000)}":                 `nothing is called "repeat" here`,
		"${len(1..1000000)}":                     "a range of numbers is not allowed",
		"${let a = 'x'; a + a}":                  "this form is not allowed here",
		"${$env.unit.name}":                      "$env is not allowed",
		"${fact[unit.name]}":                     "which fact is meant cannot be seen",
		"${unit.name":                            "${ without its }",
		"${}":                                    "${} is empty",
		"${" + strings.Repeat(" 1+", 400):        "${ without its }",
		"${'" + strings.Repeat("x", 1000) + "'}": "longer than 1000 characters",
		"${count(unit.ports, any(unit.ports, .mtu > 0))}": "a loop within a loop is not allowed",
		"${join(map(map(site.dns, [#,#]), 'x'), '')}":     "a list of its own within a loop is not allowed",
		"${join(site.dns, join(site.dns, 'x'))}":          "join and replace may be used once",
	} {
		_, faults := compileAnswer(newScope(), source, placeAt(Pos{}))
		if len(faults) == 0 || !strings.Contains(faults.Error(), want) {
			t.Errorf("%.60s\n got %v\nwant %s", source, faults, want)
		}
	}
}

// TestHandValues: what stands for the work by hand can be named, knows its
// place in the plan, and tells what is not planned from a planned zero.
func TestHandValues(t *testing.T) {
	v := shelf()
	v["place"] = PlaceValues{Rack: "rack-1", At: 3, Side: "front", Height: 4}
	v["supplies"] = []SupplyValues{{Number: 1, Feed: "strip-1a", Path: "supplies.1"}}
	v["lift"] = LiftValues{Kg: "24.0", People: 2}
	v["storage"] = StorageValues{Drives: 24, Layout: "double parity groups", Path: "storage"}
	v["cluster"] = ClusterValues{Mode: "none", Path: "cluster"}
	for _, tt := range []struct {
		source, text, path string
		fault              string
	}{
		{"${place.at}", "3", "place.at", ""},
		{"${place.rack}", "rack-1", "place.rack", ""},
		{"${supplies[0].feed}", "strip-1a", "supplies.1.feed", ""},
		{"${supplies[0].inlet}", "", "", "the plan does not supply it"},
		{"${lift.people}", "2", "", ""}, // of a sum, not of the plan
		{"${storage.drives}", "24", "storage.drives", ""},
		{"${storage.spares}", "0", "storage.spares", ""}, // none is a choice
		{"${storage.groups}", "", "", "the plan does not supply it"},
		{"${cluster.turn}", "", "", "the plan does not supply it"},
		{"${len(supplies)}", "1", "", ""},
	} {
		pieces, err := mustAnswer(t, tt.source).Render(v)
		switch {
		case tt.fault != "":
			if err == nil || !strings.Contains(err.Error(), tt.fault) {
				t.Errorf("%s: %v, %v", tt.source, pieces, err)
			}
		case err != nil || len(pieces) != 1 || pieces[0] != Piece{Text: tt.text, Path: tt.path}:
			t.Errorf("%s: %+v, %v", tt.source, pieces, err)
		}
	}
	if len(mustAnswer(t, "${place.at}").Facts()) != 0 || !mustAnswer(t, "${place.at}").UsesPlan() {
		t.Error("a place is of the plan, and must not reach the wrong chassis")
	}
}
