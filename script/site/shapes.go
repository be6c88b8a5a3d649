package site

import "strconv"

var (
	plainText    = &shape{kind: text}
	nameText     = &shape{kind: text, check: checkName, form: nameAsForm}
	nameAsForm   = &form{pattern: `^[A-Za-z0-9][A-Za-z0-9_/:-]{0,63}$`}
	address      = &shape{kind: text, check: checkAddress, form: addressForm}
	autoOr       = &shape{kind: text, check: checkAutoOrAddress, form: &form{words: []string{Auto}, formats: addressForm.formats, not: addressForm.not}}
	addressForm  = &form{formats: []string{"ipv4", "ipv6"}, not: `[%]|^::[Ff]{4}:`}
	secretName   = &shape{kind: text, secret: true, check: checkSecretName, form: secretAsForm}
	secretAsForm = &form{pattern: `^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`}
	servers      = &shape{kind: texts, called: "servers", check: checkServer, form: serverForm}
	serverForm   = &form{pattern: `^[^ @/%]+$`}
	vlan         = &shape{kind: number, called: "a VLAN number", least: 1, most: 4094} // IEEE 802.1Q: 0 and 4095 are reserved
	mtu          = &shape{kind: number, called: "an MTU in octets", least: 68, most: 65535}
	roles        = &shape{kind: table, called: "roles", keys: checkRole, keyForm: &form{pattern: `^[A-Za-z][A-Za-z0-9_-]{0,63}$`}, elem: secretName}
	yesNo        = oneOf("true", "false")
	duration     = &shape{kind: text, check: checkDuration, form: &form{pattern: `^([0-9]+(\.[0-9]+)?(h|m|s|ms))+$`}}
	size         = &shape{kind: text, check: checkSize, form: &form{pattern: sizeForm.String()}}
	reserved     = &shape{kind: texts, called: "reserved ranges", check: checkRange}
)

var siteShape = &shape{kind: object, called: "the site", fields: []field{
	{"name", plainText}, {"title", plainText}, {"domain", plainText},
	{"time-zone", &shape{kind: text, check: checkTimeZone, hint: "a name in the IANA time zone database"}},
	{"dns", servers}, {"ntp", servers}, {"log", &shape{kind: text, check: checkServer, form: serverForm}},
	{"demonstration", yesNo},
}}

var networkShape = &shape{kind: object, called: "a network", fields: []field{
	{"name", nameText}, {"subnet", plainText}, {"mask", &shape{kind: text, check: checkMask, form: &form{formats: []string{"ipv4"}}}},
	{"gateway", address}, {"subnet6", plainText}, {"gateway6", address}, {"reserved", reserved}, {"vlan", vlan}, {"mtu", mtu},
	{"dns", servers}, {"ntp", servers}, {"domain", plainText},
}}

var clusterShape = &shape{kind: object, called: "a cluster", fields: []field{
	{"name", nameText}, {"address", autoOr}, {"network", nameText}, {"join-secret", secretName},
}}

var limitShape = &shape{kind: object, called: "a limit", fields: []field{
	{"length", &shape{kind: text, check: checkLength, form: &form{pattern: lengthForm.String()}, hint: "the most characters, or least-most"}},
	{"letters", &shape{kind: text, check: checkLetters, hint: "characters and ranges, such as a-z0-9-"}},
}}

var kindShape = &shape{kind: object, called: "a kind of unit", fields: []field{
	{"title", plainText}, {"dialogue", &shape{kind: text, hint: "the dialogue's path, or none for equipment without a console"}},
	{"set-up", &shape{kind: text, hint: "path of the dialogue for what is set up after the first boot, or none"}},
	{"proof", &shape{kind: text, hint: "path of the dialogue that proves it and changes nothing, or none"}},
	{"reach", oneOf(OverConsole, OverSSH)}, {"ssh", sshShape},
	{"factory", &shape{kind: object, called: "the factory sign-in", fields: []field{{"user", plainText}, {"secret", secretName}}}},
	{"roles", roles},
	{"limits", &shape{kind: object, called: "the limits of a kind", fields: []field{{"name", limitShape}, {"cluster", limitShape}, {"secret", limitShape}}}},
	{"height-u", &shape{kind: number, called: "a height in rack units", least: 0, most: 60}},
	{"weight-kg", numberOfUnits("a weight in kg", 0, 2000)},
	{"depth-mm", &shape{kind: number, called: "a depth in mm", least: 1, most: 3000}},
	{"watts", &shape{kind: number, called: "a power in W", least: 0, most: 100000}},
	{"power-factor", numberOfUnits("a power factor", 0, 1)},
	{"supplies", &shape{kind: number, called: "a number of supplies", least: 0, most: maxSupplies}},
	{"inlet", oneOf(inlets()...)},
	{"outlets", &shape{kind: number, called: "a number of outlets", least: 1, most: 100}},
	{"drives", drivesShape}, {"storage", storageShape}, {"times", timesShape},
}}

