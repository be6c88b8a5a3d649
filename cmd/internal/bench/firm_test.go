package bench_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/orders"
	"linehand/fixtures/sim"
)

// stored opens an embedded store, and has the rig's bench work on it.
func stored(t *testing.T, r *rig) *orders.Store {
	t.Helper()
	s, err := orders.Open(t.Context(), orders.Options{Bench: "bench-1", Folder: filepath.Join(r.cfg.Data, "store"), Lease: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	r.cfg.Orders = &firm.Orders{Store: s, Site: "holm", Bench: "bench-1", Log: zerolog.Nop()}
	return s
}

// A hold is released, and an order stopped, by somebody who is not at the
// bench; a restart plays nothing twice.
func TestOrdersInAStore(t *testing.T) {
	r := newRig(t, 2, 2, byBatch)
	defer r.close()
	s := stored(t, r)
	r.start()
	a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
	defer a.Stop()
	r.until(cable1, "matched", in(bench.Matched))
	ok(t, "allow all", r.d.Allow(t.Context(), robin))
	ok(t, "allow all again", r.d.Allow(t.Context(), robin))
	l := r.until(cable1, "on hold", in(bench.Holding))
	far := heldOrder(t, s, "shelf-01")
	if far.Hold.ID != l.Hold.ID || far.AllowedBy != "Robin" {
		t.Errorf("the store has hold %+v, the bench %+v", far.Hold, l.Hold)
	}
	if _, err := s.Release(t.Context(), far.ID, orders.Release{Hold: far.Hold.ID, Choice: "type", Text: "7", By: "Sam, far away"}); err != nil {
		t.Fatal(err)
	}
	r.until(cable1, "finished", in(bench.Finished))
	by := ""
	for _, e := range record(t, r, "shelf-01").Events {
		if e.Kind == "hold" && e.State == "released" {
			by = e.By
		}
	}
	if by != "Sam, far away" {
		t.Errorf("the record says that %q released the hold", by)
	}
	b := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{UnknownAfter: 4})
	defer b.Stop()
	r.until(cable2, "on hold", in(bench.Holding))
	far = heldOrder(t, s, "shelf-02")
	if _, err := s.Stop(t.Context(), far.ID, "Sam, far away", "wrong rack"); err != nil {
		t.Fatal(err)
	}
	if l := r.until(cable2, "finished", in(bench.Finished)); l.Ending.Code != "stopped" {
		t.Errorf("stopped from afar, it ended as %+v", l.Ending)
	}
	want := map[string]orders.State{"shelf-01": orders.Done, "shelf-02": orders.Withdrawn, "sw-1": orders.Allowed}
	wantOrders(t, s, want)
	if kept, err := s.Records(t.Context(), orders.Firm); err != nil || len(kept) != 2 {
		t.Errorf("records in the store: %v %v", kept, err)
	}
	r.finish()
	s.Close()

	s = stored(t, r)
	defer s.Close()
	r.start()
	answers := len(a.Answers()) + len(b.Answers())
	ok(t, "knock", r.d.Knock(t.Context(), robin, cable1))
	time.Sleep(3 * time.Second)
	if n := len(a.Answers()) + len(b.Answers()); n != answers {
		t.Errorf("%d answers after a restart", n-answers)
	}
	wantOrders(t, s, want)
	ok(t, "again", r.d.Again(t.Context(), robin, "shelf-02"))
	r.until(cable2, "playing again", func(l bench.Line) bool { return l.State == bench.Playing || l.State == bench.Holding })
	r.finish()
}

// heldOrder waits until the store has the unit's hold.
func heldOrder(t *testing.T, s *orders.Store, unit string) orders.Order {
	t.Helper()
	for range 100 {
		list, err := s.List(t.Context(), orders.Filter{Unit: unit, State: orders.Holding})
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 1 && list[0].Hold != nil {
			return list[0]
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("the store never had a hold of %s", unit)
	return orders.Order{}
}

func wantOrders(t *testing.T, s *orders.Store, want map[string]orders.State) {
	t.Helper()
	list, err := s.List(t.Context(), orders.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, o := range list {
		got = append(got, o.Unit+" "+string(o.State))
	}
	var wanted []string
	for unit, state := range want {
		wanted = append(wanted, unit+" "+string(state))
	}
	slices.Sort(got)
	slices.Sort(wanted)
	if !slices.Equal(got, wanted) {
		t.Errorf("orders: %s; want %s", strings.Join(got, ", "), strings.Join(wanted, ", "))
	}
}
