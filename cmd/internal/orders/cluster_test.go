package orders

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"
)

// The leader of the orders' stream is killed while orders are filed and
// played. Who files is told in the end that it is filed; none is lost, none
// is there twice, and each is played once.
func TestLeaderKilled(t *testing.T) {
	t.Parallel()
	c := firmCluster(t)
	desk, benches := c.open("", 0), []*Store{c.open("bench-1", 0), c.open("bench-2", 0)}
	const orders = 60
	ctx := t.Context()
	filed := make(chan string, orders)
	var tasks sync.WaitGroup
	tasks.Go(func() {
		defer close(filed)
		for i := range orders {
			id := fmt.Sprintf("o-%03d", i)
			if _, err := desk.File(ctx, Filing{ID: id, Site: "skerrymore", Unit: id, Serial: id, Allowance: Always, Person: "ada"}); err != nil {
				t.Errorf("file %s: %v", id, err)
				return
			}
			filed <- id
			if i == orders/3 {
				c.Kill(c.leader(desk))
			}
		}
	})
	for _, b := range benches {
		tasks.Go(func() {
			for id := range filed {
				if err := play(ctx, b, id, "one"); err != nil {
					t.Errorf("%s: play %s: %v", b.opts.Bench, id, err)
				}
			}
		})
	}
	tasks.Wait()
	list, err := desk.List(ctx, Filter{})
	if err != nil || len(list) != orders {
		t.Errorf("%d orders are listed, %d were filed: %v", len(list), orders, err)
	}
	for _, o := range list {
		if o.State != Done || o.Attempts != 1 {
			t.Errorf("order %s is %s after %d attempts", o.ID, o.State, o.Attempts)
		}
		once(t, desk, o.ID)
	}
}

// Two benches want the same unit, by its serial number, under two orders.
func TestTwoBenchesOneUnit(t *testing.T) {
	t.Parallel()
	c := firmCluster(t)
	one, two := c.open("bench-1", 4*time.Second), c.open("bench-2", 4*time.Second)
	ctx := t.Context()
	for _, f := range []Filing{
		{ID: "first", Site: "skerrymore", Unit: "deep-1", Serial: "BW24-0001", Allowance: Always},
		{ID: "other", Site: "skerrymore", Unit: "deep-2", Serial: "bw24-0001", Allowance: Always},
	} {
		if _, err := one.File(ctx, f); err != nil {
			t.Fatal(err)
		}
	}
	run, err := one.Begin(ctx, "first", Start{Line: "one"})
	if err != nil {
		t.Fatal(err)
	}
	var leased *LeasedError
	if _, err := two.Begin(ctx, "other", Start{Line: "one"}); !errors.As(err, &leased) || leased.Bench != "bench-1" {
		t.Errorf("the second bench: %v", err)
	}
	// The first bench dies without a word: its lease lapses.
	one.nc.Close()
	eventually(t, "the lease is lost", 10*time.Second, func() bool { return !run.Lease.Valid(time.Now()) })
	if _, err := two.Begin(ctx, "other", Start{Line: "one"}); err == nil {
		t.Error("the unit was free as soon as its holder no longer counted on it: no margin")
	}
	eventually(t, "the unit comes free", 10*time.Second, func() bool {
		next, err := two.Begin(ctx, "other", Start{Line: "one"})
		if err == nil {
			next.Leave()
		}
		return err == nil
	})
	<-run.Lease.Context().Done()
}
