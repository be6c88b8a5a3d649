package draft_test

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/transcript"
	"linehand/transcript/draft"
)

// demo is the demo site and secrets for it.
type demo struct {
	*plan.Plan
	secrets *secret.Store
}

func demoSite(t testing.TB) demo {
	p := planOf(t, filepath.Join("..", "..", "fixtures", "site", "skerrymore.yaml"))
	return demo{p, secret.Throwaway(p.Secrets, 11)}
}

// fresh is a unit as it leaves the factory, at a site where the plan holds.
func (d demo) fresh(t testing.TB, u *plan.Unit) sim.Unit {
	factory := u.Values["factory"].(script.FactoryValues)
	cfg := sim.Config{Serial: u.Serial, FactoryUser: factory.User, FactorySecret: valueOf(t, d.secrets, factory.Secret.Name), BootLog: 3000, BreakIns: 3}
	if c := u.Values["cluster"].(script.ClusterValues); c.Mode == "join" {
		cfg.Clusters = []sim.Cluster{{Name: c.Name, Address: c.Address, Members: 2, Secret: d.role(t, u, "join")}}
	}
	if u.Kind == "quillon-x48" {
		return sim.NewX48(cfg)
	}
	return sim.NewS24(cfg)
}

func (d demo) role(t testing.TB, u *plan.Unit, role string) string {
	return valueOf(t, d.secrets, u.Values["secret"].(map[string]script.SecretRef)[role].Name)
}

// shelfScript is what a person types who has the worksheet of a shelf.
func (d demo) shelfScript(t testing.TB, u *plan.Unit) []does {
	port := u.Values["port"].(script.PortValues)
	c := u.Values["cluster"].(script.ClusterValues)
	factory := u.Values["factory"].(script.FactoryValues)
	admin, join := d.role(t, u, "admin"), d.role(t, u, "join")
	list := []does{
		{"Press Enter to begin", "\r"}, {"Sign in:", factory.User + "\r"}, {"Pass phrase:", valueOf(t, d.secrets, factory.Secret.Name) + "\r"},
		{"Unit name:", u.Name + "\r"}, {"Address of e0:", port.Address + "\r"}, {"Mask of e0:", port.Mask + "\r"},
		{"]:", port.Gateway + "\r"}, {"Frame size of e0 [1500]:", "\r"}, {"Name of the cluster:", c.Name + "\r"},
	}
	if c.Mode == "join" {
		list = append(list, does{"Join secret:", join + "\r"})
	} else {
		list = append(list, does{"[y/n]", "y\r"}, does{"Shared address of the cluster:", c.Address + "\r"},
			does{"Join secret for new members:", join + "\r"}, does{"Join secret once more:", join + "\r"})
	}
	list = append(list, does{"New pass phrase:", admin + "\r"}, does{"Once more:", admin + "\r"}, does{"Type yes in full to apply:", "yes\r"},
		does{"Sign in:", factory.User + "\r"}, does{"Pass phrase:", admin + "\r"})
	prompt := "S24 " + u.Name + ">"
	unit := u.Values["unit"].(script.UnitValues)
	for _, p := range unit.Ports[1:] {
		list = append(list, does{prompt, "set port " + p.Name + " address " + p.Address + " mask " + p.Mask + " frame 9000\r"})
	}
	for _, p := range unit.Ports {
		list = append(list, does{prompt, "show port " + p.Name + "\r"})
	}
	return append(list, does{prompt, "show name\r"}, does{prompt, "show cluster\r"}, does{prompt, "exit\r"}, does{"Sign in:", ""})
}

