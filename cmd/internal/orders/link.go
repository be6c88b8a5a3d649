package orders

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// How often a leaf sees to what it needs the firm for.
const (
	settleEvery = time.Second
	enrolEvery  = 20 * time.Second
)

// link does what a leaf needs the firm for, whenever there is a link: it has
// the firm listen to its orders, takes in the orders that are meant for it,
// and asks for the units of those that were filed here.
func (s *Store) link(ctx context.Context) {
	todo := newErrands()
	var heeded interface{ Wait() }
	enrolled := time.Time{}
	tick := time.NewTicker(settleEvery)
	defer tick.Stop()
	for ctx.Err() == nil {
		if heeded == nil {
			if tasks, err := s.heed(ctx, "", func(c copies) { todo.note(s.errand(c)) }, func() {}); err == nil {
				heeded = tasks
				defer tasks.Wait()
			}
		}
		if s.server.Linked() {
			if time.Since(enrolled) > enrolEvery && s.enrol(ctx) == nil {
				enrolled = time.Now()
			}
			s.run(ctx, todo)
		}
		select {
		case <-ctx.Done():
		case <-todo.news:
		case <-tick.C:
		}
	}
}

// errand is what the firm is needed for with one order; its task is nil when
// there is nothing.
type errand struct {
	order string
	task  func(context.Context, string) error
}

// errand finds out from all that is heard of an order at this leaf.
func (s *Store) errand(c copies) errand {
	mine, have := c[s.home.name]
	theirs, told := c[Firm]
	o := c.order()
	e := errand{order: o.ID}
	switch {
	case told && have && theirs.Place == Firm && theirs.Hand > mine.Hand && mine.Place == s.home.name:
		e.task = s.letGo
	case have && mine.Place == Firm && (!told || theirs.Place != Firm):
		e.task = s.handBack
	case told && theirs.Place == s.home.name && (!have || mine.Hand < theirs.Hand):
		e.task = s.takeIn
	case o.Place == Firm && o.Bench == s.opts.Bench && o.State.Open() && !o.State.OnLine():
		e.task = func(ctx context.Context, id string) error { _, err := s.Claim(ctx, id); return err }
	case o.Place == s.home.name && !o.Granted && o.State.Open():
		e.task = s.askGrant
	}
	return e
}

// run does the errands. What fails is tried again at the next tick; what can
// never work is left until more is heard of the order.
func (s *Store) run(ctx context.Context, todo *errands) {
	for _, e := range todo.all() {
		if ctx.Err() != nil || !s.server.Linked() {
			return
		}
		err := e.task(ctx, e.order)
		var wrong *WrongStateError
		var leased *LeasedError
		switch {
		case err == nil, errors.As(err, &wrong), errors.Is(err, ErrStoreLost):
			todo.done(e)
		case errors.As(err, &leased):
		case ctx.Err() == nil:
			s.opts.Log.Debug().Err(err).Str("order", e.order).Msg("the firm is asked again")
		}
		if err != nil && !errors.As(err, &leased) && ctx.Err() == nil {
			s.opts.Log.Warn().Err(err).Str("order", e.order).Msg("an order could not be settled with the firm")
		}
	}
}

// Claim takes an order of the firm's into this bench's own store, and asks for
// its unit. It needs the link; the bench does it by itself for orders that are
// meant for it.
func (s *Store) Claim(ctx context.Context, id string) (Order, error) {
	if !s.leaf() {
		return s.Get(ctx, id)
	}
	e, err := s.firm.last(ctx, id)
	if err != nil {
		return e.Order, fmt.Errorf("claim order %s: %w", id, err)
	}
	if e.Order.Place != s.home.name {
		_, err = s.write(ctx, s.firm, e.Order, Change{Act: Take, By: s.opts.Bench, Place: s.home.name})
		if errors.Is(err, errBeaten) {
			return s.Claim(ctx, id)
		}
		if err != nil {
			return e.Order, fmt.Errorf("claim order %s: %w", id, err)
		}
	}
	if err := s.takeIn(ctx, id); err != nil {
		return e.Order, err
	}
	if err := s.askGrant(ctx, id); err != nil {
		return e.Order, err
	}
	return s.Get(ctx, id)
}

