package rehearsal

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"linehand/console"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
)

// TestRow: each unit wakes once, on one cable after the other, those that
// start a cluster first; what is typed goes to the unit that the cable is in.
func TestRow(t *testing.T) {
	store := secret.Throwaway([]string{"deep-join"}, 1)
	unit := func(name, mode string) *plan.Unit {
		return &plan.Unit{Name: name, Kind: "brackwater-s24", Serial: "BW24-" + strings.ToUpper(name), Values: script.Values{
			"cluster": script.ClusterValues{Mode: mode, Name: "deep", Address: "192.0.2.20", Members: []string{"a", "b", "c"}, Turn: strings.Index("abc", name) + 1},
			"secret":  map[string]script.SecretRef{plan.JoinRole: {Name: "deep-join"}},
		}}
	}
	fast := console.Default
	fast.Speed = 115200
	r := NewRow([]*plan.Unit{unit("c", "join"), unit("a", "start"), unit("b", "join")}, 2, store, func(*plan.Unit) (Options, error) {
		return Options{Settings: fast, Pauses: 0.01}, nil
	})
	for i, u := range r.toCome {
		if u.Name != "abc"[i:i+1] {
			t.Errorf("place %d has %s", i, u.Name)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var mu sync.Mutex
	heard := map[string]*strings.Builder{}
	var readers sync.WaitGroup
	for _, address := range r.Lines() {
		line, err := r.Open(ctx, address, fast, "")
		if err != nil {
			t.Fatal(err)
		}
		if got := line.Info().Device; !strings.HasSuffix(address, got) || !strings.HasPrefix(got, "cable-") {
			t.Errorf("the line of %s calls itself %q", address, got)
		}
		heard[address] = new(strings.Builder)
		readers.Go(func() {
			defer line.Close()
			for buf := make([]byte, 4096); ; {
				n, _, err := line.Read(buf)
				mu.Lock()
				heard[address].Write(buf[:n])
				mu.Unlock()
				if err != nil {
					return
				}
			}
		})
	}
	var done []string
	err := r.Run(ctx, time.Millisecond, func(address, unit string) bool {
		mu.Lock()
		defer mu.Unlock()
		if !strings.Contains(heard[address].String(), "BW24-"+strings.ToUpper(unit)) {
			return false
		}
		if done = append(done, unit); len(done) == 3 {
			cancel()
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
	readers.Wait()
	slices.Sort(done)
	if !slices.Equal(done, []string{"a", "b", "c"}) {
		t.Errorf("woke %q", done)
	}
	if _, err := r.Open(t.Context(), "serial:/dev/none", fast, ""); err == nil {
		t.Error("a line that is not simulated was opened")
	}
}
