package api

import (
	"context"
	"fmt"
	"net/http"
	"runtime/debug"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"linehand/cmd/internal/access"
)

// server is the API of one bench.
type server struct {
	Deps
	mux     *routes
	api     huma.API
	hub     *hub
	streams *streams
	base    string        // the bench's own address; "" where it is not known
	packing chan struct{} // one handover pack at a time: each is made in memory
	stop    <-chan struct{}
}

// Handler serves the API, signing in, health, metrics and the pages. What it
// does in the background ends with ctx, and so do the streams that it serves.
func Handler(ctx context.Context, d Deps) http.Handler {
	s := newServer(ctx, d)
	go s.hub.run(ctx)
	go s.Keyboards.run(ctx, d.Gate.Still)
	return s.handler()
}

func newServer(ctx context.Context, d Deps) *server {
	if d.Keyboards == nil {
		d.Keyboards = NewKeyboards(d.Bench)
	}
	if d.Meter == nil {
		d.Meter = NewMeter()
	}
	s := &server{Deps: d, mux: new(routes), streams: newStreams(), packing: make(chan struct{}, 1), stop: ctx.Done()}
	s.hub = newHub(d.Bench, d.Meter)
	d.Meter.of(s)
	s.api = humago.New(s.mux, config(d.Tool))
	s.operations()
	s.plain()
	return s
}

// routes is a mux that knows what is registered, so that tests can walk over
// all of it.
type routes struct {
	http.ServeMux
	patterns []string
}

// Handle registers a handler.
func (r *routes) Handle(pattern string, h http.Handler) {
	r.patterns = append(r.patterns, pattern)
	r.ServeMux.Handle(pattern, h)
}

// HandleFunc registers a handler.
func (r *routes) HandleFunc(pattern string, h func(http.ResponseWriter, *http.Request)) {
	r.Handle(pattern, http.HandlerFunc(h))
}

// operations registers all operations of the API.
func (s *server) operations() {
	s.lineOperations()
	s.keyboardOperations()
	s.unitOperations()
	s.orderOperations()
	s.recordOperations()
	s.handoverOperations()
	s.planOperations()
	s.sessionOperations()
	s.streamOperations()
}

// plain mounts what is no operation: health, metrics, signing in and pages.
func (s *server) plain() {
	s.Gate.Routes(s.mux)
	s.mux.HandleFunc("GET /healthz", s.health)
	s.mux.HandleFunc("GET /readyz", s.ready)
	s.mux.Handle("GET /metrics", access.Require(access.Look, s.Meter.handler()))
	s.mux.HandleFunc("GET /api/openapi.json", s.document)
	s.mux.HandleFunc("/api/", func(w http.ResponseWriter, _ *http.Request) {
		problem(w, http.StatusNotFound, "the API has no such operation; /api/openapi.json lists them")
	})
	in := s.Pages.SignIn
	if in == nil {
		in = http.HandlerFunc(bareSignIn)
	}
	s.mux.Handle("GET /sign-in", in)
	if s.Pages.Assets != nil {
		s.mux.Handle("GET /assets/", s.Pages.Assets)
	}
	if s.Pages.Signed != nil {
		s.mux.Handle("/", s.Pages.Signed)
	}
}

// mostBody is how long a request may be, in bytes.
const mostBody = 256 << 10

// handler is the mux behind the gate, with a log of requests around both.
func (s *server) handler() http.Handler {
	return s.watched(s.Gate.Guard(http.HandlerFunc(s.inner)))
}

// inner serves what has come through the gate.
func (s *server) inner(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostBody)
	n, watched := r.Context().Value(noteKey{}).(*note)
	if who, known := access.From(r.Context()); known && watched {
		n.person = who.Person.Name
	}
	defer func() {
		if watched {
			n.route = r.Pattern
		}
	}()
	s.mux.ServeHTTP(w, r)
}

// watched logs and counts requests, and survives a fault in their handlers.
func (s *server) watched(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		n := &note{ResponseWriter: w, began: time.Now()}
		defer s.noted(n, r)
		defer s.recovered(n)
		next.ServeHTTP(n, r.WithContext(context.WithValue(r.Context(), noteKey{}, n)))
	})
}

// recovered answers a request whose handler has a fault, without telling what
// it is.
func (s *server) recovered(n *note) {
	fault := recover()
	if fault == nil {
		return
	}
	if fault == http.ErrAbortHandler {
		panic(fault)
	}
	s.Log.Error().Str("fault", fmt.Sprintf("%T", fault)).Bytes("stack", debug.Stack()).Msg("a request found a fault in this program")
	if n.status == 0 {
		problem(n, http.StatusInternalServerError, "a fault in this program; its log says more")
	}
}

type noteKey struct{}

// note is what the log and the metrics tell of a request: neither its path,
// which may hold a code, nor its query, headers or body.
type note struct {
	http.ResponseWriter
	began  time.Time
	route  string
	person string
	status int
	bytes  int64
}

func (n *note) Unwrap() http.ResponseWriter { return n.ResponseWriter }

func (n *note) WriteHeader(status int) {
	if n.status == 0 {
		n.status = status
	}
	n.ResponseWriter.WriteHeader(status)
}

func (n *note) Write(p []byte) (int, error) {
	if n.status == 0 {
		n.status = http.StatusOK
	}
	m, err := n.ResponseWriter.Write(p)
	n.bytes += int64(m)
	return m, err
}

// Flush sends what was written.
func (n *note) Flush() { _ = http.NewResponseController(n.ResponseWriter).Flush() }

func (s *server) noted(n *note, r *http.Request) {
	if n.status == 0 {
		n.status = http.StatusOK
	}
	if n.route == "" {
		n.route = "none"
	}
	took := time.Since(n.began)
	s.Meter.request(n.route, r.Method, n.status, took)
	e := s.Log.Debug()
	if n.status >= http.StatusInternalServerError {
		e = s.Log.Error()
	}
	e.Str("route", n.route).Str("method", methodName(r.Method)).Int("status", n.status).Int64("bytes", n.bytes).Dur("took", took).Str("person", n.person).Msg("request")
}

// methodName keeps a made-up method out of logs and metrics.
func methodName(m string) string {
	switch m {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return m
	}
	return "other"
}

// health says that the process answers.
func (s *server) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintln(w, "alive")
}

// readyWithin is how long being ready may take to find out.
const readyWithin = 5 * time.Second

// ready says whether work can be done. Why not is for the log: anybody may
// ask.
func (s *server) ready(w http.ResponseWriter, r *http.Request) {
	if s.Ready != nil {
		ctx, cancel := context.WithTimeout(r.Context(), readyWithin)
		defer cancel()
		if err := s.Ready(ctx); err != nil {
			s.Log.Warn().Err(err).Msg("the bench is not ready")
			problem(w, http.StatusServiceUnavailable, "the bench is not ready; its log says why")
			return
		}
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintln(w, "ready")
}

// bareSignIn is the form for where there are no pages.
func bareSignIn(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	fmt.Fprint(w, `<!doctype html><html lang="en"><title>Sign in</title><h1>Sign in</h1>
<form method="post" action="/sign-in"><p><label>Name <input name="name" autocomplete="username" required></label>
<p><label>Passphrase <input name="passphrase" type="password" autocomplete="current-password" required></label>
<p><button>Sign in</button></form></html>`)
}
