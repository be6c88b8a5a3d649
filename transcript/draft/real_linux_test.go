package draft_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/console"
	"linehand/console/dial"
	"linehand/fixtures/rig"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/transcript/draft"
)

// The tests below draft dialogues for consoles that nobody on this project
// wrote, from sessions by hand, and have the drafts bring up others.

// profile writes a site profile and makes its plan.
func profile(t testing.TB, text string) *plan.Plan {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return planOf(t, path)
}

func openLine(t testing.TB, address string, speed int) console.Line {
	t.Helper()
	a, err := dial.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	set := console.Default
	set.Speed = speed
	line, err := a.Open(t.Context(), set, "a test")
	if err != nil {
		t.Fatal(err)
	}
	return line
}

const quick = 150 * time.Millisecond

const siteHead = `format: linehand.site/1
site: {name: skerrymore, demonstration: true, title: Skerrymore Acoustics Laboratory, domain: skerrymore.example.net, time-zone: Europe/Madrid, log: 198.51.100.9}
networks:
  - {name: lab, subnet: 192.0.2.0/24, gateway: 192.0.2.1}
  - {name: pier, subnet: 198.51.100.0/25, gateway: 198.51.100.1}
`

func TestOperatingSystemFirstBoot(t *testing.T) {
	p := profile(t, siteHead+`kinds: {recorder: {dialogue: drafted.yaml}}
secrets: {recorder-root: {env: NONE_1}, other-root: {env: NONE_2}}
units:
  - {name: stor-1, kind: recorder, serial: RIG-OS-0001, ports: [{name: e0, network: lab, address: 192.0.2.31}], roles: {root: recorder-root}}
  - {name: keel-7, kind: recorder, serial: RIG-OS-0009, ports: [{name: e0, network: lab, address: 192.0.2.37}], roles: {root: other-root}}
`)
	secrets := secret.Throwaway(p.Secrets, 3)
	root := valueOf(t, secrets, "recorder-root")
	list := `(empty to skip, "list" to list options):`
	first := rig.StartOSFirstBoot(t, rig.OSFirstBootOptions{})
	rec := byHand(t, openLine(t, "serial:"+first.Address(), 9600), unitOf(t, p, "stor-1"), newPerson(t, quick,
		does{"proceed --", " "}, does{list, "Europe/Madrid\r"}, does{"hostname for new system (empty to skip):", "stor-1\r"},
		does{"root shell for new system (empty to skip):", "\r"}, does{"no echo)", root + "\r"}, does{"no echo)", root + "\r"},
		does{"stor-1 login:", ""}))
	first.Stop()
	d, dialogue := drafted(t, session(rec, unitOf(t, p, "stor-1")))

	other := rig.StartOSFirstBoot(t, rig.OSFirstBootOptions{})
	u := unitOf(t, p, "keel-7")
	end := play(t, dialogue, u, openLine(t, "serial:"+other.Address(), 9600), secrets)
	t.Logf("%d stages, %d exchanges, %d marked spots, 0 edits; %s: %s", d.Stages, d.Exchanges, len(d.Marks), end.How, end.Sentence)
	if end.How != engine.Done && end.How != engine.Already {
		t.Errorf("%s: %s", end.How, end.Sentence)
	}
	if other.HostName(t) != "keel-7" || other.TimeZone(t) != "Europe/Madrid" || !other.SecretIs(t, valueOf(t, secrets, "other-root")) {
		t.Errorf("the system is named %q in %q", other.HostName(t), other.TimeZone(t))
	}
}

func TestOperatingSystemLogin(t *testing.T) {
	p := profile(t, siteHead+`kinds: {gauge: {dialogue: drafted.yaml, factory: {user: installer, secret: gauge-factory}}}
secrets: {gauge-factory: {env: NONE_1}, gauge-admin: {env: NONE_2}, pier-admin: {env: NONE_3}}
units:
  - {name: tide-1, kind: gauge, serial: RIG-OS-0002, ports: [{name: e0, network: lab, address: 192.0.2.32}], roles: {admin: gauge-admin}}
  - {name: pier-4, kind: gauge, serial: RIG-OS-0014, ports: [{name: e0, network: pier, address: 198.51.100.32}], roles: {admin: pier-admin}}
`)
	secrets := secret.Throwaway(p.Secrets, 3)
	factory, admin := valueOf(t, secrets, "gauge-factory"), valueOf(t, secrets, "gauge-admin")
	first := rig.StartOSLogin(t, rig.OSLoginOptions{Secret: factory})
	rec := byHand(t, openLine(t, "serial:"+first.Address(), 9600), unitOf(t, p, "tide-1"), newPerson(t, quick,
		does{"tide-1 login:", "installer\r"}, does{"Password:", factory + "\r"}, does{"Current password:", factory + "\r"},
		does{"New password:", admin + "\r"}, does{"Retype new password:", admin + "\r"},
		does{"$", "id -un\r"}, does{"$", "uname -n\r"}, does{"$", "exit\r"}, does{"tide-1 login:", ""}))
	first.Stop()
	d, dialogue := drafted(t, session(rec, unitOf(t, p, "tide-1")))

	other := rig.StartOSLogin(t, rig.OSLoginOptions{HostName: "pier-4", Secret: factory})
	end := play(t, dialogue, unitOf(t, p, "pier-4"), openLine(t, "serial:"+other.Address(), 9600), secrets)
	t.Logf("%d stages, %d exchanges, %d marked spots, 0 edits; %s: %s", d.Stages, d.Exchanges, len(d.Marks), end.How, end.Sentence)
	if end.How != engine.Done {
		t.Errorf("%s: %s", end.How, end.Sentence)
	}
	if !other.SecretIs(t, valueOf(t, secrets, "pier-admin")) {
		t.Error("the account does not have the planned secret")
	}
}

