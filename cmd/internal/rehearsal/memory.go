package rehearsal

import (
	"context"
	"fmt"
	"io"
	"sync"

	"linehand/console"
	"linehand/console/pair"
)

// memory is a cable in memory. Like a serial port it can be pulled out, put
// back and opened again; what the unit says while nobody has it open is lost.
type memory struct {
	name string

	mu     sync.Mutex
	far    *pair.Far     // nil while nobody has the line open
	change chan struct{} // closed when far changes
	pulled bool
	closed bool
}

func newMemory(name string) *memory { return &memory{name: name, change: make(chan struct{})} }

func (m *memory) open(_ context.Context, set console.Settings) (console.Line, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	name := "rehearsal:" + m.name
	if m.pulled || m.closed {
		return nil, fmt.Errorf("line %s: the cable is out: %w", name, console.ErrAbsent)
	}
	line, far := pair.New(name, set)
	m.replace(far)
	return line, nil
}

// replace is called with the lock held.
func (m *memory) replace(far *pair.Far) {
	m.far = far
	close(m.change)
	m.change = make(chan struct{})
}

func (m *memory) now() (*pair.Far, chan struct{}, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.far, m.change, m.closed
}

// Read waits for characters from the host, over closing and opening too.
func (m *memory) Read(p []byte) (int, error) {
	for {
		far, change, closed := m.now()
		if closed {
			return 0, io.EOF
		}
		if far != nil {
			if n, err := far.Read(p); n > 0 || err == nil {
				return n, nil
			}
			m.forget(far)
			continue
		}
		<-change
	}
}

// forget lets go of an end whose line is closed.
func (m *memory) forget(far *pair.Far) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.far == far {
		m.replace(nil)
	}
}

// Write sends to whoever has the line open.
func (m *memory) Write(p []byte) (int, error) {
	far, _, closed := m.now()
	if closed {
		return 0, io.ErrClosedPipe
	}
	if far == nil {
		return len(p), nil
	}
	if _, err := far.Write(p); err != nil {
		return len(p), nil // the line was closed: nobody hears it
	}
	return len(p), nil
}

// Unplug pulls the cable.
func (m *memory) Unplug() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.pulled = true
	if m.far != nil {
		m.far.Unplug()
		m.replace(nil)
	}
	return nil
}

// Replug puts it back.
func (m *memory) Replug() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.pulled = false
	return nil
}

// Close ends the cable and wakes a waiting Read.
func (m *memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return nil
	}
	m.closed = true
	if m.far != nil {
		m.far.Unplug()
	}
	m.replace(nil)
	return nil
}
