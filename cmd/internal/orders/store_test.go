package orders

import (
	"context"
	"errors"
	"testing"
	"time"
)

func alone(t testing.TB, folder string) *Store {
	t.Helper()
	s, err := Open(t.Context(), Options{Bench: "bench-1", Folder: folder, Lease: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestLifeOfAnOrder(t *testing.T) {
	ctx := t.Context()
	s := alone(t, t.TempDir())
	defer s.Close()
	o, err := s.File(ctx, Filing{ID: "sky-deep-1", Site: "skerrymore", Unit: "deep-1", Serial: "BW24-0001", Person: "ada"})
	if err != nil {
		t.Fatal(err)
	}
	if again, err := s.File(ctx, Filing{ID: "sky-deep-1", Site: "skerrymore", Unit: "deep-1", Person: "bob"}); err != nil || again.Person != "ada" {
		t.Fatalf("filed again: %+v, %v", again, err)
	}
	if _, err := s.Begin(ctx, o.ID, Start{Line: "one"}); err == nil {
		t.Fatal("an order that nobody has allowed was begun")
	}
	if _, err := s.Allow(ctx, o.ID, "", "ada"); err != nil {
		t.Fatal(err)
	}
	run, err := s.Begin(ctx, o.ID, Start{Line: "one", Serial: "BW24-0001"})
	if err != nil {
		t.Fatal(err)
	}
	h, err := run.Hold(ctx, Hold{Reason: "the unit asks something unknown", Choices: []Choice{{Name: "again"}, {Name: "give up"}}})
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan Release, 1)
	go func() {
		r, err := run.AwaitRelease(ctx, h.ID)
		if err != nil {
			t.Error(err)
		}
		got <- r
	}()
	if _, err := s.Release(ctx, o.ID, Release{Hold: h.ID, Choice: "again", By: "ada"}); err != nil {
		t.Fatal(err)
	}
	if r := <-got; r.By != "ada" || r.Choice != "again" {
		t.Errorf("released by %+v", r)
	}
	var second *ReleasedError
	if _, err := s.Release(ctx, o.ID, Release{Hold: h.ID, Choice: "give up", By: "bob"}); !errors.As(err, &second) || second.By != "ada" {
		t.Errorf("the second release: %v", err)
	}
	o, err = run.Finish(ctx, Ending{How: "done", Good: true, Sentence: "The unit is set up."}, nil)
	if err != nil || o.State != Done {
		t.Fatalf("finished: %+v, %v", o, err)
	}
	if run.Lease.Valid(time.Now()) {
		t.Error("the lease counts after the end")
	}
	hist, err := s.History(ctx, o.ID)
	if err != nil || len(hist) != 6 {
		t.Errorf("history: %d changes, %v", len(hist), err)
	}
}

func TestWatchTellsAllThenChanges(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s := alone(t, t.TempDir())
	defer s.Close()
	for _, id := range []string{"a", "b", "c"} {
		if _, err := s.File(ctx, Filing{ID: id, Site: "skerrymore", Unit: id}); err != nil {
			t.Fatal(err)
		}
	}
	news, err := s.Watch(ctx)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for u := range news {
		if u.Current {
			break
		}
		seen[u.Order.ID] = true
	}
	if len(seen) != 3 {
		t.Errorf("told of %v", seen)
	}
	if _, err := s.Allow(ctx, "b", PerUnit, "ada"); err != nil {
		t.Fatal(err)
	}
	if u := <-news; u.Order.ID != "b" || u.Order.State != Allowed {
		t.Errorf("told %+v", u)
	}
	cancel()
	for range news {
	}
}

// Who watches one site hears of no other.
func TestWatchOfASite(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s := alone(t, t.TempDir())
	defer s.Close()
	file := func(id, site string) {
		if _, err := s.File(ctx, Filing{ID: id, Site: site, Unit: "site " + id}); err != nil {
			t.Fatal(err)
		}
	}
	file("a", "skerry")
	file("b", "skerrymore")
	news, err := s.WatchSite(ctx, "skerry")
	if err != nil {
		t.Fatal(err)
	}
	if u := <-news; u.Order.ID != "a" {
		t.Errorf("told %+v", u)
	}
	if u := <-news; !u.Current {
		t.Errorf("told %+v", u)
	}
	file("c", "skerrymore")
	file("d", "skerry")
	if u := <-news; u.Order.ID != "d" {
		t.Errorf("told %+v", u)
	}
	cancel()
	for range news {
	}
}
