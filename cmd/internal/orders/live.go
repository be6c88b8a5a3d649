package orders

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
)

// Live tells what goes on on one line, to whoever watches, and never waits for
// them: what does not fit is dropped and counted. The record has it all.
type Live struct {
	subject string
	queue   chan []byte
	dropped atomic.Uint64
	stop    sync.Once
	done    chan struct{}

	looks  *nats.Subscription // nil: whether somebody looks could not be asked
	looked atomic.Int64       // when somebody last said so; nanoseconds
	news   chan struct{}
}

// Who listens says so at once and every lookEvery, so that a line that nobody
// looks at costs nothing on the way to the firm. It is forgotten after
// lookLasts.
const (
	lookSubject = "linehand.look"
	lookEvery   = 5 * time.Second
	lookLasts   = 3 * lookEvery
)

// liveQueue is how many pieces may wait to be told.
const liveQueue = 256

func lineSubject(bench, line string) string {
	return "linehand.line." + token(bench) + "." + token(line)
}

// token makes a name fit into a subject.
func token(name string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' || strings.ContainsRune(".*>", r) || r == 0x7f {
			return '_'
		}
		return r
	}, name)
}

// Live begins to tell of a line of this bench. Close ends it.
func (s *Store) Live(line string) *Live {
	l := &Live{subject: lineSubject(s.opts.Bench, line), queue: make(chan []byte, liveQueue), done: make(chan struct{}), news: make(chan struct{}, 1)}
	bench, line := token(s.opts.Bench), token(line)
	l.looks, _ = s.nc.Subscribe(lookSubject, func(m *nats.Msg) {
		at := strings.SplitN(string(m.Data), ".", 2)
		if len(at) == 2 && (at[0] == anyName || at[0] == bench) && (at[1] == anyName || at[1] == line) {
			l.look()
		}
	})
	go func() {
		defer close(l.done)
		for data := range l.queue {
			if s.nc.Publish(l.subject, data) != nil {
				l.dropped.Add(1)
			}
		}
	}()
	return l
}

// look notes that somebody listens.
func (l *Live) look() {
	l.looked.Store(time.Now().UnixNano())
	select {
	case l.news <- struct{}{}:
	default:
	}
}

// Wanted tells whether somebody listens, or has a short while ago.
func (l *Live) Wanted() bool { return time.Since(time.Unix(0, l.looked.Load())) < lookLasts }

// News has an element after somebody has said that they listen: they may need
// to be told how things stand.
func (l *Live) News() <-chan struct{} { return l.news }

// Tell tells a piece of masked text or an event, which the caller no longer
// changes. It never waits. It is not called after Close.
func (l *Live) Tell(data []byte) {
	select {
	case l.queue <- data:
	default:
		l.dropped.Add(1)
	}
}

// Dropped is how many pieces were dropped.
func (l *Live) Dropped() uint64 { return l.dropped.Load() }

// Close ends the telling.
func (l *Live) Close() {
	l.stop.Do(func() {
		if l.looks != nil {
			_ = l.looks.Unsubscribe() // the connection may be closed already
		}
		close(l.queue)
	})
	<-l.done
}

// Listen hears what is told of a line; "" for bench or line hears all of them.
// The channel closes when ctx ends. Who is slow loses pieces, and slows nobody.
func (s *Store) Listen(ctx context.Context, bench, line string) (<-chan Piece, error) {
	subject := "linehand.line." + orAny(bench) + "." + orAny(line)
	out := make(chan Piece, liveQueue)
	var mu sync.Mutex
	closed := false
	sub, err := s.nc.Subscribe(subject, func(m *nats.Msg) {
		mu.Lock()
		defer mu.Unlock()
		parts := strings.Split(m.Subject, ".")
		if closed || len(parts) != 4 {
			return
		}
		select {
		case out <- Piece{Bench: parts[2], Line: parts[3], Data: m.Data}:
		default:
		}
	})
	if err != nil {
		return nil, fmt.Errorf("listen to %s: %w", subject, err)
	}
	go func() {
		s.sayLooking(ctx, orAny(bench)+"."+orAny(line))
		_ = sub.Unsubscribe()
		mu.Lock()
		defer mu.Unlock()
		closed = true
		close(out)
	}()
	return out, nil
}

// sayLooking says until ctx ends, or the store is closed, that somebody
// listens.
func (s *Store) sayLooking(ctx context.Context, to string) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		if errors.Is(s.nc.Publish(lookSubject, []byte(to)), nats.ErrConnectionClosed) {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// Piece is what was told of a line.
type Piece struct {
	Bench, Line string
	Data        []byte
}

const anyName = "*"

func orAny(name string) string {
	if name == "" {
		return anyName
	}
	return token(name)
}
