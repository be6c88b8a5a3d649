package api

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"linehand/cmd/internal/access"
)

// SocketName is the socket in the data folder of a bench.
const SocketName = "api.sock"

// mostSocketPath is how long a socket's path may be on every system, in bytes
// (sun_path of sys/un.h has 104 on some).
const mostSocketPath = 103

// ServeOptions say where Serve listens, besides at the address of the gate.
type ServeOptions struct {
	Data string // the bench's data folder, for its socket; "": no socket

	// Listened is told once it listens: the bench's address, and the one-time
	// link, which is "" beyond loopback. May be nil.
	Listened func(base, link string)
}

const stopWithin = 10 * time.Second // for what is being answered when the bench stops

// Serve serves until ctx ends, and lets what it is answering end first.
func Serve(ctx context.Context, o ServeOptions, d Deps) error {
	tcp, err := net.Listen("tcp", d.Gate.Listen())
	if err != nil {
		return fmt.Errorf("listen at %s: %w", d.Gate.Listen(), err)
	}
	listeners := []net.Listener{tcp}
	if conf := d.Gate.TLS(); conf != nil {
		conf.NextProtos = []string{"h2", "http/1.1"}
		listeners[0] = tls.NewListener(tcp, conf)
	}
	path := filepath.Join(o.Data, SocketName)
	if len(path) > mostSocketPath {
		d.Log.Warn().Str("path", path).Msg("the path of the data folder is too long for a socket: linehand order works by address and token only")
		o.Data = ""
	}
	if o.Data != "" {
		unix, err := listenSocket(path)
		if err != nil {
			tcp.Close()
			return err
		}
		listeners = append(listeners, unix)
	}
	link, at := "", base(d.Gate, tcp)
	if path, err := d.Gate.Link(); err == nil {
		link = at + path
	}
	if o.Listened != nil {
		o.Listened(at, link)
	}
	return serveOn(ctx, listeners, at, d)
}

// base is the bench's address as one types it: where it listens at all
// addresses, by the first of its names.
func base(g *access.Gate, l net.Listener) string {
	scheme := "http"
	if g.TLS() != nil {
		scheme = "https"
	}
	host, _, _ := net.SplitHostPort(g.Listen())
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = g.Name()
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return scheme + "://" + net.JoinHostPort(host, port)
}

// listenSocket listens on the socket, which only its owner can open. A socket
// that nobody listens on any more is left of a bench that was killed; that no
// other bench runs is for the data folder's lock to see to.
func listenSocket(path string) (net.Listener, error) {
	if c, err := net.Dial("unix", path); err == nil {
		c.Close()
		return nil, fmt.Errorf("another bench listens on %s", path)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("take the place of an old socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", path, err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, fmt.Errorf("keep others from %s: %w", path, err)
	}
	return l, nil
}

func serveOn(ctx context.Context, listeners []net.Listener, base string, d Deps) error {
	ctx, stop := context.WithCancel(ctx)
	s := newServer(ctx, d)
	s.base = base
	var background sync.WaitGroup
	background.Go(func() { s.hub.run(ctx) })
	background.Go(func() { s.Keyboards.run(ctx, d.Gate.Still) })
	defer background.Wait()
	defer stop()
	hs := &http.Server{
		Handler: s.handler(), ConnContext: access.AtSocket,
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 2 * time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 16 << 10, ErrorLog: log.New(faults{d}, "", 0),
	}
	failed := make(chan error, len(listeners))
	for _, l := range listeners {
		background.Go(func() { failed <- hs.Serve(l) })
	}
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	stop() // ends the streams
	over, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer cancel()
	if hs.Shutdown(over) != nil {
		hs.Close()
	}
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the bench: %w", err)
	}
	return nil
}

// faults takes what the HTTP library has to say into the log.
type faults struct{ Deps }

func (f faults) Write(p []byte) (int, error) {
	f.Log.Debug().Str("text", strings.TrimSpace(string(p))).Msg("http")
	return len(p), nil
}
