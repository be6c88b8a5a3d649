package orders

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"

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
}

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
	l := &Live{subject: lineSubject(s.opts.Bench, line), queue: make(chan []byte, liveQueue), done: make(chan struct{})}
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
	l.stop.Do(func() { close(l.queue) })
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
	context.AfterFunc(ctx, func() {
		_ = sub.Unsubscribe()
		mu.Lock()
		defer mu.Unlock()
		closed = true
		close(out)
	})
	return out, nil
}

// Piece is what was told of a line.
type Piece struct {
	Bench, Line string
	Data        []byte
}

func orAny(name string) string {
	if name == "" {
		return "*"
	}
	return token(name)
}
