package bench

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// Order is a piece of work: one unit that is to be brought up.
type Order struct {
	ID     string     `json:"id"`
	Unit   string     `json:"unit"`
	Serial string     `json:"serial,omitempty"` // as planned
	Kind   string     `json:"kind,omitempty"`
	Task   Task       `json:"task,omitempty"`
	State  OrderState `json:"state"`
	By     string     `json:"by,omitempty"`    // who has allowed it
	Bench  string     `json:"bench,omitempty"` // that plays or has played it
	Line   string     `json:"line,omitempty"`
	Ending *Ending    `json:"ending,omitempty"`
	Filed  time.Time  `json:"filed"`
	Rev    int64      `json:"rev"` // grows with each change of the order
}

// Task is what is to be done with the unit.
type Task string

// The tasks.
const (
	BringUp Task = ""      // all that its kind has, as far as the bench plays it
	Prove   Task = "proof" // prove it again, and close what an earlier run has left open
)

// OrderState is what an order has come to.
type OrderState string

// The states of an order.
const (
	OrderWaiting   OrderState = "waiting" // nobody has allowed it yet
	OrderAllowed   OrderState = "allowed"
	OrderPlaying   OrderState = "playing"
	OrderDone      OrderState = "done"
	OrderNotDone   OrderState = "not done"
	OrderWithdrawn OrderState = "withdrawn"
)

// due tells whether the order may be played, or go on.
func (s OrderState) due() bool { return s == OrderAllowed || s == OrderPlaying }

// over tells whether nothing is to come of the order.
func (s OrderState) over() bool { return s == OrderDone || s == OrderNotDone || s == OrderWithdrawn }

// Orders is where the work of a site is kept, be it this bench's own or that
// of a firm with many.
type Orders interface {
	// Watch tells each order of the site as it is, an Order without an ID when
	// that is through, and then each change. It ends with ctx.
	Watch(ctx context.Context) (<-chan Order, error)
	// Allow files an order for the unit, where none is open, and allows it.
	Allow(ctx context.Context, by string, o Order) (Order, error)
	// Again files and allows an order that repeats one that has ended.
	Again(ctx context.Context, by string, o Order) (Order, error)
	// Prove files and allows an order that proves a unit again, after the one
	// that is given; without an ID, there is none.
	Prove(ctx context.Context, by string, o Order) (Order, error)
	// Begin puts an order onto a line, under a lease of its unit by name and
	// by serial number. An order that this bench was playing goes on.
	Begin(ctx context.Context, id, line, serial string) (Work, error)
}

// Work is an order that this bench plays.
type Work interface {
	// Valid tells, without asking anybody, whether the unit is still this
	// bench's; it is asked before each answer.
	Valid(now time.Time) bool
	// Lost ends when it is not.
	Lost() context.Context
	// Hold tells that the order waits at a hold, and returns how a person
	// releases it by way of the store. It ends with ctx; its cause is a *Given
	// when a person has released the hold at the bench, and else the hold has
	// lifted. The run waits for none of this.
	Hold(ctx context.Context, h Hold) (Release, Person, error)
	// Stopped waits until a person stops the order by way of the store.
	Stopped(ctx context.Context) (Person, error)
	// Finish has the ending on disk before it returns, and gives the unit up.
	Finish(ctx context.Context, e Ending, good bool, record string) (Order, error)
	// Leave gives the unit up and leaves the order to go on later.
	Leave()
}

// Given is how a person has released a hold at the bench.
type Given struct {
	Release
	By Person
}

func (g *Given) Error() string { return "released by " + g.By.Name }

// LeasedError says that another line or bench has the unit.
type LeasedError struct{ Unit, Holder string }

func (e *LeasedError) Error() string {
	return fmt.Sprintf("unit %s is being played by %s", e.Unit, e.Holder)
}

// book keeps orders in the bench's own notes: for a bench that stands alone.
type book struct {
	notes *notes
	bench string

	mu       sync.Mutex
	leased   map[string]string // unit and serial number -> order
	watchers map[chan Order]bool
}

func newBook(n *notes, bench string) *book {
	return &book{notes: n, bench: bench, leased: map[string]string{}, watchers: map[chan Order]bool{}}
}

// bookDepth is how many orders wait for a watcher of the book; the daemon
// reads at once.
const bookDepth = 1 << 14

