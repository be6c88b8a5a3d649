package bench_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/fixtures/sim"
)

// leases are orders in memory whose leases can be lost.
type leases struct {
	mu    sync.Mutex
	list  map[string]*bench.Order
	works []*leased
	taken string // who has every unit; "": nobody
	deaf  int    // endings that are not taken
	stale bool   // the leases have run out, and nobody has noticed yet
}

type leased struct {
	of     *leases
	order  *bench.Order
	ctx    context.Context
	cancel context.CancelFunc
}

func newLeases() *leases { return &leases{list: map[string]*bench.Order{}} }

func (l *leases) Watch(ctx context.Context) (<-chan bench.Order, error) {
	c := make(chan bench.Order, 1)
	c <- bench.Order{}
	context.AfterFunc(ctx, func() { close(c) })
	return c, nil
}

func (l *leases) Allow(_ context.Context, by string, o bench.Order) (bench.Order, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	have, ok := l.list[o.Unit]
	if !ok {
		have = &bench.Order{ID: "order-" + o.Unit, Unit: o.Unit, State: bench.OrderAllowed, By: by, Filed: time.Now()}
		l.list[o.Unit] = have
	}
	return *have, nil
}

func (l *leases) Prove(ctx context.Context, by string, o bench.Order) (bench.Order, error) {
	return l.Allow(ctx, by, o)
}

func (l *leases) Again(ctx context.Context, by string, o bench.Order) (bench.Order, error) {
	return l.Allow(ctx, by, o)
}

func (l *leases) Begin(_ context.Context, id, _, _ string) (bench.Work, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, o := range l.list {
		if o.ID != id {
			continue
		}
		if l.taken != "" {
			return nil, &bench.LeasedError{Unit: o.Unit, Holder: l.taken}
		}
		w := &leased{of: l, order: o}
		w.ctx, w.cancel = context.WithCancel(context.Background())
		l.works = append(l.works, w)
		return w, nil
	}
	return nil, os.ErrNotExist
}

// lose has another bench take every unit.
func (l *leases) lose(to string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.taken = to
	for _, w := range l.works {
		w.cancel()
	}
}

func (w *leased) Valid(time.Time) bool {
	w.of.mu.Lock()
	defer w.of.mu.Unlock()
	return w.ctx.Err() == nil && !w.of.stale
}

func (w *leased) Lost() context.Context { return w.ctx }
func (w *leased) Leave()                { w.cancel() }

func (w *leased) Hold(ctx context.Context, _ bench.Hold) (bench.Release, bench.Person, error) {
	<-ctx.Done()
	return bench.Release{}, bench.Person{}, ctx.Err()
}

func (w *leased) Stopped(ctx context.Context) (bench.Person, error) {
	<-ctx.Done()
	return bench.Person{}, ctx.Err()
}

func (w *leased) Finish(_ context.Context, e bench.Ending, good bool, _ string) (bench.Order, error) {
	w.cancel()
	w.of.mu.Lock()
	defer w.of.mu.Unlock()
	if w.of.deaf > 0 {
		w.of.deaf--
		return bench.Order{}, context.DeadlineExceeded
	}
	w.order.State, w.order.Ending = bench.OrderNotDone, &e
	if good {
		w.order.State = bench.OrderDone
	}
	w.order.Rev++
	return *w.order, nil
}

// A unit whose lease is lost is not typed to any more, and is gone on with
// once it is this bench's again.
func TestALeaseThatIsLost(t *testing.T) {
	orders := (*leases)(nil)
	inBubble(t, 1, 1, func(c *bench.Config) { orders = newLeases(); c.Orders = orders }, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "half way", func(l bench.Line) bool { return l.No >= 2 })
		orders.lose("bench far away")
		synctest.Wait()
		got := len(s.Received())
		l := r.until(cable1, "matched", in(bench.Matched))
		time.Sleep(time.Minute)
		if l, _ = r.d.Line(cable1); l.State != bench.Matched || !strings.Contains(l.Why, "bench far away") {
			t.Errorf("the line says %+v", l)
		}
		if n := len(s.Received()); n != got {
			t.Errorf("%d bytes were typed to a unit that another bench has: %q", n-got, s.Received()[got:])
		}
		orders.lose("")
		l = r.until(cable1, "finished", in(bench.Finished))
		for prompt, n := range asked(s) {
			if n != 1 {
				t.Errorf("%q was answered %d times", prompt, n)
			}
		}
	})
}

