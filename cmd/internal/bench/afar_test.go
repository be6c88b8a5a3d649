package bench_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/orders"
	"linehand/fixtures/sim"
)

// A line is looked at from another program; a hold of it takes a secret at its
// own bench only, and the secret goes nowhere else.
func TestALineFromAfar(t *testing.T) {
	const typed = "Zq7-made-up-secret"
	r := newRig(t, 1, 2, byBatch)
	defer r.close()
	here, err := orders.Open(t.Context(), orders.Options{Bench: "bench-1", Folder: filepath.Join(r.cfg.Data, "store"), Listen: "127.0.0.1:0", Lease: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer here.Close()
	away, err := orders.Open(t.Context(), orders.Options{URL: "nats://" + here.Address()})
	if err != nil {
		t.Fatal(err)
	}
	defer away.Close()
	r.cfg.Orders = &firm.Orders{Store: here, Site: "holm", Bench: "bench-1", Log: zerolog.Nop()}
	r.start()
	defer r.finish()
	ctx, cancel := context.WithCancel(t.Context())
	var tasks sync.WaitGroup
	tasks.Go(func() { firm.Live(ctx, here, r.d, zerolog.Nop()) })
	tasks.Go(func() { firm.Announce(ctx, here, r.d, "holm", "https://bench-1.example.net/", zerolog.Nop()) })
	defer tasks.Wait()
	defer cancel()

	a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
	defer a.Stop()
	ok(t, "label", r.d.Label(t.Context(), robin, cable1, "left shelf"))
	ok(t, "allow", r.d.Allow(t.Context(), robin))
	l := r.until(cable1, "on hold", in(bench.Holding))
	asleep, err := firm.Show(ctx, away, "bench-1", cable1) // nobody reads it
	ok(t, "look from afar", err)
	shown, err := firm.Show(ctx, away, "bench-1", cable1)
	ok(t, "look from afar", err)
	first := soon(t, shown)
	if text := strings.Join(first.Screen, "\n"); text == "" || !strings.Contains(strings.Join(l.Hold.Screen, "\n"), strings.TrimSpace(first.Screen[first.Row])) {
		t.Errorf("from afar the line shows\n%s\nand here\n%s", text, strings.Join(l.Hold.Screen, "\n"))
	}

	far := heldOrder(t, away, "shelf-01")
	var refused *orders.SecretError
	var msg string
	for range 50 { // until the bench has said its label
		_, err = away.Release(t.Context(), far.ID, orders.Release{Hold: far.Hold.ID, Choice: "type", Text: typed, Secret: true, By: "Sam"})
		if !errors.As(err, &refused) {
			t.Fatalf("a secret from afar: %v", err)
		}
		if msg = err.Error(); strings.Contains(msg, "left shelf") {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if !strings.Contains(msg, "bench bench-1") || !strings.Contains(msg, "left shelf") || !strings.Contains(msg, "https://bench-1.example.net/") || strings.Contains(msg, typed) {
		t.Errorf("it is refused with %q", msg)
	}
	wantErr(t, "a secret with another choice", r.d.Release(t.Context(), robin, l.Hold.ID, bench.Release{Choice: "again", Text: typed, Secret: true}), bench.ErrChoice)
	ok(t, "release", r.d.Release(t.Context(), robin, l.Hold.ID, bench.Release{Choice: "type", Text: typed, Secret: true}))
	found := false
	for until := time.Now().Add(20 * time.Second); !found && time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
		for _, answer := range a.Answers() {
			found = found || answer.Text == typed
		}
	}
	if !found {
		t.Error("the unit never got the secret")
	}
	hist, err := away.History(t.Context(), far.ID)
	ok(t, "history", err)
	if strings.Contains(fmt.Sprintf("%+v", hist), typed) {
		t.Error("the secret is in the order's history")
	}
	cancel()
	for range shown {
	}
	for range asleep {
	}
}

func soon(t *testing.T, shown <-chan bench.Shown) bench.Shown {
	t.Helper()
	for until := time.After(20 * time.Second); ; {
		select {
		case s, more := <-shown:
			if !more {
				t.Fatal("nothing more is shown")
			}
			if len(s.Screen) > 0 && strings.TrimSpace(strings.Join(s.Screen, "")) != "" {
				return s
			}
		case <-until:
			t.Fatal("nothing was ever shown from afar")
		}
	}
}