func (b *book) Watch(ctx context.Context) (<-chan Order, error) {
	w := make(chan Order, bookDepth)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.notes.read(func(s *saved) {
		for _, o := range s.Orders {
			w <- o
		}
	})
	w <- Order{}
	b.watchers[w] = true
	context.AfterFunc(ctx, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.watchers, w)
		close(w)
	})
	return w, nil
}

// put writes an order down and tells of it.
func (b *book) put(find func(Order) bool, change func(*Order)) (Order, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out Order
	err := b.notes.change(func(s *saved) {
		i := slices.IndexFunc(s.Orders, find)
		if i < 0 {
			s.Orders = append(s.Orders, Order{ID: fmt.Sprintf("o-%04d", len(s.Orders)+1), Filed: time.Now()})
			i = len(s.Orders) - 1
		}
		change(&s.Orders[i])
		s.Orders[i].Rev++
		out = s.Orders[i]
	})
	if err != nil {
		return Order{}, err
	}
	for w := range b.watchers {
		w <- out
	}
	return out, nil
}

func (b *book) Allow(_ context.Context, by string, o Order) (Order, error) {
	open := func(have Order) bool {
		return have.Unit == o.Unit && (have.State == OrderWaiting || have.State.due())
	}
	return b.put(open, func(have *Order) {
		have.Unit, have.Serial, have.Kind = o.Unit, o.Serial, o.Kind
		if !have.State.due() {
			have.State, have.By = OrderAllowed, by
		}
	})
}

func (b *book) Again(ctx context.Context, by string, o Order) (Order, error) {
	return b.Allow(ctx, by, o)
}

func (b *book) Prove(_ context.Context, by string, o Order) (Order, error) {
	open := func(have Order) bool { return have.Unit == o.Unit && have.Task == Prove && !have.State.over() }
	return b.put(open, func(have *Order) {
		have.Unit, have.Serial, have.Kind, have.Task = o.Unit, o.Serial, o.Kind, Prove
		if !have.State.due() {
			have.State, have.By = OrderAllowed, by
		}
	})
}

func (b *book) Begin(_ context.Context, id, line, serial string) (Work, error) {
	var unit string
	b.notes.read(func(s *saved) {
		for _, o := range s.Orders {
			if o.ID == id {
				unit = o.Unit
			}
		}
	})
	if unit == "" {
		return nil, fmt.Errorf("begin order %s: there is none of this name", id)
	}
	keys := []string{"unit " + strings.ToLower(unit)}
	if serial != "" {
		keys = append(keys, "serial "+strings.ToUpper(serial))
	}
	if err := b.lease(unit, keys, line); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	w := &bookWork{book: b, id: id, keys: keys, ctx: ctx, cancel: cancel}
	_, err := b.put(w.is, func(o *Order) { o.State, o.Line, o.Bench = OrderPlaying, line, b.bench })
	if err != nil {
		w.Leave()
		return nil, err
	}
	return w, nil
}

func (b *book) lease(unit string, keys []string, line string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, k := range keys {
		if who, taken := b.leased[k]; taken {
			return &LeasedError{unit, "line " + who}
		}
	}
	for _, k := range keys {
		b.leased[k] = line
	}
	return nil
}

type bookWork struct {
	book   *book
	id     string
	keys   []string
	ctx    context.Context
	cancel context.CancelFunc
}

func (w *bookWork) is(o Order) bool { return o.ID == w.id }

func (w *bookWork) Valid(time.Time) bool  { return w.ctx.Err() == nil }
func (w *bookWork) Lost() context.Context { return w.ctx }

func (w *bookWork) Hold(ctx context.Context, _ Hold) (Release, Person, error) {
	<-ctx.Done()
	return Release{}, Person{}, ctx.Err()
}

func (w *bookWork) Stopped(ctx context.Context) (Person, error) {
	<-ctx.Done()
	return Person{}, ctx.Err()
}

func (w *bookWork) Finish(_ context.Context, e Ending, good bool, _ string) (Order, error) {
	defer w.Leave()
	return w.book.put(w.is, func(o *Order) {
		o.Ending, o.State = &e, OrderNotDone
		if good {
			o.State = OrderDone
		}
	})
}

func (w *bookWork) Leave() {
	w.book.mu.Lock()
	defer w.book.mu.Unlock()
	for _, k := range w.keys {
		delete(w.book.leased, k)
	}
	w.cancel()
}
