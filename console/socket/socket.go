// Package socket opens lines that come as a stream: the unix socket of a
// virtual machine, or the raw TCP port of a console server.
package socket

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"sync"
	"syscall"
	"time"

	"linehand/console"
)

// dialTime is how long the other side may take to answer.
const dialTime = 10 * time.Second

// Dial opens the line at address on network "unix" or "tcp". An error wraps
// console.ErrAbsent when nobody listens there.
//
// A TCP line whose far end vanished without a word is noticed by keep-alive
// probes, after about five seconds.
func Dial(ctx context.Context, network, address, name string) (console.Line, error) {
	if network != "unix" && network != "tcp" {
		return nil, fmt.Errorf("line %s: network %q: want unix or tcp", name, network)
	}
	d := net.Dialer{Timeout: dialTime, KeepAliveConfig: net.KeepAliveConfig{
		Enable: true, Idle: 2 * time.Second, Interval: time.Second, Count: 3,
	}}
	conn, err := d.DialContext(ctx, network, address)
	if err != nil {
		return nil, dialError(name, address, err)
	}
	return &line{conn: conn, info: console.Info{
		Name: name, Identity: network + ":" + address, Device: network + ":" + address,
	}}, nil
}

func dialError(name, address string, err error) error {
	switch {
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("line %s: %w", name, err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("line %s: no socket at %s; is the virtual machine running? %w", name, address, console.ErrAbsent)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("line %s: nobody listens at %s: %w", name, address, console.ErrAbsent)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("line %s: not allowed to open %s; look at its owner and mode: %w", name, address, err)
	}
	return fmt.Errorf("line %s: %w (%w)", name, console.ErrAbsent, err)
}

type line struct {
	conn    net.Conn
	info    console.Info
	writing sync.Mutex
	closing sync.Once
	failed  error
}

func (l *line) Read(p []byte) (int, time.Time, error) {
	n, err := l.conn.Read(p)
	at := time.Now()
	if n > 0 {
		return n, at, nil // the error comes again
	}
	if err == nil {
		err = io.ErrNoProgress
	}
	return 0, at, l.explain("read", err)
}

func (l *line) Write(p []byte) (int, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	limit := l.info.Settings.StuckAfter(len(p))
	for sent := 0; ; {
		// An error here means that the line is closed; Write says so too.
		_ = l.conn.SetWriteDeadline(time.Now().Add(limit))
		n, err := l.conn.Write(p[sent:])
		sent += n
		switch {
		case err == nil:
			return sent, nil
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return sent, l.explain("write", err)
		case n == 0:
			return sent, fmt.Errorf("write line %s: nothing taken for %v: %w", l.info.Name, limit, console.ErrStuck)
		}
	}
}

// explain turns an error of the connection into one of a line.
func (l *line) explain(verb string, err error) error {
	switch {
	case errors.Is(err, net.ErrClosed):
		return fmt.Errorf("%s line %s: %w", verb, l.info.Name, console.ErrClosed)
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%s line %s: the far end has closed it: %w", verb, l.info.Name, console.ErrLost)
	}
	return fmt.Errorf("%s line %s: %w (%w)", verb, l.info.Name, console.ErrLost, err)
}

func (l *line) Break(time.Duration) error {
	return fmt.Errorf("line %s: %w", l.info.Name, console.ErrNoBreak)
}

func (l *line) Close() error {
	l.closing.Do(func() {
		if tcp, ok := l.conn.(*net.TCPConn); ok {
			_ = tcp.SetLinger(1) // never hang on a far end that takes nothing
		}
		if err := l.conn.Close(); err != nil {
			l.failed = fmt.Errorf("close line %s: %w", l.info.Name, err)
		}
	})
	return l.failed
}

func (l *line) Info() console.Info { return l.info }
