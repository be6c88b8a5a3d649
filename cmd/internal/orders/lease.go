package orders

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Lease is one bench's right to play one unit. It ends by itself when its
// bench no longer renews it, and then another may have the unit.
//
// A process that was stopped for a while does not notice by itself that its
// lease has ended. So it asks Valid before each answer that it types. Valid
// costs no message: it compares with a deadline that lies a third of the lease
// before the time at which the store lets another have the unit, counted from
// before the renewal was sent. The wall clock counts as well as the monotonic
// one, which stands still while a machine is suspended.
type Lease struct {
	place *place
	keys  []string
	token uint64
	lasts time.Duration
	owner holder

	ctx  context.Context
	lose context.CancelCauseFunc
	done chan struct{}

	mu    sync.Mutex
	revs  []uint64
	until time.Time // by the monotonic clock
	wall  time.Time // by the wall clock
}

// holder is what a lease's message holds.
type holder struct {
	Key   string `json:"key"` // for people
	Order string `json:"order"`
	Bench string `json:"bench"`
	By    string `json:"by"`             // the process; "": a bench with a store of its own, until it gives the unit up
	Free  bool   `json:"free,omitempty"` // nobody
}

// LeasedError says that another bench has the unit.
type LeasedError struct{ Key, Bench, Order string }

func (e *LeasedError) Error() string {
	return fmt.Sprintf("%s is taken by bench %s for order %s", e.Key, e.Bench, e.Order)
}

// ErrLeaseLost is the cause of the end of a lease's context when the lease
// could not be renewed in time, or another has it.
var ErrLeaseLost = errors.New("the unit is no longer this bench's: its lease could not be renewed in time")

// ErrLeaseEnded is the cause after a lease was given up.
var ErrLeaseEnded = errors.New("the lease was given up")

// unitKeys are what no two benches may have at once: the unit of the plan, and
// the serial number where it is known.
func unitKeys(site, unit, serial string) []string {
	keys := []string{fmt.Sprintf("unit %s of %s", strings.ToLower(unit), strings.ToLower(site))}
	if serial = strings.ToUpper(strings.TrimSpace(serial)); serial != "" {
		keys = append(keys, "serial number "+serial)
	}
	return keys
}

func (p *place) leaseSubject(key string) string {
	sum := sha256.Sum256([]byte(key))
	return "linehand." + p.name + ".lease." + hex.EncodeToString(sum[:16])
}

// held is who has a key, and the sequence number of saying so; 0: nobody yet.
func (p *place) held(ctx context.Context, key string) (h holder, rev uint64, err error) {
	err = p.try(ctx, func(ctx context.Context) error {
		raw, err := p.message(ctx, leasesStream, 0, p.leaseSubject(key))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			h, rev = holder{Free: true}, 0
			return nil
		}
		if err != nil {
			return err
		}
		h, rev = holder{}, raw.Sequence
		if len(raw.Data) == 0 {
			h.Free = true
			return nil
		}
		return json.Unmarshal(raw.Data, &h)
	})
	return h, rev, err
}

// say puts h in place of the message with sequence number rev. lasts 0: until
// it is put away.
func (p *place) say(ctx context.Context, rev uint64, h holder, lasts time.Duration) (uint64, error) {
	data, err := json.Marshal(h)
	if err != nil {
		return 0, err
	}
	msg := nats.NewMsg(p.leaseSubject(h.Key))
	msg.Data = data
	opts := []jetstream.PublishOpt{jetstream.WithExpectLastSequencePerSubject(rev), jetstream.WithExpectStream(leasesStream)}
	if lasts > 0 {
		opts = append(opts, jetstream.WithMsgTTL(lasts))
	}
	ack, err := p.js.PublishMsg(ctx, msg, opts...)
	if err != nil {
		if wrongSequence(err) {
			return 0, errBeaten
		}
		return 0, err
	}
	return ack.Sequence, nil
}

