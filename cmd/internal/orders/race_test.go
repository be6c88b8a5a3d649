package orders

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// pair is two benches at one place.
func pair(t testing.TB) (*Store, *Store) {
	t.Helper()
	one, err := Open(t.Context(), Options{Bench: "bench-1", Folder: t.TempDir(), Listen: "127.0.0.1:0", Lease: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(one.Close)
	two, err := Open(t.Context(), Options{Bench: "bench-2", URL: "nats://" + one.Address(), Lease: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(two.Close)
	return one, two
}

// Many release one hold at the same time: one is first, all others are told
// who that was.
func TestRaceOfReleases(t *testing.T) {
	one, two := pair(t)
	ctx := t.Context()
	for round := range 5 {
		id := fmt.Sprintf("o-%d", round)
		if _, err := one.File(ctx, Filing{ID: id, Site: "s", Unit: id, Allowance: Always}); err != nil {
			t.Fatal(err)
		}
		run, err := one.Begin(ctx, id, Start{Line: "one"})
		if err != nil {
			t.Fatal(err)
		}
		h, err := run.Hold(ctx, Hold{Reason: "look", Choices: []Choice{{Name: "go on"}}})
		if err != nil {
			t.Fatal(err)
		}
		errs := make([]error, 8)
		var tasks sync.WaitGroup
		for i := range errs {
			tasks.Go(func() {
				s := []*Store{one, two}[i%2]
				_, errs[i] = s.Release(ctx, id, Release{Hold: h.ID, Choice: "go on", By: fmt.Sprint("person ", i)})
			})
		}
		tasks.Wait()
		r, err := run.AwaitRelease(ctx, h.ID)
		if err != nil {
			t.Fatal(err)
		}
		first := 0
		for i, err := range errs {
			var late *ReleasedError
			switch {
			case err == nil:
				first++
				if r.By != fmt.Sprint("person ", i) {
					t.Errorf("person %d was told to be first, the run heard of %s", i, r.By)
				}
			case !errors.As(err, &late) || late.By != r.By:
				t.Errorf("person %d: %v", i, err)
			}
		}
		if first != 1 {
			t.Errorf("%d were first", first)
		}
		run.Leave()
	}
}

// Two benches fight for units whose names and serial numbers overlap; some die
// while they have one. While a lease counts, no other lease of a unit with the
// same name or number counts.
func TestNeverBoth(t *testing.T) {
	t.Parallel()
	one, two := pair(t)
	var round atomic.Int64
	rapid.Check(t, func(t *rapid.T) {
		site := fmt.Sprint("site-", round.Add(1))
		type bid struct {
			store        *Store
			unit, serial string
			dies         bool
			work         time.Duration
		}
		draw := rapid.Custom(func(t *rapid.T) bid {
			return bid{
				rapid.SampledFrom([]*Store{one, two}).Draw(t, "bench"), rapid.SampledFrom([]string{"deep-1", "deep-2"}).Draw(t, "unit"),
				site + rapid.SampledFrom([]string{"A", "B"}).Draw(t, "serial"), rapid.IntRange(0, 9).Draw(t, "fate") == 0,
				time.Duration(rapid.IntRange(0, 3).Draw(t, "work")) * time.Millisecond,
			}
		})
		bids := rapid.SliceOfN(draw, 4, 10).Draw(t, "bids")
		var mu sync.Mutex
		has := map[string]*Lease{}
		var tasks sync.WaitGroup
		wrong := make(chan string, 1000)
		for i, b := range bids {
			tasks.Go(func() {
				keys := unitKeys(site, b.unit, b.serial)
				l, err := b.store.home.lease(context.Background(), keys, holder{Order: fmt.Sprint(i), Bench: b.store.opts.Bench, By: fmt.Sprint(b.store.me, i)}, 3*time.Second, nil)
				if err != nil {
					var leased *LeasedError
					if !errors.As(err, &leased) {
						wrong <- err.Error()
					}
					return
				}
				mu.Lock()
				for _, k := range keys {
					if other := has[k]; other != nil && other.Valid(time.Now()) && l.Valid(time.Now()) {
						wrong <- "two have " + k
					}
					has[k] = l
				}
				mu.Unlock()
				time.Sleep(b.work)
				if b.dies {
					l.lose(errors.New("died")) // without a word to the store
					<-l.done
					return
				}
				mu.Lock()
				for _, k := range keys {
					if has[k] == l {
						delete(has, k)
					}
				}
				mu.Unlock()
				l.End()
			})
		}
		tasks.Wait()
		close(wrong)
		for w := range wrong {
			t.Fatal(w)
		}
	})
}

// A lease stops to count by either clock, whether or not anything runs.
func TestLeaseOfAPausedProcess(t *testing.T) {
	l := &Lease{lasts: 30 * time.Second, ctx: context.Background()}
	begun := time.Now()
	l.extend(begun)
	for _, c := range []struct {
		what string
		now  time.Time
		want bool
	}{
		{"at once", begun, true},
		{"in time", begun.Add(19 * time.Second), true},
		{"after its part of the lease", begun.Add(20 * time.Second), false},
		{"the wall clock was put back, as by a person", begun.Add(21 * time.Second), false},
	} {
		if got := l.Valid(c.now); got != c.want {
			t.Errorf("%s: %t", c.what, got)
		}
	}
	l.wall = begun.Round(0).Add(-time.Second) // the monotonic clock stood still in a suspended machine
	if l.Valid(begun) {
		t.Error("the wall clock does not count")
	}
}

// An old process that wakes up can no longer say anything of the order.
func TestFenced(t *testing.T) {
	one, _ := pair(t)
	ctx := t.Context()
	if _, err := one.File(ctx, Filing{ID: "o", Site: "s", Unit: "u", Allowance: Always}); err != nil {
		t.Fatal(err)
	}
	old, err := one.Begin(ctx, "o", Start{Line: "one"})
	if err != nil {
		t.Fatal(err)
	}
	old.Leave()
	young, err := one.Begin(ctx, "o", Start{Line: "two"})
	if err != nil {
		t.Fatal(err)
	}
	defer young.Leave()
	var fenced *FencedError
	if _, err := old.Finish(ctx, Ending{Good: true}, nil); !errors.As(err, &fenced) {
		t.Errorf("the old run ended it: %v", err)
	}
	if _, err := old.Hold(ctx, Hold{Reason: "?"}); !errors.As(err, &fenced) {
		t.Errorf("the old run held it: %v", err)
	}
	if _, err := one.Stop(ctx, "o", "ada", "wrong rack"); err != nil {
		t.Fatal(err)
	}
	var stopped *StoppedError
	if err := young.AwaitStop(ctx); !errors.As(err, &stopped) || stopped.By != "ada" {
		t.Errorf("the run was not told to stop: %v", err)
	}
	if o, err := young.Finish(ctx, Ending{How: "stopped"}, nil); err != nil || o.State != Withdrawn {
		t.Errorf("stopped: %s, %v", o.State, err)
	}
}

// Whoever does not read slows nobody.
func TestDeadWatcher(t *testing.T) {
	one, two := pair(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	pieces, err := two.Listen(ctx, "bench-1", "rack 1.3")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := two.Watch(ctx); err != nil {
		t.Fatal(err)
	}
	live := one.Live("rack 1.3")
	for range 20 * liveQueue { // returns although nobody reads
		live.Tell([]byte("said"))
	}
	live.Close()
	if _, err := one.File(ctx, Filing{ID: "o", Site: "s", Unit: "u"}); err != nil {
		t.Error(err)
	}
	if p := <-pieces; p.Bench != "bench-1" || p.Line != "rack_1_3" || string(p.Data) != "said" {
		t.Errorf("heard %+v", p)
	}
	if n := len(pieces); n > liveQueue {
		t.Errorf("%d pieces are kept for one who does not read", n)
	}
}

func TestBenchesAndRecords(t *testing.T) {
	one, two := pair(t)
	ctx := t.Context()
	if err := one.Announce(ctx, Bench{Site: "skerrymore", Lines: []Line{{Name: "one", Label: "left shelf"}}}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "both benches are there", 5*time.Second, func() bool {
		all, err := two.Benches(ctx)
		return err == nil && len(all) == 2 && all[0].Name == "bench-1" && len(all[0].Lines) == 1
	})
}
