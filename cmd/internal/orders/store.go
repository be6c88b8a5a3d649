package orders

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
	"github.com/rs/zerolog"

	"linehand/cmd/internal/orders/server"
)

// Options say where the work is kept, and who asks.
type Options struct {
	// Bench is the name of this bench; "" for a program that only files,
	// looks and steers.
	Bench string

	URL         string      // of the firm's NATS servers; "": the embedded one
	Folder      string      // for the embedded server's files
	Listen      string      // host:port where the embedded server lets other programs in; "": nowhere
	Leaf        []string    // addresses that join the embedded server to the firm's; none: it is alone
	FirmDomain  string      // JetStream domain of the firm's servers; "": "firm" for a leaf, else none
	Credentials string      // file with NATS credentials
	TLS         *tls.Config // for URL and Leaf
	Replicas    int         // copies of each stream at the firm; 0: 1. Three survive the loss of one server

	// Lease is how long a bench keeps a unit that it no longer says it keeps,
	// in whole seconds; 0: 30 s, of which it counts on 20. The firm's servers
	// take up to about 10 s to choose a leader after the loss of one, and a run
	// is to outlast that; the last third is for clocks that differ between them.
	Lease time.Duration
	Log   zerolog.Logger
}

// Store is the work of a firm as seen from one place.
type Store struct {
	opts   Options
	server *server.Server
	nc     *nats.Conn
	firm   *place
	home   *place // the bench's own when it is a leaf, else firm
	me     string // of this process, in leases

	stop  context.CancelFunc
	tasks sync.WaitGroup

	mu   sync.Mutex
	here Bench // as this bench announces itself
}

// Open starts or reaches the servers, and makes what is not there yet. Close
// ends it.
func Open(ctx context.Context, o Options) (*Store, error) {
	if err := o.complete(); err != nil {
		return nil, err
	}
	s := &Store{opts: o, me: nuid.Next()}
	if err := s.connect(ctx); err != nil {
		s.Close()
		return nil, err
	}
	if err := s.prepare(ctx, s.home); err != nil {
		s.Close()
		return nil, err
	}
	background, stop := context.WithCancel(context.Background())
	s.stop = stop
	if o.Bench != "" {
		s.here = Bench{Name: o.Bench}
		s.tasks.Go(func() { s.announce(background) })
	}
	if s.leaf() {
		s.tasks.Go(func() { s.link(background) })
	}
	return s, nil
}

func (o *Options) complete() error {
	if o.Bench != "" {
		if err := goodName("bench", o.Bench); err != nil {
			return err
		}
	}
	if len(o.Leaf) > 0 {
		if o.Bench == "" {
			return errors.New("a leaf is a bench: it needs a name")
		}
		if o.FirmDomain == "" {
			o.FirmDomain = Firm
		}
		if o.FirmDomain == o.Bench {
			return fmt.Errorf("bench %s and the firm's servers have the same JetStream domain; give one of them another name", o.Bench)
		}
	}
	if o.Replicas == 0 {
		o.Replicas = 1
	}
	if o.Lease == 0 {
		o.Lease = 30 * time.Second
	}
	if o.Lease < 3*time.Second {
		return fmt.Errorf("a lease of %s is too short; 3s is the least", o.Lease)
	}
	o.Lease = o.Lease.Round(time.Second)
	return nil
}

func (s *Store) leaf() bool { return len(s.opts.Leaf) > 0 && s.opts.URL == "" }

func (s *Store) connect(ctx context.Context) error {
	so := server.Options{
		URL: s.opts.URL, Folder: s.opts.Folder, Name: s.opts.Bench, Listen: s.opts.Listen,
		Credentials: s.opts.Credentials, TLS: s.opts.TLS, Log: s.opts.Log,
	}
	if so.Name == "" {
		so.Name = "desk-" + s.me
	}
	if s.leaf() {
		so.Domain, so.Leaf = s.opts.Bench, &server.Leaf{URLs: s.opts.Leaf}
	}
	var err error
	if s.server, err = server.Start(ctx, so); err != nil {
		return err
	}
	if s.nc, err = s.server.Connect(); err != nil {
		return err
	}
	if s.leaf() {
		if s.home, err = s.at(s.opts.Bench, ""); err != nil {
			return err
		}
		s.home.own = true
		s.firm, err = s.at(Firm, s.opts.FirmDomain)
		return err
	}
	if s.firm, err = s.at(Firm, s.opts.FirmDomain); err != nil {
		return err
	}
	s.firm.own = true
	s.home = s.firm
	return nil
}

