package plan

import (
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/site"
)

// planWith makes the plan of the clean profile with changes.
func planWith(t *testing.T, changes ...string) *Plan {
	t.Helper()
	text := cleanProfile(t)
	for i := 0; i < len(changes); i += 2 {
		if strings.Count(text, changes[i]) != 1 {
			t.Fatalf("%q stands %d times in the profile", changes[i], strings.Count(text, changes[i]))
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	s, err := site.Parse(filepath.FromSlash("sites/site.yaml"), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := Make(s)
	if p == nil {
		t.Fatal(problems)
	}
	return p
}

// The unit that starts a cluster is the first of its members, wherever the
// profile has it.
func TestStarterIsTheFirstMember(t *testing.T) {
	p := planWith(t, "cluster: {join: deep}\n    ports:\n      - {name: e0, network: quay, address: 192.0.2.22}", "cluster: {start: deep}\n    ports:\n      - {name: e0, network: quay, address: 192.0.2.22}",
		"cluster: {start: deep}\n    ports:\n      - {name: e0, network: quay, address: 192.0.2.21}", "cluster: {join: deep}\n    ports:\n      - {name: e0, network: quay, address: 192.0.2.21}")
	for i, want := range []struct {
		turn  int
		after string
	}{{2, "deep-2"}, {1, ""}} {
		c := p.Units[i].Values["cluster"].(script.ClusterValues)
		if strings.Join(c.Members, " ") != "deep-2 deep-1" || c.Turn != want.turn || p.Units[i].After() != want.after {
			t.Errorf("%s: members %v, turn %d after %q, want turn %d after %q", p.Units[i].Name, c.Members, c.Turn, p.Units[i].After(), want.turn, want.after)
		}
	}
	if p.Units[0].Planned["cluster.turn"] != "2" || p.Units[0].Planned["cluster.members"] != "deep-2 deep-1" {
		t.Errorf("planned turn %q, members %q", p.Units[0].Planned["cluster.turn"], p.Units[0].Planned["cluster.members"])
	}
}

// What has no cluster comes first, then one member of each cluster a turn.
func TestOrderOfTheDemoSite(t *testing.T) {
	want := [][]string{
		{"quay-sw1", "quay-sw2", "strip-1a", "strip-1b", "strip-2a", "strip-2b", "strip-3a", "strip-3b"},
		{"deep-1", "shallow-1"},
		{"deep-2", "shallow-2"},
	}
	if got := Order(demo(t)); !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if got := Order(planWith(t)); !reflect.DeepEqual(got, [][]string{{"deep-1"}, {"deep-2"}}) {
		t.Errorf("without others: %v", got)
	}
}

const kindHead = "    roles: {admin: shelf-admin}\n"

// What follows the first boot comes from the kind, and what it leaves open
// from the kind's other keys.
func TestAfterwards(t *testing.T) {
	plain := planWith(t).Units[0]
	if plain.SetUp != "" || plain.Proof != "" || plain.Reach != site.OverConsole || plain.SSH.Port != 22 {
		t.Errorf("nothing said: %q, %q, %q, %+v", plain.SetUp, plain.Proof, plain.Reach, plain.SSH)
	}
	u := planWith(t, kindHead, kindHead+"    set-up: up/set.yaml\n    proof: prove.yaml\n    reach: ssh\n").Units[0]
	if want := filepath.FromSlash("sites/up/set.yaml"); u.SetUp != want {
		t.Errorf("set-up %q, want %q", u.SetUp, want)
	}
	if want := filepath.FromSlash("sites/prove.yaml"); u.Proof != want {
		t.Errorf("proof %q, want %q", u.Proof, want)
	}
	if want := (SSH{User: "setup", Role: "admin", Secret: "shelf-admin", Port: 22}); u.Reach != site.OverSSH || !reflect.DeepEqual(u.SSH, want) {
		t.Errorf("reach %q, %+v, want %+v", u.Reach, u.SSH, want)
	}
	said := planWith(t, kindHead, kindHead+"    proof: prove.yaml\n    set-up: none\n    reach: ssh\n    ssh: {user: service, role: deep-join, port: 2222, older-algorithms: [diffie-hellman-group14-sha1]}\n").Units[1]
	if want := (SSH{"service", "deep-join", "deep-join", 2222, []string{"diffie-hellman-group14-sha1"}}); said.SetUp != "" || !reflect.DeepEqual(said.SSH, want) {
		t.Errorf("set-up %q, %+v, want %+v", said.SetUp, said.SSH, want)
	}
}

// A unit's storage lies over its kind's; another layout brings its own
// numbers.
func TestStorageOfTheKind(t *testing.T) {
	kind := kindHead + "    drives: {count: 12, size: 20 TB}\n    storage: {layout: double parity, spares: 2, serve: at once}\n"
	tests := []struct {
		name, unit string
		want       script.StorageValues
	}{
		{"the kind's", "", script.StorageValues{Layout: "double parity", Use: 10, Spares: 2, Serve: "at once"}},
		{"none spare", "{spares: 0}", script.StorageValues{Layout: "double parity", Use: 12, Serve: "at once"}},
		{"later", "{serve: after the check}", script.StorageValues{Layout: "double parity", Use: 10, Spares: 2, Serve: "after the check"}},
		{"another layout", "{layout: double parity groups, groups: 2, use: 8}", script.StorageValues{Layout: "double parity groups", Groups: 2, Use: 8, Serve: "at once"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			changes := []string{kindHead, kind}
			if tt.unit != "" {
				changes = append(changes, "    cluster: {start: deep}\n", "    cluster: {start: deep}\n    storage: "+tt.unit+"\n")
			}
			u := planWith(t, changes...).Units[0]
			tt.want.Drives, tt.want.Size, tt.want.Path = 12, "20 TB", "storage"
			if got := u.Values["storage"]; got != tt.want {
				t.Errorf("got  %+v\nwant %+v", got, tt.want)
			}
			if u.Planned["storage.serve"] != tt.want.Serve || u.Sources["storage.serve"].Line == 0 {
				t.Errorf("storage.serve is planned as %q from %v", u.Planned["storage.serve"], u.Sources["storage.serve"])
			}
		})
	}
	if v := planWith(t).Units[0].Values["storage"]; v != (script.StorageValues{Path: "storage"}) {
		t.Errorf("nothing planned: %+v", v)
	}
}

func TestBadVisits(t *testing.T) {
	bare := "    dialogue: brackwater-s24.yaml\n    factory: {user: setup, secret: s24-factory}\n"
	tests := []struct {
		name    string
		changes []string
		want    string
	}{
		{"no console to play it over", []string{bare, "    dialogue: none\n    proof: p.yaml\n"},
			`22:12: error: the kind brackwater-s24 has no console, and its set-up or proof is to be played over it; write reach: ssh, or a dialogue: for its console`},
		{"nobody signs in", []string{bare, "    dialogue: brackwater-s24.yaml\n    reach: ssh\n    proof: p.yaml\n"}, `22:12: error: nothing says who signs in to units of kind brackwater-s24 over SSH; write ssh: {user: …} in the kind`},
		{"nothing plays the role", []string{kindHead, "    reach: ssh\n    proof: p.yaml\n    ssh: {role: keeper}\n"}, `25:17: error: deep-1 is to be reached over SSH, and no secret plays the role "keeper" for it; give the role a secret under roles:, or name another role in ssh: {role: …}` + "\n" +
			`25:17: error: deep-2 is to be reached over SSH, and no secret plays the role "keeper" for it; give the role a secret under roles:, or name another role in ssh: {role: …}`},
		{"a step named twice", []string{"units:\n", "visit: {steps: required, advisory: [Bezel], without: [Bezel]}\nunits:\n"}, `28:55: error: the step "Bezel" is named twice, first at site.yaml:28:37; let it stand under one of required:, advisory: and without:`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := problemsWith(t, tt.changes...); got != tt.want {
				t.Errorf("\ngot  %s\nwant %s", got, tt.want)
			}
		})
	}
}