var sshShape = &shape{kind: object, called: "the sign-in over SSH", fields: []field{
	{"user", &shape{kind: text, check: checkUser, form: &form{pattern: userForm.String()}}},
	{"role", &shape{kind: text, check: checkRole, form: &form{pattern: `^[A-Za-z][A-Za-z0-9_-]{0,63}$`}}},
	{"port", &shape{kind: number, called: "a TCP port", least: 1, most: 65535}},
	{"older-algorithms", &shape{kind: texts, called: "older algorithms", check: checkAlgorithm, form: &form{pattern: algorithmForm.String()}}},
}}

var drivesShape = &shape{kind: object, called: "the drives", fields: []field{
	{"count", &shape{kind: number, called: "a number of drives", least: 1, most: 10000}},
	{"size", size}, {"weight-kg", numberOfUnits("a weight in kg", 0, 10)},
	{"interface-mb-s", rate}, {"rebuild-mb-s", rate}, {"verify-mb-s", rate},
	{"unreadable", &shape{kind: text, check: checkUnreadable, form: &form{pattern: unreadableForm.String()}}},
	{"mttf-h", &shape{kind: number, called: "a mean time to failure in hours", least: 1, most: 100000000}},
}}

var rate = &shape{kind: number, called: "a rate in MB/s", least: 1, most: 1000000}

var timesShape = &shape{kind: object, called: "the times of a kind", fields: []field{
	{"boot", duration}, {"waiting", duration}, {"by-hand", duration},
}}

var portShape = &shape{kind: object, called: "a port", fields: []field{
	{"name", nameText}, {"network", nameText}, {"address", autoOr}, {"address6", autoOr}, {"gateway", address}, {"mtu", mtu}, {"vlan", vlan}, {"group", nameText},
}}

var unitShape = &shape{kind: object, called: "a unit", fields: []field{
	{"name", plainText}, {"kind", nameText}, {"serial", plainText}, {"title", plainText},
	{"cluster", &shape{kind: choice, called: "a unit's cluster", fields: []field{{"join", nameText}, {"start", nameText}}}},
	{"ports", &shape{kind: named, called: "ports", elem: portShape}},
	{"roles", roles},
	{"place", &shape{kind: object, called: "a unit's place", fields: []field{
		{"rack", nameText}, {"at", &shape{kind: number, called: "the lowest rack unit that it fills", least: 1, most: 60}},
		{"side", oneOf(sides()...)},
	}}},
	{"cords", &shape{kind: table, called: "cords", keys: checkSupply, keyForm: &form{pattern: `^[1-9][0-9]?$`}, elem: nameText}},
	{"drives", drivesShape}, {"storage", storageShape},
}}

var storageShape = &shape{kind: object, called: "the storage of a unit", fields: []field{
	{"layout", oneOf(layouts()...)},
	{"groups", &shape{kind: number, called: "a number of groups", least: 1, most: 1000}},
	{"spares", &shape{kind: number, called: "a number of spares", least: 0, most: 1000}},
	{"use", &shape{kind: number, called: "a number of drives", least: 1, most: 10000}},
	{"serve", oneOf(AtOnce, AfterCheck)},
}}

var rackShape = &shape{kind: object, called: "a rack", fields: []field{
	{"name", nameText}, {"title", plainText},
	{"units-high", &shape{kind: number, called: "a height in rack units", least: 1, most: 60}},
	{"load-kg", numberOfUnits("a load in kg", 1, 10000)},
	{"floor-mm", &shape{kind: number, called: "the height of the lowest rack unit over the floor in mm", least: 0, most: 1000}},
	{"depth-mm", &shape{kind: number, called: "a depth in mm", least: 1, most: 3000}},
	{"feeds", &shape{kind: texts, called: "feeds", check: checkName, form: nameAsForm}},
}}

