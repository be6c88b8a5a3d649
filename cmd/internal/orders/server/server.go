// Package server runs a NATS server with JetStream inside the process, or
// reaches the firm's own by its address; who asks for the connection cannot
// tell the two apart.
package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// Options say where the work is kept.
type Options struct {
	// URL is that of the firm's NATS servers, several with commas between
	// them. With it nothing is kept here, and Folder to Leaf do not count.
	URL string

	Folder string // where the embedded server keeps its files
	Name   string // of this bench
	Domain string // of its JetStream; a leaf needs one of its own
	Listen string // host:port for other programs; "": none, nothing listens
	Leaf   *Leaf  // joins this server to the firm's; nil: it is alone

	Credentials string      // file with the NATS credentials for URL or the leaf's URLs; "": none
	TLS         *tls.Config // for URL or the leaf's URLs; nil: as the URL says
	Log         zerolog.Logger
}

// Leaf joins the embedded server to the firm's servers. When the link is down,
// this server goes on with what it has.
type Leaf struct {
	URLs []string // nats-leaf://host:7422
}

// Server is a way to reach NATS.
type Server struct {
	opts     Options
	embedded *server.Server // nil: the firm's
}

// readyWithin is how long the embedded server may take to read its files.
const readyWithin = 2 * time.Minute

// Start starts the embedded server, unless there is a URL. Close ends it.
func Start(ctx context.Context, o Options) (*Server, error) {
	s := &Server{opts: o}
	if o.URL != "" {
		return s, nil
	}
	opts, err := o.embedded()
	if err != nil {
		return nil, err
	}
	s.embedded, err = server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("start the embedded NATS server: %w", err)
	}
	s.embedded.SetLoggerV2(&logger{o.Log}, false, false, false)
	go s.embedded.Start()
	if err := s.ready(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

func (s *Server) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	for !s.embedded.ReadyForConnections(50 * time.Millisecond) {
		if ctx.Err() != nil {
			return fmt.Errorf("the embedded NATS server with its files in %s is not ready: %w", s.opts.Folder, context.Cause(ctx))
		}
	}
	if !s.embedded.JetStreamEnabled() {
		return fmt.Errorf("the embedded NATS server could not use its files in %s", s.opts.Folder)
	}
	return nil
}

// embedded are the server's options. Its file store syncs each write: by
// default it would sync every two minutes, and a power cut would take back
// what it has acknowledged.
func (o Options) embedded() (*server.Options, error) {
	if o.Folder == "" {
		return nil, errors.New("the embedded NATS server needs a folder for its files")
	}
	folder, err := filepath.Abs(o.Folder)
	if err != nil {
		return nil, fmt.Errorf("folder for the work orders: %w", err)
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder for the work orders: %w", err)
	}
	opts := &server.Options{
		ServerName: o.Name, JetStream: true, JetStreamDomain: o.Domain, StoreDir: folder,
		SyncAlways: true, NoSigs: true, DontListen: true, MaxPayload: 1 << 20,
		JetStreamMaxMemory: 64 << 20, JetStreamMaxStore: 1 << 40,
	}
	if o.Listen != "" {
		host, port, err := net.SplitHostPort(o.Listen)
		if err != nil {
			return nil, fmt.Errorf("address to listen on: %w", err)
		}
		if opts.Port, err = strconv.Atoi(port); err != nil {
			return nil, fmt.Errorf("address to listen on: port %q is not a number", port)
		}
		opts.Host, opts.DontListen = host, false
		if opts.Port == 0 {
			opts.Port = server.RANDOM_PORT
		}
	}
	return opts, o.join(opts)
}

// join makes the server a leaf. The intervals are those of the link: a cut
// that nobody announces is seen within seconds.
func (o Options) join(opts *server.Options) error {
	if o.Leaf == nil {
		return nil
	}
	if o.Domain == "" {
		return errors.New("a leaf needs a JetStream domain of its own")
	}
	remote := &server.RemoteLeafOpts{Credentials: o.Credentials, TLS: o.TLS != nil, TLSConfig: o.TLS, DialTimeout: 10 * time.Second}
	for _, text := range o.Leaf.URLs {
		u, err := url.Parse(text)
		if err != nil || u.Host == "" {
			return fmt.Errorf("address of the firm's servers %q: write it as nats-leaf://host:7422", text)
		}
		remote.URLs = append(remote.URLs, u)
	}
	if len(remote.URLs) == 0 {
		return errors.New("a leaf needs the address of the firm's servers")
	}
	opts.LeafNode.Remotes = []*server.RemoteLeafOpts{remote}
	opts.LeafNode.ReconnectInterval = time.Second
	opts.PingInterval, opts.MaxPingsOut = 5*time.Second, 2
	return nil
}

// Connect opens a connection, which the caller closes. One to the firm's
// servers comes back by itself however long they are away.
func (s *Server) Connect(opts ...nats.Option) (*nats.Conn, error) {
	all := []nats.Option{nats.Name("linehand " + s.opts.Name), nats.MaxReconnects(-1), nats.ReconnectWait(500 * time.Millisecond)}
	where := s.opts.URL
	if s.embedded != nil {
		all = append(all, nats.InProcessServer(s.embedded))
	} else {
		if s.opts.Credentials != "" {
			all = append(all, nats.UserCredentials(s.opts.Credentials))
		}
		if s.opts.TLS != nil {
			all = append(all, nats.Secure(s.opts.TLS))
		}
		all = append(all, nats.PingInterval(5*time.Second), nats.MaxPingsOutstanding(2))
	}
	nc, err := nats.Connect(where, append(all, opts...)...)
	if err != nil {
		return nil, fmt.Errorf("reach NATS at %s: %w", s.where(), err)
	}
	return nc, nil
}

// where names the server without the name and secret that a URL may hold.
func (s *Server) where() string {
	if s.embedded != nil {
		return "its embedded server"
	}
	u, err := url.Parse(s.opts.URL)
	if err != nil || u.Host == "" {
		return "the address that was set"
	}
	return u.Scheme + "://" + u.Host
}

// Linked tells whether a leaf has its link to the firm; nothing else has one.
func (s *Server) Linked() bool { return s.embedded != nil && s.embedded.NumLeafNodes() > 0 }

// Address is where the server listens for other programs; "": nowhere.
func (s *Server) Address() string {
	if s.embedded == nil || s.opts.Listen == "" {
		return ""
	}
	return s.embedded.Addr().String()
}

// Embedded tells whether the server runs in this process.
func (s *Server) Embedded() bool { return s.embedded != nil }

// Close stops the embedded server and waits until its files are closed. Close
// the connections first.
func (s *Server) Close() {
	if s.embedded == nil {
		return
	}
	s.embedded.Shutdown()
	s.embedded.WaitForShutdown()
}

// logger passes on what the server has to say.
type logger struct{ log zerolog.Logger }

func (l *logger) Noticef(f string, v ...any) { l.log.Debug().Msgf(f, v...) }
func (l *logger) Warnf(f string, v ...any)   { l.log.Warn().Msgf(f, v...) }
func (l *logger) Fatalf(f string, v ...any)  { l.log.Error().Msgf(f, v...) }
func (l *logger) Errorf(f string, v ...any)  { l.log.Error().Msgf(f, v...) }
func (l *logger) Debugf(f string, v ...any)  { l.log.Trace().Msgf(f, v...) }
func (l *logger) Tracef(f string, v ...any)  { l.log.Trace().Msgf(f, v...) }