// A lease that has run out while the machine stood still is noticed at the
// next answer, before anybody tells.
func TestALeaseThatHasRunOut(t *testing.T) {
	orders := (*leases)(nil)
	inBubble(t, 1, 1, func(c *bench.Config) { orders = newLeases(); c.Orders = orders }, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "half way", func(l bench.Line) bool { return l.No >= 2 })
		orders.mu.Lock()
		orders.stale = true
		orders.mu.Unlock()
		synctest.Wait()
		got := len(s.Received())
		time.Sleep(30 * time.Second)
		if n := len(s.Received()); n != got {
			t.Errorf("%d bytes were typed under a lease that has run out: %q", n-got, s.Received()[got:])
		}
		orders.mu.Lock()
		orders.stale = false
		orders.mu.Unlock()
		r.until(cable1, "finished", in(bench.Finished))
	})
}

// An ending that the store of orders could not be told is told later, and the
// unit is not played again.
func TestAnEndingThatCannotBeTold(t *testing.T) {
	orders := (*leases)(nil)
	inBubble(t, 1, 1, func(c *bench.Config) { orders = newLeases(); orders.deaf = 2; c.Orders = orders }, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "finished", in(bench.Finished))
		answers := len(s.Answers())
		time.Sleep(5 * time.Minute)
		orders.mu.Lock()
		defer orders.mu.Unlock()
		if o := orders.list["shelf-01"]; o.State != bench.OrderDone || orders.deaf != 0 {
			t.Errorf("the order is %+v", o)
		}
		if n := len(s.Answers()); n != answers {
			t.Errorf("%d answers more", n-answers)
		}
	})
}

// A bench that cannot write its notes plays nothing.
func TestNotesThatCannotBeWritten(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		if err := os.RemoveAll(r.cfg.Data); err != nil {
			t.Fatal(err)
		}
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "matched", func(l bench.Line) bool { return l.State == bench.Matched && l.Person })
		time.Sleep(time.Minute)
		if n := len(s.Answers()); n != 0 {
			t.Errorf("%d answers were given that the notes do not know of", n)
		}
		if err := r.d.Label(t.Context(), robin, cable1, "x"); err == nil {
			t.Error("a label that is nowhere")
		}
		if err := os.MkdirAll(r.cfg.Data, 0o700); err != nil {
			t.Fatal(err)
		}
		r.until(cable1, "finished", in(bench.Finished))
	})
}

// Another way to play, such as a whole visit, gets the prepared station.
func TestAnotherWayToPlay(t *testing.T) {
	var jobs []string
	inBubble(t, 1, 1, func(c *bench.Config) {
		c.Play = func(ctx context.Context, j bench.Job) (station.Result, error) {
			jobs = append(jobs, j.Unit.Name+" "+j.Line)
			return j.Station.Play(ctx)
		}
	}, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "finished", in(bench.Finished))
		if strings.Join(jobs, "|") != "shelf-01 "+cable1 {
			t.Errorf("played: %q", jobs)
		}
	})
}

// What is left of the time is told from earlier runs of the same dialogue.
func TestTimeLeft(t *testing.T) {
	inBubble(t, 2, 1, nil, func(t *testing.T, r *rig) {
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer a.Stop()
		if l := r.until(cable1, "playing", in(bench.Playing)); l.Left != 0 {
			t.Errorf("the first run has %g s left, and nothing tells that", l.Left)
		}
		r.until(cable1, "finished", in(bench.Finished))
		b := r.boot(t.Context(), "shelf-02", cable1, sim.Faults{})
		defer b.Stop()
		l := r.until(cable1, "playing the next", func(l bench.Line) bool { return l.State == bench.Playing && l.Unit == "shelf-02" })
		if l.Left <= 0 || l.Left > 120 {
			t.Errorf("the second run has %g s left", l.Left)
		}
		r.until(cable1, "finished", func(l bench.Line) bool { return l.State == bench.Finished && l.Unit == "shelf-02" })
		if _, err := os.Stat(filepath.Join(r.cfg.Records, l.Record)); err != nil {
			t.Errorf("the line's record: %v", err)
		}
	})
}
