package rehearsal

import (
	"fmt"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestFaultNames(t *testing.T) {
	seen := map[string]string{}
	for _, name := range FaultNames() {
		o := Options{Seed: 1}
		if err := o.SetFault(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if o == (Options{Seed: 1}) {
			t.Errorf("fault %s does nothing", name)
		}
		if name == "random" {
			continue
		}
		if flawed := o.Flaws != (sim.Flaws{}) || o.PortDown; AfterFirstBoot(name) != flawed {
			t.Errorf("fault %s shows after the first boot only: %v, want %v", name, AfterFirstBoot(name), flawed)
		}
		says := fmt.Sprintf("%v, %v, %v", o.Faults, o.Flaws, []bool{o.Lonely, o.InUse, o.PortDown})
		if other, twice := seen[says]; twice {
			t.Errorf("faults %s and %s are the same", name, other)
		}
		seen[says] = name
	}
	if err := new(Options).SetFault("storm"); err == nil || !strings.Contains(err.Error(), "lost-characters") {
		t.Errorf("an unknown fault: %v", err)
	}
}

// TestNetworkFollowsThePlan: a unit that joins finds its cluster with the
// members that come before it and their secret; one that starts finds none.
func TestNetworkFollowsThePlan(t *testing.T) {
	store := secret.Throwaway([]string{"deep-join"}, 1)
	want, _ := store.Secret("deep-join")
	unit := func(name, mode string) *plan.Unit {
		return &plan.Unit{Name: name, Kind: "brackwater-s24", Values: script.Values{
			"cluster": script.ClusterValues{Mode: mode, Name: "deep", Address: "192.0.2.20", Members: []string{"a", "b", "c"}},
			"secret":  map[string]script.SecretRef{plan.JoinRole: {Name: "deep-join"}},
		}}
	}
	for _, test := range []struct {
		name, mode string
		members    int // 0: no cluster
	}{
		{"a", "start", 0}, {"b", "join", 1}, {"c", "join", 2}, {"a", "join", 1}, {"a", "none", 0},
	} {
		got, err := network(unit(test.name, test.mode), store)
		if err != nil {
			t.Fatal(err)
		}
		if test.members == 0 {
			if len(got) > 0 {
				t.Errorf("%s %s: finds %v", test.name, test.mode, got)
			}
			continue
		}
		if len(got) != 1 || got[0] != (sim.Cluster{Name: "deep", Address: "192.0.2.20", Members: test.members, Secret: want}) {
			t.Errorf("%s %s: finds %v", test.name, test.mode, got)
		}
	}
}

func TestUnknownKind(t *testing.T) {
	if _, err := New(&plan.Unit{Name: "u", Kind: "toaster"}, secret.Throwaway(nil, 1), Options{InMemory: true}); err == nil || !strings.Contains(err.Error(), "brackwater-s24") {
		t.Errorf("got %v", err)
	}
}
