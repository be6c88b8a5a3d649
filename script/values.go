package script

import "maps"

// Values are what guards, answers and steps can name: "unit", "site", "port",
// "ports", "network", "cluster", "place", "supplies", "lift", "storage",
// "factory", "secret" and "fact", and the variable of the stage's each. Package script/plan fills them for a unit:
// "ports" as a []PortValues or a map from port name to PortValues (dialogues
// see a map), "secret" as a map from name to SecretRef, "fact" as a map from
// name to text, the others as the types below.
type Values map[string]any

// With gives the values with one more name: the variable of an each.
func (v Values) With(name string, element any) Values {
	out := maps.Clone(v)
	if out == nil {
		out = Values{}
	}
	out[name] = element
	return out
}

// UnitValues is what `unit` holds.
type UnitValues struct {
	Name   string       `expr:"name"`
	Kind   string       `expr:"kind"`
	Serial string       `expr:"serial"`
	Title  string       `expr:"title"`
	Ports  []PortValues `expr:"ports"`
	Path   string       `expr:"-"`
}

// PortValues is what `port` holds: inside an each over ports the element,
// elsewhere the unit's first port.
type PortValues struct {
	Name    string `expr:"name"`
	Address string `expr:"address"` // RFC 5952 or dotted form, without prefix
	Mask    string `expr:"mask"`    // dotted, "" for IPv6
	Prefix  int    `expr:"prefix"`
	CIDR    string `expr:"cidr"` // address and prefix, such as 192.0.2.7/24
	Gateway string `expr:"gateway"`
	// Of a port with an address of each kind, IPv4 above and IPv6 here.
	Address6 string        `expr:"address6"` // RFC 5952; "": not planned
	Prefix6  int           `expr:"prefix6"`
	CIDR6    string        `expr:"cidr6"`
	Gateway6 string        `expr:"gateway6"`
	MTU      int           `expr:"mtu"`  // 0: not planned
	VLAN     int           `expr:"vlan"` // 0: not planned
	Network  NetworkValues `expr:"network"`
	Path     string        `expr:"-"` // place in the plan, such as "ports.e0"
}

// NetworkValues is what `network` holds.
type NetworkValues struct {
	Name     string   `expr:"name"`
	Subnet   string   `expr:"subnet"`
	Mask     string   `expr:"mask"`
	Prefix   int      `expr:"prefix"`
	Gateway  string   `expr:"gateway"`
	Subnet6  string   `expr:"subnet6"` // the IPv6 half of a network of both kinds; "": none
	Prefix6  int      `expr:"prefix6"`
	Gateway6 string   `expr:"gateway6"`
	DNS      []string `expr:"dns"`
	NTP      []string `expr:"ntp"`
	Domain   string   `expr:"domain"`
	Path     string   `expr:"-"`
}

// ClusterValues is what `cluster` holds. Mode is "join", "start" or "none".
type ClusterValues struct {
	Mode    string   `expr:"mode"`
	Name    string   `expr:"name"`
	Address string   `expr:"address"` // the shared virtual address
	Members []string `expr:"members"` // names of the units, the one that starts it first
	Turn    int      `expr:"turn"`    // when this unit's turn is, from 1; 0: in no cluster
	Path    string   `expr:"-"`
}

// PlaceValues is what `place` holds: where the unit goes.
type PlaceValues struct {
	Rack   string `expr:"rack"`   // name; "" when it is not planned
	At     int    `expr:"at"`     // lowest rack unit that it fills, from 1; 0: at the rack's side
	Side   string `expr:"side"`   // "front" or "rear"
	Height int    `expr:"height"` // rack units of 44.45 mm (IEC 60297-3-100)
	Path   string `expr:"-"`
}

// SupplyValues is an element of `supplies`, in the order of their numbers.
type SupplyValues struct {
	Number int    `expr:"number"` // as on the unit, from 1
	Feed   string `expr:"feed"`   // where its cord goes: a feed, or a unit with outlets
	Inlet  string `expr:"inlet"`  // IEC 60320-1, such as "C14"; "" when it is not known
	Path   string `expr:"-"`
}

// LiftValues is what `lift` holds: what the sum of the plan says about
// lifting the unit to its place.
type LiftValues struct {
	Kg        string `expr:"kg"`         // weight that is lifted, drives out where that is said, such as "24.0"
	People    int    `expr:"people"`     // how many lift; 0 when the weight is not known
	DrivesOut bool   `expr:"drives_out"` // the drives are taken out first
	Advice    string `expr:"advice"`     // one sentence for people
	Source    string `expr:"source"`     // what the advice is from
}

// StorageValues is what `storage` holds: the drives and their layout.
type StorageValues struct {
	Drives int    `expr:"drives"` // in the unit; 0: it has none
	Size   string `expr:"size"`   // of each, such as "20 TB"
	Layout string `expr:"layout"` // such as "double parity groups"; "": not planned
	Groups int    `expr:"groups"`
	Use    int    `expr:"use"` // drives in the layout, spares aside
	Spares int    `expr:"spares"`
	Serve  string `expr:"serve"` // "at once" or "after the check"
	Path   string `expr:"-"`
}

// SiteValues is what `site` holds.
type SiteValues struct {
	Name     string   `expr:"name"`
	Title    string   `expr:"title"`
	Domain   string   `expr:"domain"`
	TimeZone string   `expr:"time_zone"`
	DNS      []string `expr:"dns"`
	NTP      []string `expr:"ntp"`
	Log      string   `expr:"log"`
}

// FactoryValues is what `factory` holds: the sign-in that the kind of unit
// leaves the factory with.
type FactoryValues struct {
	User   string    `expr:"user"`
	Secret SecretRef `expr:"secret"`
}

// SecretRef stands for a secret in Values. It carries the name only; the
// value is fetched when it is typed.
type SecretRef struct {
	Name string
}

// Piece is a stretch of a rendered answer: text, or a secret by name.
type Piece struct {
	Text   string
	Secret string
	Path   string // where the text came from in the plan, such as "ports.e0.address"; "" for the dialogue's own words
}
