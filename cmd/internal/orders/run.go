package orders

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nuid"
)

// Start is how an order comes onto a line.
type Start struct {
	Line   string
	Serial string // as read off the unit; "": not known
	Person string // who is at the bench; "": nobody
}

// Run is an order that this bench plays. Its player asks Lease.Valid before
// each answer, and gives up when Done's channel closes.
type Run struct {
	Order Order // as it was begun
	Lease *Lease

	store *Store
}

// ErrNotGranted says that the firm has not said yet that this bench has the
// unit; that needs the link to the firm once.
var ErrNotGranted = errors.New("the firm has not given this unit to this bench yet, and it must before the unit is played: it may be on another bench; this comes by itself once the link to the firm is up")

// Begin puts an order onto a line of this bench, under a lease of its unit. An
// order that this bench was playing when it was stopped goes on. Beside the
// errors of an order's state it is a *LeasedError or ErrNotGranted.
func (s *Store) Begin(ctx context.Context, id string, st Start) (*Run, error) {
	if s.opts.Bench == "" {
		return nil, errors.New("only a bench plays orders, and this program has no bench's name")
	}
	o, err := s.ready(ctx, id)
	if err != nil {
		return nil, err
	}
	serial := o.Serial
	if st.Serial != "" {
		serial = st.Serial
	}
	if err := s.grantAlso(ctx, o, serial); err != nil {
		return nil, fmt.Errorf("begin order %s: %w", id, err)
	}
	l, err := s.home.lease(ctx, unitKeys(o.Site, o.Unit, serial), holder{Order: o.ID, Bench: s.opts.Bench, By: s.me}, s.opts.Lease, s.mayRevive)
	if err != nil {
		return nil, fmt.Errorf("begin order %s: %w", id, err)
	}
	o, err = s.change(ctx, id, func(o Order) (Change, error) {
		c := Change{Act: Begin, By: st.Person, Player: s.opts.Bench, Line: st.Line, Serial: st.Serial, Token: l.Token()}
		if o.State.OnLine() {
			c.Act = GoOn
		}
		return c, s.mayPlay(o)
	})
	if err != nil {
		l.End()
		return nil, err
	}
	return &Run{Order: o, Lease: l, store: s}, nil
}

// ready is the order at a place where this bench may play it.
func (s *Store) ready(ctx context.Context, id string) (Order, error) {
	o, err := s.Get(ctx, id)
	if err != nil {
		return o, err
	}
	if s.leaf() && o.Place == Firm {
		if o, err = s.Claim(ctx, id); err != nil {
			return o, err
		}
	}
	return o, s.mayPlay(o)
}

func (s *Store) mayPlay(o Order) error {
	switch {
	case o.Place != s.home.name:
		return o.refuse(Begin, "bench "+o.Place+" has it")
	case o.Bench != "" && o.Bench != s.opts.Bench:
		return o.refuse(Begin, "it is meant for bench "+o.Bench)
	case s.leaf() && !o.Granted:
		return ErrNotGranted
	}
	return nil
}

// mayRevive tells whether a unit may be taken although somebody has it: a
// bench whose order is closed, or an earlier life of this process. The
// embedded server's files are held by one process at a time, so whoever took a
// lease there in the name of this bench has ended.
func (s *Store) mayRevive(ctx context.Context, h holder) bool {
	if h.By == "" {
		return s.freed(ctx, h)
	}
	return s.server.Embedded() && s.opts.Listen == "" && h.Bench == s.opts.Bench && h.By != s.me
}

// Hold raises a hold, with a new ID when it has none.
func (r *Run) Hold(ctx context.Context, h Hold) (Hold, error) {
	h.Order, h.Raised = r.Order.ID, time.Now()
	if h.ID == "" {
		h.ID = nuid.Next()
	}
	_, err := r.store.change(ctx, r.Order.ID, func(Order) (Change, error) {
		return Change{Act: Raise, By: r.store.opts.Bench, Token: r.Lease.Token(), Hold: &h}, nil
	})
	return h, err
}

// StoppedError says that a person wants the run to end.
type StoppedError struct{ Mark }

func (e *StoppedError) Error() string {
	if e.Why == "" {
		return "stopped by " + e.By
	}
	return fmt.Sprintf("stopped by %s: %s", e.By, e.Why)
}

// AwaitRelease waits until a person releases the hold. It ends with a
// *StoppedError when the order is stopped instead, and with the cause of the
// context's or the lease's end.
func (r *Run) AwaitRelease(ctx context.Context, hold string) (Release, error) {
	ctx, cancel := r.within(ctx)
	defer cancel(nil)
	for o, err := range r.store.follows(ctx, r.Order.ID) {
		switch {
		case err != nil:
			return Release{}, err
		case o.Place != r.store.home.name:
			return Release{}, o.refuse(GoOn, "bench "+r.Order.Player+" no longer has it")
		case o.Token != r.Lease.Token():
			return Release{}, &FencedError{Order: o.ID, Had: r.Lease.Token(), Have: o.Token}
		case o.Release != nil && o.Release.Hold == hold:
			return *o.Release, nil
		case o.Stop != nil:
			return Release{}, &StoppedError{*o.Stop}
		}
	}
	return Release{}, context.Cause(ctx)
}

// AwaitStop waits until a person stops the order: a *StoppedError. It ends
// also as AwaitRelease does.
func (r *Run) AwaitStop(ctx context.Context) error {
	ctx, cancel := r.within(ctx)
	defer cancel(nil)
	for o, err := range r.store.follows(ctx, r.Order.ID) {
		switch {
		case err != nil:
			return err
		case o.Place != r.store.home.name:
			return o.refuse(GoOn, "bench "+r.Order.Player+" no longer has it")
		case o.Token != r.Lease.Token():
			return &FencedError{Order: o.ID, Had: r.Lease.Token(), Have: o.Token}
		case o.Stop != nil:
			return &StoppedError{*o.Stop}
		}
	}
	return context.Cause(ctx)
}

// within is a context that ends with the lease, too.
func (r *Run) within(ctx context.Context) (context.Context, context.CancelCauseFunc) {
	both, cancel := context.WithCancelCause(ctx)
	stop := context.AfterFunc(r.Lease.Context(), func() { cancel(context.Cause(r.Lease.Context())) })
	return both, func(cause error) { stop(); cancel(cause) }
}

// Finish notes how the run has ended and gives the unit up. The unit is given
// up also when the ending could not be noted.
func (r *Run) Finish(ctx context.Context, e Ending, rec *Record) (Order, error) {
	defer r.Lease.End()
	return r.store.change(ctx, r.Order.ID, func(Order) (Change, error) {
		return Change{Act: End, By: r.store.opts.Bench, Token: r.Lease.Token(), Ending: &e, Record: rec}, nil
	})
}

// Leave gives the unit up and leaves the order as it is, for when the bench is
// shut down in the middle: it goes on when the bench is there again.
func (r *Run) Leave() { r.Lease.End() }
