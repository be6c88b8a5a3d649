package site

import (
	"errors"
	"os"
	"strings"
	"testing"
)

const toRefer = "a secret stands outside the profile: name it under secrets: as {env: VARIABLE}, {file: path}, {vault: ENTRY} or {ask: words}, and refer to it by that name"

// badProfiles are single mistakes in the clean profile: what is replaced, by
// what, and all that is then said.
var badProfiles = []struct{ name, old, new, want string }{
	{"unknown key", "    gateway: 192.0.2.1", "    gatway: 192.0.2.1", `11:5: unknown key "gatway" in a network; did you mean "gateway"?`},
	{"unknown key at the top", "clusters:", "buildings: []\nclusters:", `17:1: unknown key "buildings" in the profile; the keys are format, defaults, import, vault, site, networks, clusters, kinds, racks, feeds, units, secrets, roles and visit`},
	{"unknown key in a port", "{name: e0, network: quay, address: 192.0.2.21}", "{name: e0, network: quay, adress: 192.0.2.21}", `34:35: unknown key "adress" in a port; did you mean "address"?`},
	{"secrets where roles belong", "    roles: {admin: shelf-admin}", "    secrets: {admin: shelf-admin}", `23:5: unknown key "secrets" in a kind of unit; did you mean "roles"?`},
	{"key twice", "    vlan: 40", "    vlan: 40\n    vlan: 41", `16:5: the key "vlan" is said twice, first on line 15; keep one of the two`},
	{"key without value", "    vlan: 40", "    vlan:", `15:5: the key "vlan" has no value; write its value, or take the key out`},
	{"no format", "format: linehand.site/1\n", "", `1:1: the file does not say its format; let its first line be: format: linehand.site/1`},
	{"other version", "linehand.site/1", "linehand.site/2", `1:9: this is a site profile of another version, "linehand.site/2"; use a program that reads that version, or bring the file to linehand.site/1`},
	{"other format", "linehand.site/1", "linehand.dialogue/1", `1:9: this is not a site profile; let its first line be: format: linehand.site/1`},
	{"tab", "  name: skerrymore", "\tname: skerrymore", `3:1: this is not YAML: found character that cannot start any token; indent with blanks, not tabs, and quote text that starts with a special character`},
	{"alias", "dns: [192.0.2.3]", "dns: *servers", `6:1: anchors and aliases are not used here; write the value out, in quotes if it starts with a *`},
	{"anchor", "dns: [192.0.2.3]", "dns: &servers [192.0.2.3]", `6:8: anchors and aliases are not used here; write the value out`},
	{"no site name", "  name: skerrymore\n", "", `3:3: the site has no name; write name: in it`},
	{"no kind", "    kind: brackwater-s24\n    serial: BW24-2207-0127\n", "    serial: BW24-2207-0127\n", `36:5: the unit "deep-2" has no kind; write kind: in it`},
	{"no dialogue", "    dialogue: brackwater-s24.yaml\n", "", `21:5: the kind "brackwater-s24" has no dialogue; write dialogue: in it`},
	{"no address", ", address: 192.0.2.22}", "}", `41:9: the port "e0" has no address; write address: in it`},
	{"no port name", "{name: e1, network", "{network", `35:9: a port has no name; write name: in it`},
	{"port twice", "{name: e1, network", "{name: e0, network", `35:16: a port named "e0" was there before, on line 34; give one of the two another name`},
	{"unit twice", "- name: deep-2", "- name: deep-1", `36:11: a unit named "deep-1" was there before, on line 29; give one of the two another name`},
	{"list for a map", "roles: {admin: shelf-admin}", "roles: [shelf-admin]", `23:12: roles must be a map of keys, not a list; write NAME: … on each line`},
	{"text for a list", "dns: [192.0.2.3]", "dns: 192.0.2.3", `6:8: dns must be a list, not a single value; write [FIRST, SECOND], or one behind a dash on each line`},
	{"cluster as text", "cluster: {join: deep}", "cluster: deep", `39:14: cluster must be a map of keys, not a single value; say {join: …}, with one of join and start`},
	{"join and start", "cluster: {join: deep}", "cluster: {join: deep, start: deep}", `39:14: a unit's cluster has 2 keys where one belongs; keep one of join and start`},
	{"time zone", "Europe/London", "Europe/Skerrymore", `5:14: time-zone: "Europe/Skerrymore" is not a time zone; write its name in the IANA time zone database, such as Europe/London or Etc/UTC`},
	{"time zone of the machine", "Europe/London", "Local", `5:14: time-zone: "Local" is not a time zone; write its name in the IANA time zone database, such as Europe/London or Etc/UTC`},
	{"not an address", "192.0.2.22}", "192.0.2.322}", `41:44: address: "192.0.2.322" is not an address; write four numbers of 0 to 255 with dots, or an IPv6 address (RFC 4291 2.2)`},
	{"leading zero", "192.0.2.22}", "192.0.2.022}", `41:44: address: "192.0.2.022" is not an address; write its numbers without leading zeros: some units read those as octal`},
	{"address with prefix", "192.0.2.22}", "192.0.2.22/24}", `41:44: address: 192.0.2.22/24 has a prefix length, which the network says; write 192.0.2.22`},
	{"IPv4 in IPv6", "192.0.2.22}", "'::ffff:192.0.2.22'}", `41:44: address: ::ffff:192.0.2.22 is an IPv4 address in IPv6 form (RFC 4291 2.5.5.2); write 192.0.2.22`},
	{"zone", "192.0.2.22}", "2001:db8::1%e0}", `41:44: address: 2001:db8::1%e0 has a zone; leave out %e0`},
	{"subnet without prefix", "192.0.2.0/24", "192.0.2.0", `10:13: subnet: 192.0.2.0 has no prefix length; write it behind a slash, such as 192.0.2.0/24, or give mask: beside it (IPv4 only)`},
	{"host bits", "192.0.2.0/24", "192.0.2.1/24", `10:13: subnet: 192.0.2.1/24 is an address inside a subnet (host bits are set); write 192.0.2.0/24`},
	// RFC 950 appendix II used such a mask; RFC 4632 5.1 refuses it.
	{"mask with holes", "255.255.255.0", "255.255.255.88", `14:11: mask: "255.255.255.88" is not a mask of ones followed by zeros; write one such as 255.255.255.0 (RFC 4632 3.1), or the prefix length behind subnet`},
	{"mask against prefix", "    gateway: 192.0.2.1", "    mask: 255.255.0.0", `11:11: mask: 255.255.0.0 is /16, but subnet says /24; keep one of the two`},
	{"vlan out of range", "vlan: 40", "vlan: 4095", `15:11: vlan: "4095" is not a VLAN number; write a whole number from 1 to 4094`},
	{"octal number", "vlan: 40", "vlan: 050", `15:11: vlan: "050" is not a VLAN number; write a whole number from 1 to 4094`},
	{"hexadecimal number", "mtu: 9000", "mtu: 0x2328", `16:10: mtu: "0x2328" is not an MTU in octets; write a whole number from 68 to 65535`},
	{"control character", "name: skerrymore", `name: "skerry\x1b[2Jmore"`, `3:9: name: the text holds a control character, such as a line end or a tab; write it on one line without`},
	{"line end", "serial: BW24-2207-0127", "serial: |\n      BW24-2207-0127", `38:13: serial: the text holds a control character, such as a line end or a tab; write it on one line without`},
	{"blank at the end", "serial: BW24-2207-0127", "serial: 'BW24-2207-0127 '", `38:13: serial: the text starts or ends with a blank; take the blank out`},
	{"dot in a name", "{name: e1, network", "{name: e.1, network", `35:16: name: "e.1" cannot be a name here; use at most 64 letters, digits and - _ / :, a letter or digit first`},
	{"server with a port", "dns: [192.0.2.3]", "dns: ['192.0.2.3:53']", `6:9: dns: this is neither a server's address nor its name; write it alone, without port, user or scheme`},
	{"nearly a key of the visit", "units:", "visit: {step: required}\nunits:", `28:9: unknown key "step" in the visit; did you mean "steps"?`},
	{"no such way of steps", "units:", "visit: {steps: some}\nunits:", `28:16: steps: "some" is none of the words that may stand here; write one of as written, required and advisory`},
	{"no such reach", "    roles: {admin: shelf-admin}", "    roles: {admin: shelf-admin}\n    reach: telnet", `24:12: reach: "telnet" is none of the words that may stand here; write one of console and ssh`},
	{"password for SSH", "    roles: {admin: shelf-admin}", "    roles: {admin: shelf-admin}\n    ssh: {user: fitter, password: brine}", `24:25: a secret must not be written in the profile, as under "password" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"user with a blank", "    roles: {admin: shelf-admin}", "    roles: {admin: shelf-admin}\n    ssh: {user: the fitter}", `24:17: user: "the fitter" cannot be a user's name; write at most 64 printable characters without blanks`},
	{"no such port", "    roles: {admin: shelf-admin}", "    roles: {admin: shelf-admin}\n    ssh: {port: 65536}", `24:17: port: "65536" is not a TCP port; write a whole number from 1 to 65535`},
	{"algorithms in one text", "    roles: {admin: shelf-admin}", "    roles: {admin: shelf-admin}\n    ssh: {older-algorithms: ['ssh-rsa,ssh-dss']}", `24:30: older-algorithms: "ssh-rsa,ssh-dss" cannot be the name of an algorithm; write its name in SSH (RFC 4251 6), such as diffie-hellman-group14-sha1, one for each element`},
	{"when to serve", "    cluster: {join: deep}", "    cluster: {join: deep}\n    storage: {serve: at-once}", `40:22: serve: "at-once" is none of the words that may stand here; did you mean "at once"?`},
	{"defaults not there", "format: linehand.site/1", "format: linehand.site/1\ndefaults: company.yaml", `2:11: company.yaml cannot be read: file does not exist; name a file that is there and may be read`},
}

// literalSecrets are places where people write a secret; "hunter2" is it.
var literalSecrets = []struct{ name, old, new, want string }{
	{"bare text", "{env: S24_FACTORY}", "hunter2", `25:16: a secret must not be written in the profile, as for "s24-factory" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"value", "{env: S24_FACTORY}", "{value: hunter2}", `25:17: a secret must not be written in the profile, as under "value" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"list", "{env: S24_FACTORY}", "[hunter2]", `25:16: a secret must not be written in the profile, as for "s24-factory" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"pass", "{env: S24_FACTORY}", "{pass: hunter2}", `25:17: a secret must not be written in the profile, as under "pass" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"word in braces", "{env: S24_FACTORY}", "{hunter2}", `25:17: this key has no value; write {KEY: VALUE}`},
	{"as a key", "{env: S24_FACTORY}", "{hunter2: env}", `25:17: unknown key in a secret; the keys are env, file, ask and vault`},
	{"as an alias", "{env: S24_FACTORY}", "*hunter2", `25:1: anchors and aliases are not used here; write the value out, in quotes if it starts with a *`},
	{"as a tag", "{env: S24_FACTORY}", "!hunter2 x", `25:16: tags are not used here; write the value without the tag`},
	{"with a control character", "join-secret: deep-join}", "join-secret: \"hunter2\\t\"}", `18:67: join-secret: the text holds a control character, such as a line end or a tab; write it on one line without`},
	{"factory password", "secret: s24-factory}", "password: hunter2}", `22:28: a secret must not be written in the profile, as under "password" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"unit's admin password", "    cluster: {join: deep}", "    admin-password: hunter2", `39:5: a secret must not be written in the profile, as under "admin-password" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"passphrase in a cluster", "join-secret: deep-join}", "passphrase: hunter2}", `18:54: a secret must not be written in the profile, as under "passphrase" here; ` + toRefer + `; change the secret too: it has stood in a file`},
	{"reference in place of a name", "join-secret: deep-join}", "join-secret: {value: hunter2}}", `18:67: join-secret must be a single value, not a map of keys; write the name of a secret; ` + toRefer},
	{"no name in form", "join-secret: deep-join}", "join-secret: hunter2!}", `18:67: join-secret: what is written here cannot be the name of a secret; name an entry of secrets: (letters, digits, - and _); ` + toRefer},
	{"in a role", "roles: {admin: shelf-admin}", "roles: {admin: hunter2!}", `23:20: admin: what is written here cannot be the name of a secret; name an entry of secrets: (letters, digits, - and _); ` + toRefer},
	{"as a variable", "{env: S24_FACTORY}", "{env: hunter2!}", `25:22: env: what is written here cannot be the name of an environment variable; name a variable (letters, digits and _), such as LINEHAND_SECRET_ADMIN; ` + toRefer},
	{"in a server's address", "dns: [192.0.2.3]", "dns: ['me:hunter2@192.0.2.3']", `6:9: dns: this is neither a server's address nor its name; write it alone, without port, user or scheme`},
}

func TestBadProfiles(t *testing.T) {
	clean := cleanProfile(t)
	for _, tt := range append(badProfiles, literalSecrets...) {
		t.Run(tt.name, func(t *testing.T) {
			err := parseWith(t, clean, tt.old, tt.new)
			if err == nil {
				t.Fatal("taken as it is")
			}
			if got, want := err.Error(), "site.yaml:"+tt.want; got != want {
				t.Errorf("\ngot  %s\nwant %s", got, want)
			}
			if strings.Contains(err.Error(), "hunter2") {
				t.Error("the message shows the secret")
			}
		})
	}
}

func TestAllFaultsAtOnce(t *testing.T) {
	text := cleanProfile(t)
	for _, r := range [][2]string{{"gateway: 192", "gatway: 192"}, {"vlan: 40", "vlan: 0"}, {"  name: skerrymore\n", ""}, {"{env: S24_FACTORY}", "hunter2"}} {
		text = strings.Replace(text, r[0], r[1], 1)
	}
	_, err := Parse("site.yaml", []byte(text))
	var errs Errors
	if !errors.As(err, &errs) {
		t.Fatalf("got %v", err)
	}
	var lines []int
	for _, f := range errs {
		lines = append(lines, f.Pos.Line)
	}
	want := []int{3, 10, 14, 24}
	if len(lines) != len(want) {
		t.Fatalf("lines %v, want %v: %v", lines, want, err)
	}
	for i := range want {
		if lines[i] != want[i] {
			t.Errorf("lines %v, want %v", lines, want)
		}
	}
}

func cleanProfile(t testing.TB) string {
	t.Helper()
	data, err := os.ReadFile("testdata/clean.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Parse("site.yaml", data); err != nil {
		t.Fatalf("the clean profile: %v", err)
	}
	return string(data)
}

func parseWith(t *testing.T, clean, old, new string) error {
	t.Helper()
	if strings.Count(clean, old) != 1 {
		t.Fatalf("%q stands %d times in the clean profile", old, strings.Count(clean, old))
	}
	_, err := Parse("site.yaml", []byte(strings.Replace(clean, old, new, 1)))
	return err
}
