// Package pair makes a line without hardware: two ends in memory, for tests
// and rehearsals. Nothing in it waits on anything but channels and timers, so
// that it works inside a testing/synctest bubble.
package pair

import (
	"fmt"
	"io"
	"sync"
	"time"

	"linehand/console"
)

// room is how many bytes wait for the far end before a write to the line
// blocks. Toward the line there is no limit.
const room = 64 << 10

// New returns a line and its far end, the unit's. The settings are only
// reported; nothing is paced.
func New(name string, set console.Settings) (console.Line, *Far) {
	c := &cable{
		toLine: newQueue(0),
		toFar:  newQueue(room),
		cut:    make(chan struct{}),
	}
	l := &line{cable: c, closed: make(chan struct{}), info: console.Info{
		Name: name, Identity: "pair:" + name, Device: "in memory", Settings: set,
	}}
	return l, &Far{line: l}
}

// cable is what both ends share.
type cable struct {
	toLine, toFar *queue
	cutOnce       sync.Once
	cut           chan struct{} // closed when unplugged or closed at the far end
}

func (c *cable) unplug() { c.cutOnce.Do(func() { close(c.cut) }) }

type line struct {
	*cable
	info      console.Info
	writing   sync.Mutex
	closeOnce sync.Once
	closed    chan struct{}

	mu     sync.Mutex
	breaks int
}

func (l *line) Read(p []byte) (int, time.Time, error) {
	for {
		if isDone(l.closed) {
			return 0, time.Time{}, fmt.Errorf("read line %s: %w", l.info.Name, console.ErrClosed)
		}
		cut := isDone(l.cut) // before looking: what came before the cut is read first
		if n, at := l.toLine.take(p); n > 0 {
			return n, at, nil
		}
		if cut {
			return 0, time.Time{}, fmt.Errorf("read line %s: unplugged: %w", l.info.Name, console.ErrLost)
		}
		select {
		case <-l.toLine.filled:
		case <-l.closed:
		case <-l.cut:
		}
	}
}

func (l *line) Write(p []byte) (int, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	limit := l.info.Settings.StuckAfter(len(p))
	timer := time.NewTimer(limit)
	defer timer.Stop()
	sent := 0
	for {
		switch {
		case isDone(l.closed):
			return sent, fmt.Errorf("write line %s: %w", l.info.Name, console.ErrClosed)
		case isDone(l.cut):
			return sent, fmt.Errorf("write line %s: unplugged: %w", l.info.Name, console.ErrLost)
		}
		if n := l.toFar.add(p[sent:]); n > 0 {
			sent += n
			timer.Reset(limit)
		}
		if sent == len(p) {
			return sent, nil
		}
		select {
		case <-l.toFar.drained:
		case <-l.closed:
		case <-l.cut:
		case <-timer.C:
			return sent, fmt.Errorf("write line %s: nothing taken for %v: %w", l.info.Name, limit, console.ErrStuck)
		}
	}
}

func (l *line) Break(d time.Duration) error {
	l.mu.Lock()
	l.breaks++
	l.mu.Unlock()
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-l.closed:
		return fmt.Errorf("break on line %s: %w", l.info.Name, console.ErrClosed)
	case <-l.cut:
		return fmt.Errorf("break on line %s: %w", l.info.Name, console.ErrLost)
	}
}

func (l *line) Close() error {
	l.closeOnce.Do(func() { close(l.closed) })
	return nil
}

func (l *line) Info() console.Info { return l.info }

// Far is the unit's end.
type Far struct{ line *line }

// Read waits for bytes written to the line. It returns io.EOF when the line
// is closed or unplugged and all that was written has been read.
func (f *Far) Read(p []byte) (int, error) {
	l := f.line
	for {
		over := isDone(l.closed) || isDone(l.cut)
		if n, _ := l.toFar.take(p); n > 0 {
			return n, nil
		}
		if over {
			return 0, io.EOF
		}
		select {
		case <-l.toFar.filled:
		case <-l.closed:
		case <-l.cut:
		}
	}
}

// Write sends p to the line. It never waits.
func (f *Far) Write(p []byte) (int, error) {
	if isDone(f.line.closed) || isDone(f.line.cut) {
		return 0, io.ErrClosedPipe
	}
	return f.line.toLine.add(p), nil
}

// Close ends the far end; the line is lost once it has read what was sent.
func (f *Far) Close() error {
	f.line.unplug()
	return nil
}

// Unplug pulls the cable: reads and writes of the line give
// console.ErrLost, after the bytes that had already come.
func (f *Far) Unplug() { f.line.unplug() }

// Breaks counts the breaks that the line has sent.
func (f *Far) Breaks() int {
	f.line.mu.Lock()
	defer f.line.mu.Unlock()
	return f.line.breaks
}

func isDone(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// queue holds bytes under way with the time they arrived. It has one reader.
type queue struct {
	limit   int           // bytes; 0 for none
	filled  chan struct{} // holds a token when something may have come
	drained chan struct{} // holds a token when room may have come

	mu     sync.Mutex
	size   int
	pieces []piece
}

type piece struct {
	bytes []byte
	at    time.Time
}

func newQueue(limit int) *queue {
	return &queue{limit: limit, filled: make(chan struct{}, 1), drained: make(chan struct{}, 1)}
}

// add takes as much of p as there is room for.
func (q *queue) add(p []byte) int {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.limit > 0 {
		p = p[:min(len(p), q.limit-q.size)]
	}
	if len(p) == 0 {
		return 0
	}
	q.pieces = append(q.pieces, piece{append([]byte(nil), p...), time.Now()})
	q.size += len(p)
	signal(q.filled)
	return len(p)
}

// take reads from the oldest piece only, so that its time is true.
func (q *queue) take(p []byte) (int, time.Time) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.pieces) == 0 {
		return 0, time.Time{}
	}
	first := &q.pieces[0]
	n, at := copy(p, first.bytes), first.at
	first.bytes = first.bytes[n:]
	if len(first.bytes) == 0 {
		q.pieces = q.pieces[1:]
	}
	q.size -= n
	signal(q.drained)
	return n, at
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
