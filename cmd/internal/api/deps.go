// Package api is what a bench serves over HTTP: an API for everything that its
// pages can do, described by an OpenAPI 3.1 document that is made from the
// code, live changes as server-sent events, health, readiness and metrics; and
// the pages, which another package makes.
//
// It adds no rule to those of the bench, the orders and the records: it says
// what role an operation needs, and hands over who asks. Everything that it
// shows is masked before it gets here. A secret that a person types goes to the
// bench, and into no answer, log, metric or message about a fault.
package api

import (
	"context"
	"net/http"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/station"
)

// Deps are what the API and the pages stand on.
type Deps struct {
	Bench     bench.Bench
	Keyboards *Keyboards                  // lines that people have taken over; the API and the pages share them
	Orders    Orders                      // nil: the bench keeps no orders that can be listed
	Plan      func() *station.Report      // of the site's profile as the bench plays it; nil: none
	Archive   *archive.Archive            // the bench's records
	Gate      *access.Gate                // who may do what
	Ready     func(context.Context) error // nil: always
	Meter     *Meter                      // nil: one of its own
	Pages     Pages
	Tool      string // name and version
	Log       zerolog.Logger
}

// Pages are the handlers of the pages. Those that are nil are not there.
//
// Signed gets GET and POST of every path that the API does not have; a request
// for it has a session. SignIn gets GET /sign-in and is open to everybody, as
// is Assets, which gets GET /assets/. The sign-in form is posted to /sign-in
// with the fields name, passphrase and next (a path), and the answer is a
// redirect to next, or to /sign-in?failed=1 or ?failed=wait. POST /sign-out
// ends the session.
type Pages struct {
	Signed, SignIn, Assets http.Handler
}

// Orders is the store of work orders; *orders.Store is one.
type Orders interface {
	File(ctx context.Context, f orders.Filing) (orders.Order, error)
	Get(ctx context.Context, id string) (orders.Order, error)
	List(ctx context.Context, f orders.Filter) ([]orders.Order, error)
	History(ctx context.Context, id string) ([]orders.Change, error)
	Allow(ctx context.Context, id string, how orders.Allowance, by string) (orders.Order, error)
	AllowBatch(ctx context.Context, site, batch, by string) ([]orders.Order, error)
	Move(ctx context.Context, id string, position float64, by string) (orders.Order, error)
	MoveBefore(ctx context.Context, id, other, by string) (orders.Order, error)
	Assign(ctx context.Context, id, bench, by string) (orders.Order, error)
	Stop(ctx context.Context, id, by, why string) (orders.Order, error)
	Again(ctx context.Context, id, by string) (orders.Order, error)
	Release(ctx context.Context, order string, r orders.Release) (orders.Order, error)
	Reclaim(ctx context.Context, id, by, why string) (orders.Order, error)
	Benches(ctx context.Context) ([]orders.Bench, error)
	Linked() bool
}

var _ Orders = (*orders.Store)(nil)
