// Package firm has a bench work on the orders of package orders: its own in
// the embedded store, or those of a firm with many benches.
package firm

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
)

// Orders are the orders of one site in a store.
type Orders struct {
	Store *orders.Store
	Site  string
	Bench string
	Log   zerolog.Logger

	mu      sync.Mutex
	waiting map[string]*work // by order: those that play it, and hear of it
}

var _ bench.Orders = (*Orders)(nil)

// Watch tells each order of the site, and then each change.
func (f *Orders) Watch(ctx context.Context) (<-chan bench.Order, error) {
	updates, err := f.Store.WatchSite(ctx, f.Site)
	if err != nil {
		return nil, err
	}
	out := make(chan bench.Order)
	go func() {
		defer close(out)
		for u := range updates {
			if !u.Current && u.Order.Site != f.Site {
				continue
			}
			f.hear(u.Order)
			select {
			case out <- told(u.Order):
			case <-ctx.Done():
			}
		}
	}()
	return out, nil
}

// told is an order as the bench sees it.
func told(o orders.Order) bench.Order {
	if o.ID == "" {
		return bench.Order{}
	}
	states := map[orders.State]bench.OrderState{
		orders.Waiting: bench.OrderWaiting, orders.Allowed: bench.OrderAllowed, orders.Playing: bench.OrderPlaying,
		orders.Holding: bench.OrderPlaying, orders.Done: bench.OrderDone, orders.NotDone: bench.OrderNotDone, orders.Withdrawn: bench.OrderWithdrawn,
	}
	b := bench.Order{ID: o.ID, Task: bench.Task(o.Task), Unit: o.Unit, Serial: o.Serial, Kind: o.Kind, State: states[o.State], By: o.AllowedBy,
		Bench: o.Player, Line: o.Line, Filed: o.Filed, Rev: o.Changed.At.UnixNano()}
	if o.Ending != nil {
		b.Ending = &bench.Ending{Code: o.Ending.How, Sentence: o.Ending.Sentence, Next: o.Ending.Next, At: o.Ended}
	}
	return b
}

// Allow allows the unit's order; where the bench knows of none that is open,
// one is filed.
func (f *Orders) Allow(ctx context.Context, by string, o bench.Order) (bench.Order, error) {
	switch o.State {
	case bench.OrderAllowed, bench.OrderPlaying:
		return o, nil
	case bench.OrderWaiting:
		return f.allow(ctx, o.ID, by)
	case bench.OrderDone, bench.OrderNotDone, bench.OrderWithdrawn:
		return f.Again(ctx, by, o)
	}
	// Named after the unit, so that two who allow it at once file one order.
	filed, err := f.Store.File(ctx, orders.Filing{ID: orderID(f.Site, o.Unit), Site: f.Site, Unit: o.Unit, Serial: o.Serial, Kind: o.Kind, Allowance: orders.PerUnit, Person: by})
	if err != nil {
		return bench.Order{}, err
	}
	if filed.State == orders.Waiting {
		return f.allow(ctx, filed.ID, by)
	}
	return told(filed), nil
}

// Again files, and allows, an order that repeats one.
func (f *Orders) Again(ctx context.Context, by string, o bench.Order) (bench.Order, error) {
	again, err := f.Store.Again(ctx, o.ID, by)
	if err != nil {
		return bench.Order{}, err
	}
	if again.State != orders.Waiting {
		return told(again), nil
	}
	return f.allow(ctx, again.ID, by)
}

// Prove files, and allows, an order that proves the unit of one.
func (f *Orders) Prove(ctx context.Context, by string, o bench.Order) (bench.Order, error) {
	if o.ID == "" {
		filed, err := f.Store.File(ctx, orders.Filing{ID: orderID(f.Site, o.Unit), Site: f.Site, Unit: o.Unit, Serial: o.Serial, Kind: o.Kind, Task: orders.Prove, Allowance: orders.PerUnit, Person: by})
		return told(filed), err
	}
	filed, err := f.Store.ProveAgain(ctx, o.ID, by)
	if err == nil && (filed.Task != orders.Prove || filed.State != orders.Allowed) {
		err = fmt.Errorf("order %s, which comes after %s, is %s already", filed.ID, o.ID, filed.State)
	}
	return told(filed), err
}