var feedShape = &shape{kind: object, called: "a feed", fields: []field{
	{"name", nameText}, {"title", plainText},
	{"volts", &shape{kind: number, called: "a voltage in V", least: 12, most: 1000}},
	{"phases", oneOf("1", "3")},
	{"breaker-a", numberOfUnits("a breaker's rating in A", 1, 1000)},
	{"code", oneOf(codes()...)},
}}

var visitShape = &shape{kind: object, called: "the visit", fields: []field{
	{"technicians", &shape{kind: number, called: "a number of technicians", least: 1, most: 100}},
	{"lines", &shape{kind: number, called: "a number of lines", least: 1, most: 1000}},
	{"steps", oneOf(StepsAsWritten, StepsRequired, StepsAdvisory)},
	{"required", stepNames}, {"advisory", stepNames}, {"without", stepNames},
}}

var stepNames = &shape{kind: texts, called: "names of steps by hand"}

var importShape = &shape{kind: object, called: "the import", fields: []field{
	{"file", &shape{kind: text, check: checkTableFile, form: &form{pattern: `\.([Cc][Ss][Vv]|[Xx][Ll][Ss][Xx])$`}}},
	{"sheet", plainText}, {"kind", nameText},
	{"columns", &shape{kind: object, called: "the columns", fields: columnFields()}},
	{"ports", &shape{kind: named, called: "the ports", elem: &shape{kind: object, called: "a port of the import", fields: []field{
		{"name", nameText}, {"network", nameText}, {"address", plainText}, {"address6", plainText}, {"group", nameText},
	}}}},
}}

func columnFields() []field {
	fields := make([]field, len(columns))
	for i, c := range columns {
		fields[i] = field{c, plainText}
	}
	return fields
}

var secretShape = &shape{kind: choice, called: "a secret", secret: true, fields: []field{
	{"env", &shape{kind: text, secret: true, check: checkVariable, form: &form{pattern: variableForm.String()}}},
	{"file", &shape{kind: text, secret: true}},
	{"ask", &shape{kind: text, secret: true}},
	{"vault", &shape{kind: text, secret: true, check: checkEntry, form: secretAsForm}},
}}

var profileShape = &shape{kind: object, called: "the profile", fields: []field{
	{"format", plainText}, {"defaults", plainText}, {"import", importShape}, {"vault", plainText}, {"site", siteShape},
	{"networks", &shape{kind: named, called: "networks", elem: networkShape}},
	{"clusters", &shape{kind: named, called: "clusters", elem: clusterShape}},
	{"kinds", &shape{kind: table, called: "kinds of unit", keys: checkName, keyForm: nameAsForm, elem: kindShape}},
	{"racks", &shape{kind: named, called: "racks", elem: rackShape}},
	{"feeds", &shape{kind: named, called: "feeds", elem: feedShape}},
	{"units", &shape{kind: named, called: "units", elem: unitShape}},
	{"secrets", &shape{kind: secrets, called: "secrets", keys: checkSecretName, keyForm: secretAsForm, elem: secretShape}},
	{"roles", roles}, {"visit", visitShape},
}}

// lockShape is the lock file: by unit and port, and by cluster.
var lockShape = &shape{kind: object, called: "the lock file", fields: []field{
	{"format", plainText},
	{"units", &shape{kind: table, called: "units", keys: anyKey, elem: &shape{kind: table, called: "ports", keys: checkName, elem: lockedShape}}},
	{"clusters", &shape{kind: table, called: "clusters", keys: checkName, elem: lockedShape}},
}}

var lockedShape = &shape{kind: object, called: "an allotted address", fields: []field{{"address", address}, {"address6", address}}}

func oneOf(words ...string) *shape {
	return &shape{kind: text, check: checkWord(words), form: &form{words: words}}
}

func numberOfUnits(called string, least, most int) *shape {
	return &shape{kind: decimal, called: called, least: least, most: most}
}

func checkSupply(s string) (what, mend string) {
	n, err := strconv.Atoi(s)
	if err != nil || strconv.Itoa(n) != s || n < 1 || n > maxSupplies {
		return strconv.Quote(s) + " is not the number of a supply", "number the supplies from 1, as {1: FEED, 2: FEED}"
	}
	return "", ""
}
