package orders

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"iter"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Filter says which orders. What is empty fits all.
type Filter struct {
	Site, Unit, Serial, Batch, Bench string
	State                            State
}

// Fits tells whether an order is one of them.
func (f Filter) Fits(o Order) bool {
	same := func(want, is string) bool { return want == "" || strings.EqualFold(want, is) }
	return same(f.Site, o.Site) && same(f.Unit, o.Unit) && same(f.Serial, o.Serial) && same(f.Batch, o.Batch) &&
		(f.Bench == "" || f.Bench == o.Bench || f.Bench == o.Player) && (f.State == "" || f.State == o.State)
}

// copies are what is heard of one order: at most one from each place.
type copies map[string]Order

// hear takes in what was heard from a place, and tells whether it is news.
func (c copies) hear(from string, o Order) bool {
	if had, ok := c[from]; ok && had.rev >= o.rev {
		return false
	}
	c[from] = o
	return true
}

// order is what all of that comes to. The firm's word counts as far as it has
// the order; then that of the bench that has taken it, once it is heard.
func (c copies) order() Order {
	at, ok := c[Firm]
	if !ok {
		for _, o := range c { // filed at a bench, and never handed over
			return o
		}
	}
	if at.Place != Firm {
		if there, ok := c[at.Place]; ok && there.Hand >= at.Hand {
			return there
		}
	}
	return at
}

// inbox is what List and Watch read from: a stream and its subject.
type inbox struct {
	place   *place
	stream  string
	subject string
}

// inboxes are all streams in which this store hears of orders without a link.
func (s *Store) inboxes() []inbox {
	if s.leaf() {
		return []inbox{{s.home, ordersStream, s.home.subject("*", "*")}, {s.home, handedStream, s.firm.subject("*", "*")}}
	}
	return []inbox{{s.firm, ordersStream, s.firm.subject("*", "*")}, {s.firm, fleetStream, "linehand.*.order.*.*"}}
}

// Update is news of an order.
type Update struct {
	Order Order

	// Current says that all orders as they were when the watch began have been
	// told; Order is then empty.
	Current bool
}

// Watch tells every order as it is, once, and then each change as it comes;
// where changes follow each other fast, perhaps only the last of them. The
// channel closes when ctx ends. Whoever is slow to read keeps back only this
// watch.
func (s *Store) Watch(ctx context.Context) (<-chan Update, error) { return s.WatchSite(ctx, "") }

// WatchSite is Watch for the orders of one site; "": of all. What is heard of
// others is thrown away before it is read, so that a firm may have many.
func (s *Store) WatchSite(ctx context.Context, site string) (<-chan Update, error) {
	out := make(chan Update)
	send := func(u Update) {
		select {
		case out <- u:
		case <-ctx.Done():
		}
	}
	tasks, err := s.heed(ctx, site, func(c copies) { send(Update{Order: c.order()}) }, func() { send(Update{Current: true}) })
	if err != nil {
		return nil, err
	}
	go func() {
		tasks.Wait()
		close(out)
	}()
	return out, nil
}

// heed calls told with all that is heard of an order, one order at a time, and
// current once all that was there has been told. Its tasks end with ctx.
func (s *Store) heed(ctx context.Context, site string, told func(copies), current func()) (*sync.WaitGroup, error) {
	w := &watch{known: map[string]copies{}, told: told, current: current}
	var subs []*subscription
	for _, b := range s.inboxes() {
		sub, err := s.subscribe(ctx, b)
		if err != nil {
			for _, sub := range subs {
				sub.msgs.Stop()
			}
			return nil, err
		}
		sub.mark = siteMark(site)
		subs = append(subs, sub)
	}
	w.pending = len(subs)
	for _, sub := range subs {
		w.tasks.Go(func() { sub.run(ctx, w) })
	}
	return &w.tasks, nil
}

// watch brings together what several inboxes tell.
type watch struct {
	told    func(copies)
	current func()
	tasks   sync.WaitGroup

	mu      sync.Mutex
	known   map[string]copies
	pending int // inboxes that are not yet current
}

func (w *watch) tell(from string, o Order) {
	w.mu.Lock()
	defer w.mu.Unlock()
	c, ok := w.known[o.ID]
	if !ok {
		c = copies{}
		w.known[o.ID] = c
	}
	if c.hear(from, o) {
		w.told(c)
	}
}

func (w *watch) done() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.pending--; w.pending == 0 {
		w.current()
	}
}

// subscription is an inbox being read.
type subscription struct {
	box     inbox
	msgs    jetstream.MessagesContext
	waiting uint64 // how many messages there were at the beginning
	mark    []byte // what a message must hold to be read; nil: nothing
}

// siteMark is what every message about an order of a site holds.
func siteMark(site string) []byte {
	if site == "" {
		return nil
	}
	text, err := json.Marshal(site)
	if err != nil {
		return nil
	}
	return append([]byte(`"site":`), text...)
}