// take gets one key, or says with a *LeasedError who has it. freed tells
// whether what another has may be taken all the same.
func (p *place) take(ctx context.Context, h holder, lasts time.Duration, freed func(context.Context, holder) bool) (rev uint64, err error) {
	err = p.try(ctx, func(ctx context.Context) error {
		has, at, err := p.held(ctx, h.Key)
		if err != nil {
			return err
		}
		if !has.Free && has != h && (freed == nil || !freed(ctx, has)) {
			return &LeasedError{h.Key, has.Bench, has.Order}
		}
		rev, err = p.say(ctx, at, h, lasts)
		return retried(err)
	})
	return rev, err
}

// retried lets a loop of tries read again after another came first.
func retried(err error) error {
	if errors.Is(err, errBeaten) {
		return errors.New("another was faster")
	}
	return err
}

// lease takes the keys, and renews them until the lease is ended. revive tells
// which lease of an earlier process may be taken over at once.
func (p *place) lease(ctx context.Context, keys []string, owner holder, lasts time.Duration, revive func(context.Context, holder) bool) (*Lease, error) {
	l := &Lease{place: p, lasts: lasts, owner: owner, done: make(chan struct{})}
	for _, key := range keys {
		begun := time.Now()
		owner.Key = key
		rev, err := p.take(ctx, owner, lasts, revive)
		if err != nil {
			l.free()
			return nil, err
		}
		if l.keys == nil {
			l.extend(begun) // the first is the oldest
			l.token = rev
		}
		l.keys, l.revs = append(l.keys, key), append(l.revs, rev)
	}
	l.ctx, l.lose = context.WithCancelCause(context.Background())
	go l.keep()
	return l, nil
}

// extend sets the deadlines after a renewal that was sent at this time.
func (l *Lease) extend(sent time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.until = sent.Add(l.lasts - l.lasts/3)
	l.wall = l.until.Round(0)
}

// Valid tells whether the unit is still this bench's at the time now, which is
// what time.Now gave.
func (l *Lease) Valid(now time.Time) bool {
	if l.ctx.Err() != nil {
		return false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return now.Before(l.until) && now.Round(0).Before(l.wall)
}

// Context ends when the lease does.
func (l *Lease) Context() context.Context { return l.ctx }

// Token grows with each lease of the unit at its place.
func (l *Lease) Token() uint64 { return l.token }

// End gives the unit up and waits until that is done. It may be called more
// than once.
func (l *Lease) End() {
	l.lose(ErrLeaseEnded)
	<-l.done
}

// keep renews the lease five times in its life.
func (l *Lease) keep() {
	defer close(l.done)
	tick := time.NewTicker(l.lasts / 5)
	defer tick.Stop()
	for {
		select {
		case <-l.ctx.Done():
			if errors.Is(context.Cause(l.ctx), ErrLeaseEnded) {
				l.free()
			}
			return
		case <-tick.C:
		}
		sent := time.Now()
		if !l.Valid(sent) {
			l.lose(ErrLeaseLost)
			return
		}
		switch err := l.renew(); {
		case err == nil:
			l.extend(sent)
		case errors.Is(err, errBeaten):
			l.lose(ErrLeaseLost)
		}
	}
}

// renew says once more that the keys are taken. What was not answered may
// have arrived all the same: then the message is ours, and that counts.
func (l *Lease) renew() error {
	ctx, cancel := context.WithTimeout(l.ctx, l.lasts/5)
	defer cancel()
	for i, key := range l.keys {
		h := l.owner
		h.Key = key
		rev, err := l.place.say(ctx, l.revs[i], h, l.lasts)
		if errors.Is(err, errBeaten) {
			has, at, herr := l.place.held(ctx, key)
			if herr != nil {
				return herr
			}
			if has != h {
				return errBeaten
			}
			rev, err = l.place.say(ctx, at, h, l.lasts)
		}
		if err != nil {
			return err
		}
		l.revs[i] = rev
	}
	return nil
}

// free lets others have the keys at once. If that fails they come free by
// themselves.
func (l *Lease) free() {
	ctx, cancel := context.WithTimeout(context.Background(), oneTry)
	defer cancel()
	for i, key := range l.keys {
		_, _ = l.place.say(ctx, l.revs[i], holder{Key: key, Free: true}, time.Second)
	}
}
