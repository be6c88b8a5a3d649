package orders

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Firm is the place of orders that no bench with a store of its own has taken.
const Firm = "firm"

// nobody stands in a subject where no bench is named.
const nobody = "any"

// The streams of a place.
const (
	ordersStream  = "linehand-orders"  // each change of each order
	leasesStream  = "linehand-leases"  // who plays which unit
	benchesStream = "linehand-benches" // which benches are there
	fleetStream   = "linehand-fleet"   // at the firm: the orders of all benches with a store of their own
	handedStream  = "linehand-handed"  // at such a bench: what the firm has for it
)

// place is one store of orders: the firm's, or that of a bench that goes on
// without the firm. Every change of an order is one message on
//
//	linehand.PLACE.order.BENCH.ORDER
//
// with the order as it is afterwards; so the last message of an order is the
// order. A change is written only on top of the change that it was made from,
// by the stream's own comparison of sequence numbers.
type place struct {
	name string
	js   jetstream.JetStream
	own  bool // the store that this process cannot do without

	linked func() bool // nil: always
}

// entry is a message of the stream of orders.
type entry struct {
	Change Change `json:"change"`
	Order  Order  `json:"order"`
}

// errBeaten says that another change came first.
var errBeaten = errors.New("another change came first")

// ErrNoOrder says that there is no such order.
var ErrNoOrder = errors.New("there is no such order")

var errNoLink = errors.New("there is no link to the firm")

// UnreachableError says that the place where an order may be changed cannot be
// reached now.
type UnreachableError struct {
	Place string
	Err   error
}

func (e *UnreachableError) Error() string {
	if e.Place == Firm {
		return "the firm's store cannot be reached; the bench goes on with what it has: " + e.Err.Error()
	}
	return fmt.Sprintf("bench %s cannot be reached; it goes on with what it has: %v", e.Place, e.Err)
}

// Unwrap gives the cause.
func (e *UnreachableError) Unwrap() error { return e.Err }

// How long is tried.
const (
	oneTry      = 2 * time.Second  // until an answer is given up
	ownPatience = 30 * time.Second // through the election of a leader
	farPatience = 3 * time.Second  // over a link that may be down
	pause       = 50 * time.Millisecond
)

func (p *place) subject(bench, id string) string {
	if bench == "" {
		bench = nobody
	}
	return "linehand." + p.name + ".order." + bench + "." + id
}

// last is the order as its place has it.
func (p *place) last(ctx context.Context, id string) (entry, error) {
	return p.read(ctx, ordersStream, p.subject("*", id))
}

func (p *place) read(ctx context.Context, stream, subject string) (e entry, err error) {
	err = p.try(ctx, func(ctx context.Context) error {
		raw, err := p.message(ctx, stream, 0, subject)
		if err != nil {
			return err
		}
		e, err = decode(raw.Data, raw.Sequence)
		return err
	})
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return entry{}, ErrNoOrder
	}
	return e, err
}

// message is the first one of the subject at or behind the sequence number; 0:
// the last one. The stream is not looked up first: that would be a round trip
// more for each change.
func (p *place) message(ctx context.Context, stream string, from uint64, subject string) (*jetstream.RawStreamMsg, error) {
	s, err := p.js.Stream(ctx, stream)
	if err != nil {
		return nil, err
	}
	if from > 0 {
		return s.GetMsg(ctx, from, jetstream.WithGetMsgSubject(subject))
	}
	return s.GetLastMsgForSubject(ctx, subject)
}

func decode(data []byte, seq uint64) (entry, error) {
	var e entry
	if err := json.Unmarshal(data, &e); err != nil {
		return e, fmt.Errorf("change %d in the store of orders cannot be read: %w", seq, err)
	}
	e.Order.rev = seq
	return e, nil
}

// append writes an entry on top of the change with sequence number rev (0: it
// is the first). bench is the one that its subject names. An error is
// errBeaten, or that of a store that cannot be reached.
func (p *place) append(ctx context.Context, rev uint64, bench string, e entry) (Order, error) {
	e.Order.rev, e.Order.Behind = 0, false
	data, err := json.Marshal(e)
	if err != nil {
		return Order{}, fmt.Errorf("write down a change of order %s: %w", e.Order.ID, err)
	}
	msg := nats.NewMsg(p.subject(bench, e.Order.ID))
	msg.Data = data
	all := p.subject("*", e.Order.ID)
	doubtful := false // an earlier try may have arrived although no answer came
	err = p.try(ctx, func(ctx context.Context) error {
		ack, err := p.js.PublishMsg(ctx, msg, jetstream.WithMsgID(e.Change.ID), jetstream.WithExpectLastSequenceForSubject(rev, all), jetstream.WithExpectStream(ordersStream))
		switch {
		case err == nil:
			e.Order.rev = ack.Sequence
			return nil
		case !wrongSequence(err):
			doubtful = true
			return err
		}
		if !doubtful {
			return errBeaten
		}
		seq, mine, err := p.mine(ctx, rev, all, e.Change.ID)
		if err != nil {
			return err
		}
		if !mine {
			return errBeaten
		}
		e.Order.rev = seq
		return nil
	})
	return e.Order, err
}

// mine tells whether the change that was written on top of rev is the one with
// this ID. It says so also when more has been written since.
func (p *place) mine(ctx context.Context, rev uint64, subject, id string) (uint64, bool, error) {
	raw, err := p.message(ctx, ordersStream, rev+1, subject)
	if err != nil {
		return 0, false, err
	}
	e, err := decode(raw.Data, raw.Sequence)
	return raw.Sequence, err == nil && e.Change.ID == id, err
}

// codes of the server's refusals.
const (
	codeWrongSequence         jetstream.ErrorCode = 10071
	codeWrongSequenceInFlight jetstream.ErrorCode = 10164 // another is being written at this moment
)

func wrongSequence(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == codeWrongSequence || api.ErrorCode == codeWrongSequenceInFlight)
}

// final tells whether trying again would not help.
func final(err error) bool {
	var api *jetstream.APIError
	var leased *LeasedError
	switch {
	case errors.As(err, &leased):
		return true
	case errors.Is(err, errBeaten), errors.Is(err, jetstream.ErrMsgNotFound), errors.Is(err, nats.ErrConnectionClosed), errors.Is(err, nats.ErrMaxPayload):
		return true
	case errors.As(err, &api):
		return api.Code < 500 && wrongSequence(err)
	default:
		var syntax *json.SyntaxError
		return errors.As(err, &syntax)
	}
}

// try tries until it works, or trying again would not help, or patience ends.
func (p *place) try(ctx context.Context, what func(context.Context) error) error {
	patience := farPatience
	if p.own {
		patience = ownPatience
	}
	asked := ctx
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		if p.linked != nil && !p.linked() {
			return &UnreachableError{p.name, errNoLink}
		}
		once, stop := context.WithTimeout(ctx, oneTry)
		err := what(once)
		stop()
		if err == nil || final(err) {
			return err
		}
		select {
		case <-ctx.Done():
			if asked.Err() != nil {
				return context.Cause(asked)
			}
			return &UnreachableError{p.name, err}
		case <-time.After(pause):
		}
	}
}