// ErrStoreLost says that the firm has heard from this bench of an order that
// is not in the bench's store.
var ErrStoreLost = errors.New("the firm has heard of this order from this bench, but the bench's own store does not have it: its files were lost or are older; a person must reclaim the order at the firm after looking at the unit")

// takeIn writes down here what the firm has given to this bench.
func (s *Store) takeIn(ctx context.Context, id string) error {
	given, err := s.firm.last(ctx, id)
	if err != nil {
		return err
	}
	rev := uint64(0)
	mine, err := s.home.last(ctx, id)
	switch {
	case err == nil && (mine.Order.Place == s.home.name || mine.Order.Hand >= given.Order.Hand):
		return nil
	case err == nil:
		rev = mine.Order.rev
	case !errors.Is(err, ErrNoOrder):
		return err
	default:
		heard, err := s.firm.read(ctx, fleetStream, s.home.subject("*", id))
		if err == nil && heard.Order.Hand >= given.Order.Hand {
			return fmt.Errorf("order %s: %w", id, ErrStoreLost)
		}
		if err != nil && !errors.Is(err, ErrNoOrder) {
			return err
		}
	}
	if given.Order.Place != s.home.name {
		return given.Order.refuse(Take, "the firm has it again")
	}
	_, err = s.home.append(ctx, rev, s.opts.Bench, entry{Change{ID: nuid.Next(), Act: Take, By: s.opts.Bench, At: time.Now(), Place: s.home.name}, given.Order})
	return err
}

// askGrant asks the firm to keep an order's unit for this bench. It is asked
// only when the order is this bench's already, and noted at the bench only
// when the firm keeps the unit: so the firm keeps a unit from the moment that
// it can be played until its order is closed or elsewhere.
func (s *Store) askGrant(ctx context.Context, id string) error {
	e, err := s.home.last(ctx, id)
	if err != nil || e.Order.Granted || e.Order.Place != s.home.name {
		return err
	}
	if known, err := s.firm.last(ctx, id); err == nil && known.Order.Place != s.home.name {
		// The same order was filed at the firm while the link was down.
		_, err := s.write(ctx, s.home, e.Order, Change{Act: GiveBack, By: s.opts.Bench})
		return err
	} else if err != nil && !errors.Is(err, ErrNoOrder) {
		return err
	}
	if err := s.grant(ctx, e.Order, e.Order.Serial); err != nil {
		return err
	}
	_, err = s.write(ctx, s.home, e.Order, Change{Act: Grant, By: Firm})
	return err
}

func (s *Store) grant(ctx context.Context, o Order, serial string) error {
	for _, key := range unitKeys(o.Site, o.Unit, serial) {
		if _, err := s.firm.take(ctx, holder{Key: key, Order: o.ID, Bench: s.opts.Bench}, 0, s.freed); err != nil {
			return fmt.Errorf("ask the firm for %s: %w", key, err)
		}
	}
	return nil
}

// grantAlso asks for a serial number that the plan had left open.
func (s *Store) grantAlso(ctx context.Context, o Order, serial string) error {
	if !s.leaf() || serial == "" || serial == o.Serial {
		return nil
	}
	err := s.grant(ctx, o, serial)
	var far *UnreachableError
	if errors.As(err, &far) {
		return errors.Join(ErrNotGranted, err)
	}
	return err
}

// freed tells whether a unit that the firm keeps for a bench may go to
// another: its order is closed, which is for good, or the bench has given it
// back. What is heard late of a bench errs on the side of keeping.
func (s *Store) freed(ctx context.Context, h holder) bool {
	if h.By != "" {
		return false
	}
	_, o, err := s.find(ctx, h.Order)
	var far *UnreachableError
	if err != nil && !errors.As(err, &far) || o.ID == "" {
		return false
	}
	return !o.State.Open() || o.Place != h.Bench
}

