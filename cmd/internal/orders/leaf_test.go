package orders

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/orders/orderstest"
)

// far opens a bench that is a leaf of the cluster over a link that can be cut.
func (c *cluster) far(t testing.TB, bench string) (*Store, *orderstest.Link) {
	t.Helper()
	link := orderstest.NewLink(t, c.LeafAddress(0))
	s, err := Open(t.Context(), Options{
		Bench: bench, Folder: t.TempDir(), Leaf: []string{"nats-leaf://" + link.Address()}, FirmDomain: "firm", Replicas: 3, Lease: 3 * time.Second,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s, link
}

// long has the link cut for a minute, and waits for everything to catch up.
var long = os.Getenv("LINEHAND_LONG") != ""

// A leaf is cut off in the middle of its work and brought back.
func TestLeafCutOff(t *testing.T) {
	t.Parallel()
	c := firmCluster(t)
	desk := c.open("", 0)
	bench, link := c.far(t, "bench-7")
	other, _ := c.far(t, "bench-8")
	ctx := t.Context()
	const orders = 12
	id := func(i int) string { return fmt.Sprintf("o-%02d", i) }
	for i := range orders {
		if _, err := desk.File(ctx, Filing{ID: id(i), Site: "skerrymore", Unit: id(i), Serial: id(i), Bench: "bench-7", Allowance: Always, Person: "ada"}); err != nil {
			t.Fatal(err)
		}
	}
	granted := func(n int) func() bool {
		return func() bool {
			list, err := bench.List(ctx, Filter{})
			got := 0
			for _, o := range list {
				if o.Granted {
					got++
				}
			}
			return err == nil && got == n
		}
	}
	eventually(t, "all orders are the bench's", 20*time.Second, granted(orders))
	for i := range 4 {
		if err := play(ctx, bench, id(i), "one"); err != nil {
			t.Fatal(err)
		}
	}
	early, err := bench.PutRecord(ctx, "early.record", strings.NewReader("what was said"))
	if err != nil {
		t.Fatal(err)
	}
	running, err := bench.Begin(ctx, id(4), Start{Line: "two"})
	if err != nil {
		t.Fatal(err)
	}

	link.Cut(true)
	eventually(t, "the bench sees that the link is down", 15*time.Second, func() bool { return !bench.Linked() })
	for i := 5; i < orders-1; i++ {
		if err := play(ctx, bench, id(i), "one"); err != nil {
			t.Errorf("while cut off: %v", err)
		}
	}
	if !running.Lease.Valid(time.Now()) {
		t.Error("what the bench played when the link went is no longer its own")
	}
	rec, err := bench.PutRecord(ctx, "cut.record", strings.NewReader("what was said meanwhile"))
	if err != nil {
		t.Errorf("keep a record while cut off: %v", err)
	}
	if long {
		time.Sleep(time.Minute)
	}
	if _, err := running.Finish(ctx, Ending{How: "done", Good: true}, &rec); err != nil {
		t.Errorf("finish while cut off: %v", err)
	}
	if _, err := bench.File(ctx, Filing{ID: "found", Site: "skerrymore", Unit: "found", Allowance: Always}); err != nil {
		t.Errorf("file while cut off: %v", err)
	}
	if _, err := bench.Begin(ctx, "found", Start{Line: "one"}); !errors.Is(err, ErrNotGranted) {
		t.Errorf("a unit that the firm may have given to another: %v", err)
	}
	// What the firm knows it shows, and says that it is behind; it gives away nothing.
	if o, err := desk.Get(ctx, id(8)); err != nil || !o.Behind {
		t.Errorf("at the firm meanwhile: behind is %t, %v", o.Behind, err)
	}
	if _, err := desk.Assign(ctx, id(orders-1), "bench-8", "ada"); !unreachable(err) {
		t.Errorf("an order of a bench that is cut off was given to another: %v", err)
	}
	if _, err := desk.File(ctx, Filing{ID: "rival", Site: "skerrymore", Unit: "rival", Serial: id(orders - 1), Bench: "bench-8", Allowance: Always}); err != nil {
		t.Fatal(err)
	}

	link.Cut(false)
	eventually(t, "the firm has heard of all", 3*time.Minute, func() bool {
		list, err := desk.List(ctx, Filter{State: Done})
		return err == nil && len(list) == orders-1
	})
	eventually(t, "what was filed meanwhile may be played", 20*time.Second, func() bool { return play(ctx, bench, "found", "one") == nil })
	var leased *LeasedError
	if _, err := other.Begin(ctx, "rival", Start{Line: "one"}); !errors.As(err, &leased) && !errors.Is(err, ErrNotGranted) {
		t.Errorf("another bench on the same serial number: %v", err)
	}
	if _, err := desk.Stop(ctx, "rival", "ada", "it is o-11 under another name"); err != nil {
		t.Error(err)
	}
	if _, err := desk.Assign(ctx, id(orders-1), "bench-8", "ada"); err != nil {
		t.Errorf("give it to another bench now: %v", err)
	}
	eventually(t, "the other bench has it", 20*time.Second, func() bool { return play(ctx, other, id(orders-1), "one") == nil })
	want := []string{early.SHA256}
	if long { // the copy of the records is looked after by the servers, every ten seconds and then more seldom
		want = append(want, rec.SHA256)
	}
	eventually(t, "the records are at the firm", 3*time.Minute, func() bool {
		list, err := desk.Records(ctx, "bench-7")
		return err == nil && len(list) >= len(want) && slices.ContainsFunc(list, func(r Record) bool { return r.SHA256 == want[len(want)-1] })
	})
	back, err := desk.Record(ctx, early)
	if err != nil {
		t.Fatal(err)
	}
	defer back.Close()
	if text, err := io.ReadAll(back); err != nil || string(text) != "what was said" {
		t.Errorf("the record at the firm reads %q, %v", text, err)
	}
	for i := range orders {
		if i != 4 {
			once(t, desk, id(i))
		}
	}
}
