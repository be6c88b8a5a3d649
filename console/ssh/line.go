package ssh

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/crypto/ssh"

	"linehand/console"
)

// line is a shell on a terminal of the unit. What comes from the unit goes
// through a pipe, so that a reader that is slow slows the unit down, by
// SSH's own windows.
type line struct {
	client  *ssh.Client
	session *ssh.Session
	in      io.Writer
	info    console.Info

	patience time.Duration // how long a piece may wait to be taken

	heard   *io.PipeReader
	arrived *io.PipeWriter

	writes  chan []byte   // one piece at a time, for the writing goroutine
	written chan error    // its end
	busy    bool          // a piece is with the writer still; guarded by writing
	writing sync.Mutex    // one Write at a time
	gone    chan struct{} // closed when the session has ended
	why     error         // set before gone is closed
	closing sync.Once
	closed  atomic.Bool
	stop    chan struct{}
	all     sync.WaitGroup
}

// piece is how much is handed to SSH at once: when the unit takes no bytes,
// that much may be under way without being told.
const piece = 256

func newLine(client *ssh.Client, session *ssh.Session, info console.Info) *line {
	l := &line{
		client: client, session: session, info: info, patience: info.Settings.StuckAfter(piece),
		writes: make(chan []byte), written: make(chan error, 1),
		gone: make(chan struct{}), stop: make(chan struct{}),
	}
	l.heard, l.arrived = io.Pipe()
	return l
}

// start runs the two goroutines of a line; Close ends both.
func (l *line) start() {
	l.all.Go(func() {
		err := l.session.Wait()
		l.why = ended(err)
		close(l.gone)
		l.arrived.CloseWithError(l.why) // what is in the pipe was read by then
	})
	l.all.Go(func() {
		for {
			select {
			case p := <-l.writes:
				_, err := l.in.Write(p)
				l.written <- err
			case <-l.stop:
				return
			}
		}
	})
}

// ended says why a session is over.
func ended(err error) error {
	var status *ssh.ExitError
	var missing *ssh.ExitMissingError
	switch {
	case err == nil:
		return errors.New("the unit has ended the session")
	case errors.As(err, &status):
		return fmt.Errorf("the unit has ended the session (%w)", err)
	case errors.As(err, &missing):
		return errors.New("the connection has ended")
	}
	return err
}

func (l *line) Read(p []byte) (int, time.Time, error) {
	n, err := l.heard.Read(p)
	at := time.Now()
	switch {
	case n > 0:
		return n, at, nil // the error comes again
	case l.closed.Load():
		return 0, at, l.is("read", console.ErrClosed)
	case err == nil:
		err = io.ErrNoProgress
	}
	return 0, at, l.lost("read", err)
}

// Write hands p to the unit in pieces. When the unit takes nothing, the piece
// that is under way counts as handed over: it may arrive yet.
func (l *line) Write(p []byte) (int, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	limit := time.NewTimer(l.patience)
	defer limit.Stop()
	for sent := 0; ; {
		if l.busy {
			if err := l.await(limit.C); err != nil {
				return sent, err
			}
		}
		if sent == len(p) {
			return sent, nil
		}
		next := p[sent:min(sent+piece, len(p))]
		select {
		case l.writes <- append([]byte(nil), next...): // it may outlive this call
			l.busy = true
			sent += len(next)
		case <-l.stop:
			return sent, l.is("write", console.ErrClosed)
		}
		limit.Reset(l.patience)
	}
}

// await waits until the piece under way is taken.
func (l *line) await(limit <-chan time.Time) error {
	select {
	case <-l.stop:
		return l.is("write", console.ErrClosed)
	default:
	}
	select {
	case err := <-l.written:
		l.busy = false
		switch {
		case err == nil:
			return nil
		case l.closed.Load():
			return l.is("write", console.ErrClosed)
		}
		return l.lost("write", err)
	case <-l.stop:
		return l.is("write", console.ErrClosed)
	case <-l.gone:
		return l.lost("write", l.why)
	case <-limit:
		return fmt.Errorf("write line %s: nothing taken for %v: %w", l.info.Name, l.patience, console.ErrStuck)
	}
}

func (l *line) is(verb string, err error) error {
	return fmt.Errorf("%s line %s: %w", verb, l.info.Name, err)
}

func (l *line) lost(verb string, err error) error {
	return fmt.Errorf("%s line %s: %w (%w)", verb, l.info.Name, console.ErrLost, err)
}

// Break sends the break of RFC 4335, which console servers pass on. A unit's
// own shell knows none and says so.
func (l *line) Break(d time.Duration) error {
	ok, err := l.sendBreak(d)
	switch {
	case l.closed.Load():
		return l.is("break", console.ErrClosed)
	case err != nil:
		return l.lost("break", err)
	case !ok:
		return l.is("break", console.ErrNoBreak)
	}
	return nil
}

func (l *line) sendBreak(d time.Duration) (bool, error) {
	return l.session.SendRequest("break", true, ssh.Marshal(struct{ Milliseconds uint32 }{uint32(d.Milliseconds())}))
}

func (l *line) Close() error {
	l.closing.Do(func() {
		l.closed.Store(true)
		close(l.stop)
		l.heard.CloseWithError(io.ErrClosedPipe)
		l.client.Close() // the connection; what waits on it wakes
		_ = l.client.Wait()
		l.all.Wait()
	})
	return nil
}

func (l *line) Info() console.Info { return l.info }