func TestBootLoader(t *testing.T) {
	p := profile(t, siteHead+`kinds: {board: {dialogue: drafted.yaml}}
units:
  - {name: buoy-1, kind: board, serial: RIG-FW-0001, ports: [{name: e0, network: lab, address: 192.0.2.40}]}
  - {name: buoy-2, kind: board, serial: RIG-FW-0002, ports: [{name: e0, network: pier, address: 198.51.100.41}]}
`)
	secrets := secret.Throwaway(p.Secrets, 3)
	first := rig.StartBootLoader(t, rig.BootLoaderOptions{})
	rec := byHand(t, openLine(t, first.Address(), 115200), unitOf(t, p, "buoy-1"), newPerson(t, quick,
		does{"autoboot:  2", " "}, does{"\n=>", "setenv ipaddr 192.0.2.40\r"}, does{"\n=>", "setenv netmask 255.255.255.0\r"},
		does{"\n=>", "setenv gatewayip 192.0.2.1\r"}, does{"\n=>", "printenv ipaddr\r"}, does{"\n=>", "printenv netmask\r"},
		does{"\n=>", "printenv gatewayip\r"}, does{"\n=>", ""}))
	first.Stop()
	d, dialogue := drafted(t, session(rec, unitOf(t, p, "buoy-1")))

	other := rig.StartBootLoader(t, rig.BootLoaderOptions{})
	end := play(t, dialogue, unitOf(t, p, "buoy-2"), openLine(t, other.Address(), 115200), secrets)
	t.Logf("%d stages, %d exchanges, %d marked spots, 0 edits; %s: %s", d.Stages, d.Exchanges, len(d.Marks), end.How, end.Sentence)
	if end.How != engine.Done {
		t.Errorf("%s: %s", end.How, end.Sentence)
	}
	held := other.Environment(t)
	if held["ipaddr"] != "198.51.100.41" || held["netmask"] != "255.255.255.128" || !strings.HasPrefix(held["gatewayip"], "198.51.100.1") {
		t.Errorf("the firmware holds %v", held)
	}
}

// TestWhatARealSystemAsksOnlySometimes: of two systems one has its name
// already and is not asked for it. The draft of both brings up either kind.
func TestWhatARealSystemAsksOnlySometimes(t *testing.T) {
	p := profile(t, siteHead+`kinds: {recorder: {dialogue: drafted.yaml}}
secrets: {one-root: {env: NONE_1}, two-root: {env: NONE_2}, three-root: {env: NONE_3}}
units:
  - {name: stor-1, kind: recorder, serial: RIG-OS-0001, ports: [{name: e0, network: lab, address: 192.0.2.31}], roles: {root: one-root}}
  - {name: stor-2, kind: recorder, serial: RIG-OS-0002, ports: [{name: e0, network: lab, address: 192.0.2.32}], roles: {root: two-root}}
  - {name: keel-3, kind: recorder, serial: RIG-OS-0003, ports: [{name: e0, network: lab, address: 192.0.2.33}], roles: {root: three-root}}
`)
	secrets := secret.Throwaway(p.Secrets, 5)
	list := `(empty to skip, "list" to list options):`
	begin := []does{{"proceed --", " "}, {list, "Europe/Madrid\r"}}
	end := func(name, secret string) []does {
		return []does{{"root shell for new system (empty to skip):", "\r"}, {"no echo)", secret + "\r"}, {"no echo)", secret + "\r"}, {name + " login:", ""}}
	}
	record := func(o rig.OSFirstBootOptions, name string, steps ...does) draft.Session {
		r := rig.StartOSFirstBoot(t, o)
		defer r.Stop()
		u := unitOf(t, p, name)
		return session(byHand(t, openLine(t, "serial:"+r.Address(), 9600), u, newPerson(t, quick, steps...)), u)
	}
	one := record(rig.OSFirstBootOptions{}, "stor-1", slices.Concat(begin, []does{{"hostname for new system (empty to skip):", "stor-1\r"}}, end("stor-1", valueOf(t, secrets, "one-root")))...)
	two := record(rig.OSFirstBootOptions{HostName: "stor-2"}, "stor-2", slices.Concat(begin, end("stor-2", valueOf(t, secrets, "two-root")))...)
	d, dialogue := drafted(t, one, two)
	for _, o := range []rig.OSFirstBootOptions{{}, {HostName: "keel-3"}} {
		r := rig.StartOSFirstBoot(t, o)
		end := play(t, dialogue, unitOf(t, p, "keel-3"), openLine(t, "serial:"+r.Address(), 9600), secrets)
		t.Logf("from two sessions: %d exchanges, %d marked spots, 0 edits; %s: %s", d.Exchanges, len(d.Marks), end.How, end.Sentence)
		if end.How != engine.Done || r.HostName(t) != "keel-3" || !r.SecretIs(t, valueOf(t, secrets, "three-root")) {
			t.Errorf("%s: %s; the system is named %q", end.How, end.Sentence, r.HostName(t))
		}
		r.Stop()
	}
}
