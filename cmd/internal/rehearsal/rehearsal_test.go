package rehearsal

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"

	"go.uber.org/goleak"

	"linehand/console"
	"linehand/console/linetest"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// TestMemory: the cable in memory passes the suite that every line passes.
func TestMemory(t *testing.T) {
	linetest.Run(t, func(t testing.TB) (console.Line, io.ReadWriteCloser, func()) {
		m := newMemory("test")
		line, err := m.open(t.Context(), console.Default)
		if err != nil {
			t.Fatal(err)
		}
		return line, m, func() { m.Unplug() }
	})
}

func TestMemoryIsPluggedInAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory("test")
		defer m.Close()
		got := make(chan string)
		go func() {
			defer close(got)
			buf := make([]byte, 16)
			for {
				n, err := m.Read(buf)
				if err != nil {
					return
				}
				got <- string(buf[:n])
			}
		}()
		first, err := m.open(t.Context(), console.Default)
		if err != nil {
			t.Fatal(err)
		}
		first.Write([]byte("before"))
		if text := <-got; text != "before" {
			t.Errorf("the unit read %q", text)
		}
		m.Unplug()
		if _, _, err := first.Read(make([]byte, 1)); !errors.Is(err, console.ErrLost) {
			t.Errorf("reading an unplugged line gives %v", err)
		}
		first.Close()
		if _, err := m.open(t.Context(), console.Default); !errors.Is(err, console.ErrAbsent) {
			t.Errorf("opening an unplugged line gives %v", err)
		}
		if n, err := m.Write([]byte("lost")); n != 4 || err != nil {
			t.Errorf("a unit that nobody hears: %d, %v", n, err)
		}
		m.Replug()
		second, err := m.open(t.Context(), console.Default)
		if err != nil {
			t.Fatal(err)
		}
		second.Write([]byte("after"))
		if text := <-got; text != "after" {
			t.Errorf("the unit read %q after the cable was put back", text)
		}
		second.Close()
		m.Close()
		<-got
	})
}

func TestFaultNames(t *testing.T) {
	seen := map[string]string{}
	for _, name := range FaultNames() {
		o := Options{Seed: 1}
		if err := o.SetFault(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if o.Faults == (sim.Faults{}) && !o.Lonely {
			t.Errorf("fault %s does nothing", name)
		}
		if name == "random" {
			continue
		}
		if other, twice := seen[o.Faults.String()]; twice {
			t.Errorf("faults %s and %s are the same", name, other)
		}
		seen[o.Faults.String()] = name
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