func (s *Store) subscribe(ctx context.Context, b inbox) (*subscription, error) {
	sub := &subscription{box: b}
	err := b.place.try(ctx, func(once context.Context) error {
		c, err := b.place.js.OrderedConsumer(once, b.stream, jetstream.OrderedConsumerConfig{
			DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy, FilterSubjects: []string{b.subject}, InactiveThreshold: forgottenAfter,
		})
		if err != nil {
			return err
		}
		sub.waiting = c.CachedInfo().NumPending
		sub.msgs, err = c.Messages(jetstream.PullMaxMessages(500), jetstream.WithMessagesErrOnMissingHeartbeat(false))
		return err
	})
	if err != nil {
		return nil, err
	}
	return sub, nil
}

// forgottenAfter is when a server forgets one who has stopped reading; until
// then it counts among all that a stream is read by, of which there is a limit.
const forgottenAfter = 2 * time.Minute

// run reads until ctx ends.
func (sub *subscription) run(ctx context.Context, w *watch) {
	for from, o := range sub.orders(ctx, w.done) {
		w.tell(from, o)
	}
}

// orders are what the inbox holds and what comes, with the place that it is
// from. current is called once all that was there has been told.
func (sub *subscription) orders(ctx context.Context, current func()) iter.Seq2[string, Order] {
	return func(yield func(string, Order) bool) {
		defer sub.msgs.Stop()
		left := sub.waiting
		if left == 0 {
			current()
		}
		for {
			msg, err := sub.msgs.Next(jetstream.NextContext(ctx))
			if ctx.Err() != nil || errors.Is(err, jetstream.ErrMsgIteratorClosed) {
				return
			}
			if err != nil { // the consumer makes itself anew
				select {
				case <-ctx.Done():
				case <-time.After(pause):
				}
				continue
			}
			seq := uint64(0)
			if meta, err := msg.Metadata(); err == nil {
				seq = meta.Sequence.Stream
			}
			if !bytes.Contains(msg.Data(), sub.mark) {
				// of another site
			} else if e, err := decode(msg.Data(), seq); err == nil && !yield(fromPlace(msg.Subject()), e.Order) {
				return
			}
			if left > 0 {
				if left--; left == 0 {
					current()
				}
			}
		}
	}
}

func fromPlace(subject string) string {
	parts := strings.SplitN(subject, ".", 3)
	if len(parts) < 3 {
		return ""
	}
	return parts[1]
}

// List is the orders that fit, by position. A bench with a store of its own
// lists those that it has or is to have.
func (s *Store) List(ctx context.Context, f Filter) ([]Order, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	known := map[string]copies{}
	for _, b := range s.inboxes() {
		sub, err := s.subscribe(ctx, b)
		if err != nil {
			return nil, err
		}
		sub.read(ctx, known)
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	var list []Order
	for _, c := range known {
		if o := c.order(); f.Fits(o) && s.ours(o) {
			list = append(list, o)
		}
	}
	slices.SortFunc(list, byPosition)
	return list, nil
}

// ours tells whether an order is one to list here: not one that was meant for
// this bench once, and is another's now.
func (s *Store) ours(o Order) bool {
	return !s.leaf() || o.Place == s.home.name || o.Bench == s.opts.Bench
}

// read takes in what is there, and does not wait for more.
func (sub *subscription) read(ctx context.Context, known map[string]copies) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if sub.waiting == 0 {
		sub.msgs.Stop()
		return
	}
	for from, o := range sub.orders(ctx, cancel) {
		if known[o.ID] == nil {
			known[o.ID] = copies{}
		}
		known[o.ID].hear(from, o)
	}
}

func byPosition(a, b Order) int {
	return cmp.Or(cmp.Compare(a.Position, b.Position), a.Filed.Compare(b.Filed), cmp.Compare(a.ID, b.ID))
}

// follows is an order of this store's own place as it is, and each change of it.
func (s *Store) follows(ctx context.Context, id string) iter.Seq2[Order, error] {
	return func(yield func(Order, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		sub, err := s.subscribe(ctx, inbox{s.home, ordersStream, s.home.subject("*", id)})
		if err != nil {
			yield(Order{}, err)
			return
		}
		known := copies{}
		for from, o := range sub.orders(ctx, func() {}) {
			if known.hear(from, o) && !yield(o, nil) {
				return
			}
		}
	}
}

// History is each change of an order at the place that has it, from the first.
func (s *Store) History(ctx context.Context, id string) ([]Change, error) {
	p, _, err := s.find(ctx, id)
	if err != nil {
		return nil, err
	}
	var all []Change
	for next := uint64(1); ; {
		var e entry
		err := p.try(ctx, func(ctx context.Context) error {
			raw, err := p.message(ctx, ordersStream, next, p.subject("*", id))
			if err != nil {
				return err
			}
			e, err = decode(raw.Data, raw.Sequence)
			return err
		})
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		all, next = append(all, e.Change), e.Order.rev+1
	}
}

// successor is the ID of the order that repeats the one with this ID.
func successor(id string) string {
	stem, count := id, 1
	if i := strings.LastIndexByte(id, '-'); i > 0 {
		if n, err := strconv.Atoi(id[i+1:]); err == nil && n > 1 {
			stem, count = id[:i], n
		}
	}
	end := "-" + strconv.Itoa(count+1)
	return stem[:min(len(stem), 63-len(end))] + end
}