func (d demo) switchScript(t testing.TB, u *plan.Unit) []does {
	port := u.Values["port"].(script.PortValues)
	factory := u.Values["factory"].(script.FactoryValues)
	admin := d.role(t, u, "admin")
	return []does{
		{"login:", factory.User + "\r"}, {"Password:", valueOf(t, d.secrets, factory.Secret.Name) + "\r"},
		{"New password:", admin + "\r"}, {"Retype new password:", admin + "\r"},
		{"login:", factory.User + "\r"}, {"Password:", admin + "\r"},
		{"X48#", "show version\r"}, {"--More--", " "},
		{"X48#", "configure\r"}, {"X48#", "host " + u.Name + "\r"},
		{"X48#", "manage address " + port.Address + " mask " + port.Mask + " gateway " + port.Gateway + "\r"},
		{"X48#", "vlan 10 name quay\r"}, {"X48#", "vlan 40 name seabed\r"}, {"X48#", "done\r"}, {"X48#", "write\r"},
		{"X48#", "show host\r"}, {"X48#", "show manage\r"}, {"X48#", "bye\r"}, {"login:", ""},
	}
}

// record plays a person's session with a fresh unit in virtual time.
func (d demo) record(t *testing.T, name string) draft.Session {
	t.Helper()
	u := unitOf(t, d.Plan, name)
	steps := d.switchScript
	if u.Kind == "brackwater-s24" {
		steps = d.shelfScript
	}
	var rec *transcript.Record
	synctest.Test(t, func(t *testing.T) {
		jack := sim.NewJack("by hand", console.Default)
		line, err := jack.Open()
		if err != nil {
			t.Fatal(err)
		}
		s := sim.Start(t.Context(), d.fresh(t, u), jack, sim.Options{Seed: 1, Paced: true})
		rec = byHand(t, line, u, newPerson(t, time.Second, steps(t, u)...))
		s.Stop()
	})
	return session(rec, u)
}

// bringUp plays a dialogue against a fresh unit, and returns what it holds.
func (d demo) bringUp(t *testing.T, dialogue *script.Dialogue, name string) engine.Ending {
	t.Helper()
	u := unitOf(t, d.Plan, name)
	var end engine.Ending
	synctest.Test(t, func(t *testing.T) {
		jack := sim.NewJack("drafted", console.Default)
		line, err := jack.Open()
		if err != nil {
			t.Fatal(err)
		}
		s := sim.Start(t.Context(), d.fresh(t, u), jack, sim.Options{Seed: 5, Paced: true})
		end = play(t, dialogue, u, line, d.secrets)
		s.Stop()
	})
	return end
}

// TestSimulatedUnits drafts from sessions by hand, and has the unedited draft
// bring up other units than those it was drafted from.
func TestSimulatedUnits(t *testing.T) {
	for _, c := range []struct {
		name   string
		by     []string
		brings []string
		holds  []string // these it must not carry through without a person
		marks  int
	}{
		{"shelf that starts", []string{"deep-1"}, []string{"shallow-1"}, []string{"deep-2"}, 2},
		{"shelf that joins", []string{"deep-2"}, []string{"shallow-2"}, []string{"deep-1"}, 2},
		{"shelves of both ways", []string{"deep-1", "deep-2"}, []string{"shallow-1", "shallow-2"}, nil, 1},
		{"switch", []string{"quay-sw1"}, []string{"quay-sw2"}, nil, 2},
		{"two switches", []string{"quay-sw1", "quay-sw2"}, []string{"quay-sw1"}, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := demoSite(t)
			var sessions []draft.Session
			for _, name := range c.by {
				sessions = append(sessions, d.record(t, name))
			}
			made, dialogue := drafted(t, sessions...)
			for _, name := range c.brings {
				end := d.bringUp(t, dialogue, name)
				t.Logf("from %v: %d stages, %d exchanges, %d marked spots, 0 edits; %s: %s: %s", c.by, made.Stages, made.Exchanges, len(made.Marks), name, end.How, end.Sentence)
				if end.How != engine.Done {
					t.Errorf("%s: %s: %s", name, end.How, end.Sentence)
				}
			}
			for _, name := range c.holds {
				if end := d.bringUp(t, dialogue, name); end.How == engine.Done {
					t.Errorf("%s was brought up by a dialogue that never saw its way", name)
				} else {
					t.Logf("%s: %s: %s", name, end.How, end.Sentence)
				}
			}
			if len(made.Marks) > c.marks {
				t.Errorf("%d marked spots, want at most %d", len(made.Marks), c.marks)
			}
		})
	}
}