func (f *Orders) allow(ctx context.Context, id, by string) (bench.Order, error) {
	o, err := f.Store.Allow(ctx, id, orders.PerUnit, by)
	return told(o), err
}

// orderID is the name of a unit's first order.
func orderID(site, unit string) string {
	id := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, strings.ToLower(unit+"_of_"+site))
	const most = 56 // room for the number of those that repeat it
	return id[:min(len(id), most)]
}

// Begin puts an order onto a line.
func (f *Orders) Begin(ctx context.Context, id, line, serial string) (bench.Work, error) {
	w := &work{orders: f, stopped: make(chan orders.Mark, 1)}
	f.await(id, w)
	r, err := f.Store.Begin(ctx, id, orders.Start{Line: line, Serial: serial})
	if err != nil {
		f.forget(id, w)
	}
	var leased *orders.LeasedError
	switch {
	case errors.As(err, &leased):
		return nil, &bench.LeasedError{Unit: leased.Key, Holder: "bench " + leased.Bench}
	case err != nil:
		return nil, err
	}
	f.begun(w, r)
	return w, nil
}

// await has w hear of an order. A run hears of it by the one watch of its
// bench: a reader for each run would be a load on the firm's servers.
func (f *Orders) await(id string, w *work) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.waiting == nil {
		f.waiting = map[string]*work{}
	}
	f.waiting[id] = w
}

func (f *Orders) forget(id string, w *work) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.waiting[id] == w {
		delete(f.waiting, id)
	}
}

func (f *Orders) begun(w *work, r *orders.Run) {
	f.mu.Lock()
	defer f.mu.Unlock()
	w.run = r
	w.heed(r.Order)
	w.heed(w.last)
}

// hear tells the run of an order of its change.
func (f *Orders) hear(o orders.Order) {
	f.mu.Lock()
	defer f.mu.Unlock()
	w := f.waiting[o.ID]
	if w == nil {
		return
	}
	if w.last = o; w.run != nil {
		w.heed(o)
	}
}

// heed notes that somebody wants the run to end; called with the lock held.
func (w *work) heed(o orders.Order) {
	if o.Stop == nil || o.Token != w.run.Lease.Token() {
		return
	}
	select {
	case w.stopped <- *o.Stop:
	default:
	}
}

// work is an order under way.
type work struct {
	orders *Orders
	run    *orders.Run
	turn   sync.Mutex // the holds of a run come one after the other

	last    orders.Order // heard before the run was known; guarded by Orders.mu
	stopped chan orders.Mark
}

func (w *work) Valid(now time.Time) bool { return w.run.Lease.Valid(now) }
func (w *work) Lost() context.Context    { return w.run.Lease.Context() }

func (w *work) Leave() {
	w.orders.forget(w.run.Order.ID, w)
	w.run.Leave()
}

// lettingTakes is how long the store is given to note how a hold was released
// at the bench.
const lettingTakes = 5 * time.Second

func (w *work) Hold(ctx context.Context, h bench.Hold) (bench.Release, bench.Person, error) {
	w.turn.Lock()
	defer w.turn.Unlock()
	raised := orders.Hold{ID: h.ID, Stage: h.Stage, Reason: h.Reason, Screen: strings.Join(h.Screen, "\n")}
	for _, c := range h.Choices {
		raised.Choices = append(raised.Choices, orders.Choice{Name: c, Text: c == typed || c == goTo})
	}
	if _, err := w.run.Hold(ctx, raised); err != nil {
		w.orders.Log.Debug().Err(err).Str("order", w.run.Order.ID).Msg("a hold could not be told")
		return bench.Release{}, bench.Person{}, err
	}
	r, err := w.run.AwaitRelease(ctx, h.ID)
	if ctx.Err() != nil {
		w.let(ctx, h)
		return bench.Release{}, bench.Person{}, ctx.Err()
	}
	if err != nil {
		return bench.Release{}, bench.Person{}, err
	}
	out := bench.Release{Choice: r.Choice}
	switch r.Choice {
	case typed:
		out.Text = r.Text
	case goTo:
		out.Stage = r.Text
	}
	return out, bench.Person{Name: r.By}, nil
}