func (s *Store) at(name, domain string) (*place, error) {
	js, err := jetstream.New(s.nc)
	if domain != "" {
		js, err = jetstream.NewWithDomain(s.nc, domain)
	}
	if err != nil {
		return nil, fmt.Errorf("use the store of %s: %w", name, err)
	}
	p := &place{name: name, js: js}
	if s.leaf() && name != s.opts.Bench {
		p.linked = s.server.Linked
	}
	return p, nil
}

// place is where the orders of this name are.
func (s *Store) place(name string) (*place, error) {
	switch name {
	case s.home.name:
		return s.home, nil
	case Firm:
		return s.firm, nil
	default:
		return s.at(name, name)
	}
}

// prepare makes the streams of a place; those that are there stay as they are.
func (s *Store) prepare(ctx context.Context, p *place) error {
	for _, c := range s.streams(p) {
		err := p.try(ctx, func(ctx context.Context) error { return ensure(ctx, p.js, c) })
		if err != nil {
			return fmt.Errorf("make the stream %s at %s: %w", c.Name, p.name, err)
		}
	}
	return s.prepareRecords(ctx, p)
}

func ensure(ctx context.Context, js jetstream.JetStream, c jetstream.StreamConfig) error {
	_, err := js.Stream(ctx, c.Name)
	if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return err
	}
	_, err = js.CreateStream(ctx, c)
	if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		return nil // another was faster
	}
	return err
}

func (s *Store) streams(p *place) []jetstream.StreamConfig {
	of := func(name, subject string) jetstream.StreamConfig {
		c := jetstream.StreamConfig{Name: name, Storage: jetstream.FileStorage, Replicas: s.replicas(p)}
		if subject != "" {
			c.Subjects = []string{"linehand." + p.name + "." + subject}
		}
		return c
	}
	orders := of(ordersStream, "order.*.*")
	orders.DenyDelete, orders.DenyPurge = true, true
	leases := of(leasesStream, "lease.*")
	leases.MaxMsgsPerSubject, leases.AllowMsgTTL = 1, true
	benches := of(benchesStream, "bench.*")
	benches.MaxMsgsPerSubject, benches.MaxAge = 1, absentAfter
	all := []jetstream.StreamConfig{orders, leases, benches}
	if p.name == Firm {
		return append(all, of(fleetStream, "fleet"))
	}
	handed := of(handedStream, "")
	handed.Sources = []*jetstream.StreamSource{{
		Name: ordersStream, External: external(s.opts.FirmDomain),
		FilterSubject: s.firm.subject(s.opts.Bench, "*"),
	}}
	return append(all, handed)
}

func (s *Store) replicas(p *place) int {
	if p.name == Firm {
		return s.opts.Replicas
	}
	return 1
}

func external(domain string) *jetstream.ExternalStream {
	return &jetstream.ExternalStream{APIPrefix: "$JS." + domain + ".API"}
}

// Linked tells whether the firm can be reached; where the store is the firm's
// own, whether that is.
func (s *Store) Linked() bool {
	if s.leaf() {
		return s.server.Linked()
	}
	return s.nc.IsConnected()
}

// Conn is the connection, for a health check.
func (s *Store) Conn() *nats.Conn { return s.nc }

// Address is where the embedded server lets other programs in; "": nowhere.
func (s *Store) Address() string { return s.server.Address() }

// Close ends what runs in the background, and stops the embedded server once
// its files are closed. Runs are ended first, by whoever plays them.
func (s *Store) Close() {
	if s.stop != nil {
		s.stop()
	}
	s.tasks.Wait()
	if s.nc != nil {
		s.nc.Close()
	}
	if s.server != nil {
		s.server.Close()
	}
}