// takeBack writes down at the firm that a bench has given an order back.
// given is the order as it is at the bench.
func (s *Store) takeBack(ctx context.Context, given Order) (*place, Order, error) {
	known, err := s.firm.last(ctx, given.ID)
	rev := known.Order.rev
	if err != nil && !errors.Is(err, ErrNoOrder) {
		return nil, given, err
	}
	if err == nil && (known.Order.Place == Firm || known.Order.Hand > given.Hand) {
		return s.follow(ctx, known.Order)
	}
	given.rev = rev
	none := ""
	o, err := s.write(ctx, s.firm, given, Change{Act: Reclaim, By: given.Changed.By, Bench: &none})
	if errors.Is(err, errBeaten) {
		return s.takeBack(ctx, given)
	}
	return s.firm, o, err
}

func (s *Store) handBack(ctx context.Context, id string) error {
	e, err := s.home.last(ctx, id)
	if err != nil || e.Order.Place != Firm {
		return err
	}
	_, _, err = s.takeBack(ctx, e.Order)
	return err
}

// Reclaim takes an order away from a bench that will not come back. Whoever
// does that has made sure that the bench no longer plays it: nothing else
// keeps it from doing so while it is cut off.
func (s *Store) Reclaim(ctx context.Context, id, by, why string) (Order, error) {
	known, err := s.firm.last(ctx, id)
	if err != nil && !errors.Is(err, ErrNoOrder) {
		return Order{}, err
	}
	rev := known.Order.rev
	heard, herr := s.firm.read(ctx, fleetStream, "linehand.*.order.*."+id)
	switch {
	case herr == nil && heard.Order.Hand >= known.Order.Hand:
		known = heard
	case err != nil:
		return Order{}, fmt.Errorf("order %s: %w", id, err)
	}
	if known.Order.Place == Firm {
		return known.Order, known.Order.refuse(Reclaim, "no bench has it")
	}
	known.Order.rev = rev
	none := ""
	return s.write(ctx, s.firm, known.Order, Change{Act: Reclaim, By: by, Why: why, Bench: &none})
}

// letGo writes down here that the firm has taken an order away.
func (s *Store) letGo(ctx context.Context, id string) error {
	given, err := s.firm.last(ctx, id)
	if err != nil {
		return err
	}
	mine, err := s.home.last(ctx, id)
	if err != nil || mine.Order.Place != s.home.name || given.Order.Hand <= mine.Order.Hand {
		return err
	}
	o := given.Order
	o.Place = Firm
	_, err = s.home.append(ctx, mine.Order.rev, s.opts.Bench, entry{Change{ID: nuid.Next(), Act: Reclaim, By: given.Change.By, At: time.Now(), Why: given.Change.Why}, o})
	return err
}

// enrol has the firm listen to this bench: its orders flow into the firm's
// stream of the fleet, its records into a copy. Two benches that enrol at the
// same time can overwrite each other's entry, so it looks again until its own
// stands, and every while.
func (s *Store) enrol(ctx context.Context) error {
	for range 5 {
		fleet, err := s.firm.js.Stream(ctx, fleetStream)
		if err != nil {
			return err
		}
		c := fleet.CachedInfo().Config
		mine := external(s.opts.Bench)
		if slices.ContainsFunc(c.Sources, func(src *jetstream.StreamSource) bool {
			return src.External != nil && src.External.APIPrefix == mine.APIPrefix
		}) {
			return s.mirrorRecords(ctx)
		}
		c.Sources = append(c.Sources, &jetstream.StreamSource{Name: ordersStream, External: mine, FilterSubject: s.home.subject("*", "*")})
		if _, err := s.firm.js.UpdateStream(ctx, c); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(time.Duration(100+rand.IntN(400)) * time.Millisecond):
		}
	}
	return errors.New("too many benches enrol at this moment")
}
