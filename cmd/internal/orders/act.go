package orders

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nuid"
)

// File files an order. To file the same ID again changes nothing and gives
// the order as it is by now. A bench with a store of its own files there, and
// needs no link for it.
func (s *Store) File(ctx context.Context, f Filing) (Order, error) {
	if err := f.check(); err != nil {
		return Order{}, fmt.Errorf("file an order: %w", err)
	}
	given := f.ID != ""
	if !given {
		f.ID = nuid.Next()
	}
	if given {
		// It may have been filed elsewhere, and have moved since.
		o, err := s.Get(ctx, f.ID)
		var far *UnreachableError
		if err == nil || !errors.Is(err, ErrNoOrder) && !(s.leaf() && errors.As(err, &far)) {
			return o, err
		}
	}
	if s.leaf() && f.Bench != "" && f.Bench != s.opts.Bench {
		return s.fileAt(ctx, s.firm, f)
	}
	if s.leaf() {
		f.Bench = s.opts.Bench
	}
	return s.fileAt(ctx, s.home, f)
}

func (s *Store) fileAt(ctx context.Context, p *place, f Filing) (Order, error) {
	c := Change{ID: nuid.Next(), Act: File, By: f.Person, At: time.Now()}
	o, err := p.append(ctx, 0, f.Bench, entry{c, fileOrder(f, c, p.name)})
	if errors.Is(err, errBeaten) {
		return s.Get(ctx, f.ID)
	}
	if err != nil {
		return Order{}, fmt.Errorf("file an order for %s: %w", f.Unit, err)
	}
	return o, nil
}

// Get is an order as it is now. Where its place cannot be reached, it is the
// order as it was heard of last, with Behind set. An error is ErrNoOrder or an
// *UnreachableError.
func (s *Store) Get(ctx context.Context, id string) (Order, error) {
	_, o, err := s.find(ctx, id)
	var far *UnreachableError
	if errors.As(err, &far) && o.ID != "" {
		o.Behind = true
		return o, nil
	}
	if err != nil {
		return Order{}, fmt.Errorf("order %s: %w", id, err)
	}
	return o, nil
}

// find is an order with the place where it may be changed. Beside an
// *UnreachableError it is the order as it was heard of last, if it was.
func (s *Store) find(ctx context.Context, id string) (*place, Order, error) {
	if err := goodName("order", id); err != nil {
		return nil, Order{}, err
	}
	if s.leaf() {
		e, err := s.home.last(ctx, id)
		if err == nil && e.Order.Place == s.home.name {
			return s.home, e.Order, nil
		}
		if err != nil && !errors.Is(err, ErrNoOrder) {
			return nil, Order{}, err
		}
	}
	e, err := s.firm.last(ctx, id)
	if errors.Is(err, ErrNoOrder) {
		e, err = s.firm.read(ctx, fleetStream, "linehand.*.order.*."+id)
	}
	if err != nil {
		return nil, e.Order, err
	}
	return s.follow(ctx, e.Order)
}

// follow goes from what the firm knows of an order to the place that has it.
func (s *Store) follow(ctx context.Context, known Order) (*place, Order, error) {
	if known.Place == Firm {
		return s.firm, known, nil
	}
	p, err := s.place(known.Place)
	if err != nil {
		return nil, known, err
	}
	e, err := p.last(ctx, known.ID)
	switch {
	case errors.Is(err, ErrNoOrder), err == nil && e.Order.Hand < known.Hand:
		return nil, known, &UnreachableError{p.name, errors.New("the order is on its way there")}
	case err != nil:
		if heard, herr := s.firm.read(ctx, fleetStream, p.subject("*", known.ID)); herr == nil && heard.Order.Hand >= known.Hand {
			known = heard.Order
		}
		return nil, known, err
	case e.Order.Place == Firm:
		return s.takeBack(ctx, e.Order)
	}
	return p, e.Order, nil
}

// change does one thing to an order, as often as others come first. make says
// what, from the order as it is.
func (s *Store) change(ctx context.Context, id string, make func(Order) (Change, error)) (Order, error) {
	for {
		p, o, err := s.find(ctx, id)
		if err != nil {
			return Order{}, fmt.Errorf("order %s: %w", id, err)
		}
		c, err := make(o)
		if err != nil {
			return o, err
		}
		next, err := s.write(ctx, p, o, c)
		if !errors.Is(err, errBeaten) {
			return next, err
		}
		select {
		case <-ctx.Done():
			return o, context.Cause(ctx)
		case <-time.After(time.Millisecond):
		}
	}
}

// write does c to the order o at its place.
func (s *Store) write(ctx context.Context, p *place, o Order, c Change) (Order, error) {
	if c.ID == "" {
		c.ID = nuid.Next()
	}
	if c.At.IsZero() {
		c.At = time.Now()
	}
	next, err := o.After(c)
	if err != nil {
		return o, err
	}
	bench := next.Bench
	if bench == "" {
		bench = o.Bench // whose it was is to hear of it
	}
	written, err := p.append(ctx, o.rev, bench, entry{c, next})
	if err != nil {
		return o, err
	}
	return written, nil
}