// The choices that come with a text, as package player names them.
const (
	typed = "type"
	goTo  = "go-to"
	again = "again"
)

// let tells the store that a hold is over: as a person has released it at the
// bench, or because it has lifted.
func (w *work) let(ctx context.Context, h bench.Hold) {
	r := orders.Release{Hold: h.ID, Choice: again, By: "bench " + w.orders.Bench}
	var given *bench.Given
	if errors.As(context.Cause(ctx), &given) {
		r.Choice, r.By = given.Choice, given.By.Name
		if given.Choice == goTo {
			r.Text = given.Stage
		}
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lettingTakes)
	defer cancel()
	if _, err := w.orders.Store.Release(ctx, w.run.Order.ID, r); err != nil {
		w.orders.Log.Debug().Err(err).Str("order", w.run.Order.ID).Msg("that a hold is over could not be told")
	}
}

func (w *work) Stopped(ctx context.Context) (bench.Person, error) {
	select {
	case mark := <-w.stopped:
		return bench.Person{Name: mark.By}, nil
	case <-ctx.Done():
		return bench.Person{}, context.Cause(ctx)
	}
}

func (w *work) Finish(ctx context.Context, e bench.Ending, good bool, record string) (bench.Order, error) {
	defer w.orders.forget(w.run.Order.ID, w)
	rec, err := w.keepSoon(ctx, record)
	if err != nil {
		w.orders.Log.Warn().Err(err).Str("record", record).Msg("the record is kept at the bench only")
	}
	o, err := w.run.Finish(ctx, orders.Ending{How: e.Code, Good: good, Sentence: e.Sentence, Next: e.Next}, rec)
	return told(o), err
}

// keepSoon keeps the record in half of the time that there is, so that the
// ending is noted also where it cannot be kept.
func (w *work) keepSoon(ctx context.Context, record string) (*orders.Record, error) {
	if until, ok := ctx.Deadline(); ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, time.Until(until)/2)
		defer cancel()
	}
	return w.keep(ctx, record)
}

// keep puts a sealed record into the store.
func (w *work) keep(ctx context.Context, path string) (*orders.Record, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("keep a record: %w", err)
	}
	defer f.Close()
	rec, err := w.orders.Store.PutRecord(ctx, filepath.Base(path), f)
	if err != nil {
		return nil, err
	}
	return &rec, nil
}

// announceEvery is how often at the most the bench says how its lines are.
const announceEvery = time.Second

// Announce tells the other benches of this one's lines, until ctx ends.
func Announce(ctx context.Context, s *orders.Store, b bench.Bench, site, url string, log zerolog.Logger) {
	changes := b.Watch(ctx)
	for {
		here := orders.Bench{Name: b.Name(), Site: site, URL: url}
		for _, l := range b.Lines() {
			here.Lines = append(here.Lines, orders.Line{Name: l.ID, Identity: l.ID, Label: l.Label, State: string(l.State), Order: l.Order})
		}
		if err := s.Announce(ctx, here); err != nil && ctx.Err() == nil {
			log.Debug().Err(err).Msg("the bench could not announce itself")
		}
		if _, more := <-changes; !more {
			return
		}
		for gathering := time.After(announceEvery); gathering != nil; {
			select {
			case _, more := <-changes:
				if !more {
					return
				}
			case <-gathering:
				gathering = nil
			}
		}
	}
}
