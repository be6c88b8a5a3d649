//go:build !windows

package player

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"sync"
	"time"

	expect "github.com/google/goexpect"

	"linehand/console"
)

// expectMatcher runs on goexpect. Left to itself, goexpect rescans all it
// has read at every wake, can miss a wake, lets its time-outs grow while
// data flows, and sends without saying when or whether it did. So it is
// handed one text at a time, and only when the line has gone quiet; each
// look is a switch whose last case takes what no other case took, so that
// the buffer is empty after it and the call never waits; and what it sends
// goes through a writer of ours, which reports.
type expectMatcher struct {
	exp    *expect.GExpect
	texts  *texts
	writer *reporter
	ended  <-chan error
	quit   chan struct{}
	once   sync.Once
}

// sendLimit ends a send when the expect engine's writer is gone: it stops
// for good after a write that failed.
const sendLimit = 2 * time.Second

var leftover = regexp.MustCompile(`(?s)\A.*\z`)

func newMatcher(line console.Line) matcher {
	m := &expectMatcher{
		texts:  &texts{in: make(chan string), taken: make(chan struct{}), quit: make(chan struct{})},
		writer: &reporter{line: line, done: make(chan error, 1)},
		quit:   make(chan struct{}),
	}
	exp, ended, err := expect.SpawnGeneric(&expect.GenOptions{
		In:    m.writer,
		Out:   m.texts,
		Wait:  func() error { <-m.quit; return nil }, // the session lasts as long as the matcher
		Close: func() error { return nil },
		Check: func() bool { return true },
	}, time.Second, expect.SendTimeout(sendLimit), expect.PartialMatch(false))
	if err != nil {
		// Only a missing option makes it fail.
		panic(fmt.Sprintf("starting the expect engine: %v", err))
	}
	m.exp, m.ended = exp, ended
	<-m.texts.taken // its reader waits for the first text
	return m
}

func (m *expectMatcher) look(text string, cases []*regexp.Regexp) (int, error) {
	if text == "" || len(cases) == 0 {
		return -1, nil
	}
	m.texts.in <- text
	<-m.texts.taken
	casers := make([]expect.Caser, 0, len(cases)+1)
	for _, re := range cases {
		casers = append(casers, &expect.Case{R: re})
	}
	casers = append(casers, &expect.Case{R: leftover})
	_, _, i, err := m.exp.ExpectSwitchCase(casers, 0)
	if err != nil {
		return -1, fmt.Errorf("matching prompts: %w", err)
	}
	if i >= len(cases) {
		return -1, nil
	}
	return i, nil
}

func (m *expectMatcher) send(text string) <-chan error {
	m.writer.begin()
	if err := m.exp.Send(text); err != nil {
		m.writer.report(err)
	}
	return m.writer.done
}

func (m *expectMatcher) close() {
	m.once.Do(func() {
		m.writer.wait()
		close(m.texts.quit)
		close(m.quit)
		<-m.ended
	})
}

// texts is what the expect engine reads: one text at a time. taken brings
// a token each time the engine comes back for more, that is, when all it was
// given is in its buffer.
type texts struct {
	in    chan string
	taken chan struct{}
	quit  chan struct{}
	rest  string
}

func (t *texts) Read(p []byte) (int, error) {
	if t.rest == "" {
		select {
		case t.taken <- struct{}{}:
		case <-t.quit:
			return 0, io.EOF
		}
		select {
		case t.rest = <-t.in:
		case <-t.quit:
			return 0, io.EOF
		}
	}
	n := copy(p, t.rest)
	t.rest = t.rest[n:]
	return n, nil
}

// reporter writes to the line for the expect engine and says how it went.
type reporter struct {
	line console.Line
	done chan error
	mu   sync.Mutex
	busy bool
	idle chan struct{} // closed when the write under way is over
}

func (r *reporter) begin() {
	r.mu.Lock()
	defer r.mu.Unlock()
	select { // an answer that nobody waited for
	case <-r.done:
	default:
	}
	r.busy, r.idle = true, make(chan struct{})
}

func (r *reporter) report(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.busy {
		r.busy = false
		r.done <- err
		close(r.idle)
	}
}

func (r *reporter) Write(p []byte) (int, error) {
	n, err := r.line.Write(p)
	if err == nil && n < len(p) {
		err = io.ErrShortWrite
	}
	r.report(err)
	// The engine's writer would stop for good, and log the failure in its
	// own way; the run has been told and decides.
	return len(p), nil
}

// wait waits for a write under way.
func (r *reporter) wait() {
	r.mu.Lock()
	idle, busy := r.idle, r.busy
	r.mu.Unlock()
	if busy {
		<-idle
	}
}

// Close is part of what the expect engine asks of a writer; the run closes
// the line itself.
func (r *reporter) Close() error { return errors.ErrUnsupported }