// Assign says which bench is to play an order; "": any. An order that a bench
// with a store of its own has taken is given back by it first, which needs the
// link to it.
func (s *Store) Assign(ctx context.Context, id, bench, by string) (Order, error) {
	if bench != "" {
		if err := goodName("bench", bench); err != nil {
			return Order{}, err
		}
	}
	o, err := s.Get(ctx, id)
	if err != nil || o.Bench == bench {
		return o, err
	}
	if s.leaf() && !s.Linked() {
		return o, fmt.Errorf("order %s: %w", id, &UnreachableError{Firm, errNoLink})
	}
	if o.Place != Firm {
		if _, err := s.change(ctx, id, func(Order) (Change, error) { return Change{Act: GiveBack, By: by}, nil }); err != nil {
			return o, err
		}
	}
	for _, next := range []string{"", bench} { // in two steps: whose it was is to hear of it, and whose it is
		o, err = s.change(ctx, id, func(o Order) (Change, error) { return Change{Act: Move, By: by, Bench: &next}, nil })
		if err != nil || next == bench {
			break
		}
	}
	return o, err
}

// Allow lets an order be played.
func (s *Store) Allow(ctx context.Context, id string, how Allowance, by string) (Order, error) {
	if how == "" {
		how = PerUnit
	}
	return s.change(ctx, id, func(Order) (Change, error) {
		return Change{Act: Allow, By: by, Allowance: how}, nil
	})
}

// allowedAtOnce is how many orders of a batch are allowed at the same time:
// the store writes what comes together to disk together.
const allowedAtOnce = 32

// AllowBatch lets all waiting orders of a batch be played. It gives those that
// it has allowed, also beside an error.
func (s *Store) AllowBatch(ctx context.Context, site, batch, by string) ([]Order, error) {
	all, err := s.List(ctx, Filter{Site: site, Batch: batch, State: Waiting})
	if err != nil {
		return nil, err
	}
	done, errs := make([]Order, len(all)), make([]error, len(all))
	var tasks sync.WaitGroup
	places := make(chan struct{}, allowedAtOnce)
	for i, o := range all {
		places <- struct{}{}
		tasks.Go(func() {
			defer func() { <-places }()
			done[i], errs[i] = s.Allow(ctx, o.ID, PerBatch, by)
		})
	}
	tasks.Wait()
	var allowed []Order
	for i, o := range done {
		if errs[i] == nil {
			allowed = append(allowed, o)
		}
	}
	return allowed, errors.Join(errs...)
}

// Move changes an order's position.
func (s *Store) Move(ctx context.Context, id string, position float64, by string) (Order, error) {
	return s.change(ctx, id, func(Order) (Change, error) {
		return Change{Act: Move, By: by, Position: &position}, nil
	})
}

// MoveBefore puts an order right before another one of the list.
func (s *Store) MoveBefore(ctx context.Context, id, other, by string) (Order, error) {
	list, err := s.List(ctx, Filter{})
	if err != nil {
		return Order{}, err
	}
	low, high, found := 0.0, 0.0, false
	for _, o := range list {
		if o.ID == other {
			high, found = o.Position, true
			break
		}
		if o.ID != id {
			low = o.Position
		}
	}
	if !found {
		return Order{}, fmt.Errorf("order %s: %w", other, ErrNoOrder)
	}
	return s.Move(ctx, id, low+(high-low)/2, by)
}

// Stop takes an order off: at once when nobody plays it; else its bench is
// told, ends what it is typing in good order, and then it is withdrawn.
func (s *Store) Stop(ctx context.Context, id, by, why string) (Order, error) {
	return s.change(ctx, id, func(o Order) (Change, error) {
		if o.State.OnLine() {
			return Change{Act: Stop, By: by, Why: why}, nil
		}
		return Change{Act: Withdraw, By: by, Why: why}, nil
	})
}

// Again tries again what was not done. What is done or withdrawn is not
// opened again: that is a new order, which names the old one in Repeats.
func (s *Store) Again(ctx context.Context, id, by string) (Order, error) {
	o, err := s.Get(ctx, id)
	if err != nil {
		return o, err
	}
	if o.State.Open() {
		return s.change(ctx, id, func(Order) (Change, error) { return Change{Act: Repeat, By: by}, nil })
	}
	// Named after the old one, so that two who ask at once file one order.
	return s.File(ctx, Filing{
		ID: successor(o.ID), Site: o.Site, Unit: o.Unit, Serial: o.Serial, Kind: o.Kind, Batch: o.Batch, Bench: o.Bench, Person: by, Repeats: o.ID,
		Task: o.Task,
	})
}

// ProveAgain files an order that proves the unit of one that was played, and
// lets it be played.
func (s *Store) ProveAgain(ctx context.Context, id, by string) (Order, error) {
	o, err := s.Get(ctx, id)
	if err != nil {
		return o, err
	}
	switch o.State {
	case Done, Withdrawn:
	case NotDone: // it keeps its unit as long as it may be tried again
		if o, err = s.Stop(ctx, id, by, "the order after it proves the unit"); err != nil {
			return o, err
		}
	default:
		return o, o.refuse(File, "it has not been played to an end")
	}
	return s.File(ctx, Filing{
		ID: successor(o.ID), Site: o.Site, Unit: o.Unit, Serial: o.Serial, Kind: o.Kind, Batch: o.Batch, Bench: o.Bench, Person: by, Repeats: o.ID,
		Task: Prove, Allowance: PerUnit,
	})
}

// Release releases a hold. Who comes second gets a *ReleasedError that says
// who was first; who gives a secret, a *SecretError that says where it goes.
func (s *Store) Release(ctx context.Context, order string, r Release) (Order, error) {
	if r.Secret {
		return s.secretElsewhere(ctx, order)
	}
	return s.change(ctx, order, func(Order) (Change, error) {
		r.At = time.Now()
		return Change{Act: Let, By: r.By, At: r.At, Release: &r}, nil
	})
}
