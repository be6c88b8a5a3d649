package site

// A shape says what a value of the profile must look like. One table of
// shapes drives the checking of keys and values and the laying together of
// files, so that the two cannot disagree.
type shape struct {
	kind   kind
	called string // the value's name for people, with its article
	fields []field
	elem   *shape // of named, table
	check  check  // of text, and of each element of texts
	least  int    // of number
	most   int
	secret bool  // what is written may be a secret by mistake: never shown in a fault
	keys   check // of the keys of a table
}

type kind uint8

const (
	text    kind = iota
	texts        // a list of texts; a later file's list replaces the earlier one
	number       // a whole number in decimal
	object       // fixed keys, merged key by key
	choice       // exactly one of its keys; a later file's replaces the earlier one
	named        // a list of objects that each have a name, merged by name
	table        // names of the writer's own, merged by name
	secrets      // as table; each value a choice that must not be the secret itself
)

type field struct {
	key   string
	shape *shape
}

// check tells what is wrong with a text and how to mend it; "" for nothing.
type check func(string) (what, mend string)

func (s *shape) field(key string) *shape {
	for i := range s.fields {
		if s.fields[i].key == key {
			return s.fields[i].shape
		}
	}
	return nil
}

func (s *shape) keyNames() []string {
	names := make([]string, len(s.fields))
	for i, f := range s.fields {
		names[i] = f.key
	}
	return names
}

var (
	plainText  = &shape{kind: text}
	nameText   = &shape{kind: text, check: checkName}
	address    = &shape{kind: text, check: checkAddress}
	secretName = &shape{kind: text, secret: true, check: checkSecretName}
	servers    = &shape{kind: texts, called: "servers", check: checkServer}
	vlan       = &shape{kind: number, called: "a VLAN number", least: 1, most: 4094} // IEEE 802.1Q: 0 and 4095 are reserved
	mtu        = &shape{kind: number, called: "an MTU in octets", least: 68, most: 65535}
	roles      = &shape{kind: table, called: "roles", keys: checkRole, elem: secretName}
)

var siteShape = &shape{kind: object, called: "the site", fields: []field{
	{"name", plainText}, {"title", plainText}, {"domain", plainText},
	{"time-zone", &shape{kind: text, check: checkTimeZone}},
	{"dns", servers}, {"ntp", servers}, {"log", &shape{kind: text, check: checkServer}},
}}

var networkShape = &shape{kind: object, called: "a network", fields: []field{
	{"name", nameText}, {"subnet", plainText}, {"mask", &shape{kind: text, check: checkMask}},
	{"gateway", address}, {"vlan", vlan}, {"mtu", mtu},
	{"dns", servers}, {"ntp", servers}, {"domain", plainText},
}}

var clusterShape = &shape{kind: object, called: "a cluster", fields: []field{
	{"name", nameText}, {"address", address}, {"network", nameText}, {"join-secret", secretName},
}}

var kindShape = &shape{kind: object, called: "a kind of unit", fields: []field{
	{"title", plainText}, {"dialogue", plainText},
	{"factory", &shape{kind: object, called: "the factory sign-in", fields: []field{{"user", plainText}, {"secret", secretName}}}},
	{"roles", roles},
}}

var portShape = &shape{kind: object, called: "a port", fields: []field{
	{"name", nameText}, {"network", nameText}, {"address", address}, {"gateway", address}, {"mtu", mtu}, {"vlan", vlan},
}}

var unitShape = &shape{kind: object, called: "a unit", fields: []field{
	{"name", plainText}, {"kind", nameText}, {"serial", plainText}, {"title", plainText},
	{"cluster", &shape{kind: choice, called: "a unit's cluster", fields: []field{{"join", nameText}, {"start", nameText}}}},
	{"ports", &shape{kind: named, called: "ports", elem: portShape}},
	{"roles", roles},
}}

var secretShape = &shape{kind: choice, called: "a secret", secret: true, fields: []field{
	{"env", &shape{kind: text, secret: true, check: checkVariable}},
	{"file", &shape{kind: text, secret: true}},
	{"ask", &shape{kind: text, secret: true}},
}}

var profileShape = &shape{kind: object, called: "the profile", fields: []field{
	{"format", plainText}, {"defaults", plainText}, {"site", siteShape},
	{"networks", &shape{kind: named, called: "networks", elem: networkShape}},
	{"clusters", &shape{kind: named, called: "clusters", elem: clusterShape}},
	{"kinds", &shape{kind: table, called: "kinds of unit", keys: checkName, elem: kindShape}},
	{"units", &shape{kind: named, called: "units", elem: unitShape}},
	{"secrets", &shape{kind: secrets, called: "secrets", keys: checkSecretName, elem: secretShape}},
	{"roles", roles},
}}
