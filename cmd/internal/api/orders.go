package api

import (
	"context"
	"net/http"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/orders"
)

type listOrders struct {
	Site   string `query:"site" maxLength:"128"`
	Unit   string `query:"unit" maxLength:"128"`
	Serial string `query:"serial" maxLength:"128"`
	Batch  string `query:"batch" maxLength:"128"`
	Bench  string `query:"bench" maxLength:"63"`
	State  string `query:"state" enum:"waiting,allowed,playing,holding,done,not done,withdrawn"`
	Skip   int    `query:"skip" minimum:"0" maximum:"1000000"`
	Limit  int    `query:"limit" minimum:"1" maximum:"10000" default:"1000"`
}

// ordersView is part of a list.
type ordersView struct {
	All    int            `json:"all" doc:"how many there are that fit"`
	Orders []orders.Order `json:"orders"`
}

// AtOrder is a request about one order.
type AtOrder struct {
	Order string `path:"order" pattern:"^[A-Za-z0-9_-]{1,63}$" doc:"ID of the order"`
}

type fileOrder struct {
	Body struct {
		ID        string  `json:"id,omitempty" pattern:"^[A-Za-z0-9_-]{1,63}$" doc:"makes it safe to file again: the same ID is the same order"`
		Site      string  `json:"site,omitempty" maxLength:"128"`
		Unit      string  `json:"unit" minLength:"1" maxLength:"128" pattern:"\\S" doc:"name in the plan"`
		Serial    string  `json:"serial,omitempty" maxLength:"128"`
		Kind      string  `json:"kind,omitempty" maxLength:"128"`
		Batch     string  `json:"batch,omitempty" maxLength:"128"`
		Bench     string  `json:"bench,omitempty" pattern:"^[A-Za-z0-9_-]{1,63}$" doc:"that is to play it; missing: any"`
		Position  float64 `json:"position,omitempty" doc:"lower comes first; missing: behind all others"`
		Allowance string  `json:"allowance,omitempty" enum:"unit,batch,always" doc:"missing: it waits to be allowed"`
	}
}

type allowOrder struct {
	AtOrder
	Body struct {
		Allowance string `json:"allowance,omitempty" enum:"unit,batch,always" default:"unit"`
	}
}

type moveOrder struct {
	AtOrder
	Body struct {
		Position *float64 `json:"position,omitempty" doc:"lower comes first"`
		Before   string   `json:"before,omitempty" pattern:"^[A-Za-z0-9_-]{1,63}$" doc:"the order that it is to stand before"`
		Bench    *string  `json:"bench,omitempty" pattern:"^([A-Za-z0-9_-]{1,63})?$" doc:"that is to play it; empty: any"`
	}
}

type withdrawOrder struct {
	AtOrder
	Body struct {
		Why string `json:"why,omitempty" maxLength:"500"`
	}
}

type releaseOrder struct {
	AtOrder
	Body struct {
		Hold   string `json:"hold" minLength:"1" maxLength:"128"`
		Choice string `json:"choice" minLength:"1" maxLength:"64"`
		Text   string `json:"text,omitempty" maxLength:"1024" doc:"never a secret: those are typed at the bench that plays the order"`
	}
}

type allowBatch struct {
	Body struct {
		Site  string `json:"site,omitempty" maxLength:"128"`
		Batch string `json:"batch" minLength:"1" maxLength:"128"`
	}
}

// orderWithin is how long the store of orders may take: what is far, or
// without a leader, is said to be not reached then.
const orderWithin = 20 * time.Second

var errNoOrders = say(http.StatusConflict, "this bench keeps its orders by itself, without a list that can be asked for")

// orderOp registers an operation of the store of orders.
func orderOp[I, O any](s *server, role access.Role, method, path, summary string, f func(context.Context, Orders, access.Session, *I) (O, error)) {
	add(s, s.op(role, method, path, summary), func(ctx context.Context, who access.Session, in *I) (*body[O], error) {
		if s.Orders == nil {
			return nil, errNoOrders
		}
		ctx, cancel := context.WithTimeout(ctx, orderWithin)
		defer cancel()
		v, err := f(ctx, s.Orders, who, in)
		return of(v), err
	})
}

func (s *server) orderOperations() {
	orderOp(s, access.Look, http.MethodGet, "/orders", "Work orders that fit, by position", listed)
	orderOp(s, access.Look, http.MethodGet, "/orders/{order}", "A work order",
		func(ctx context.Context, st Orders, _ access.Session, in *AtOrder) (orders.Order, error) {
			return st.Get(ctx, in.Order)
		})
	orderOp(s, access.Look, http.MethodGet, "/orders/{order}/history", "Each change of a work order, from the first",
		func(ctx context.Context, st Orders, _ access.Session, in *AtOrder) ([]orders.Change, error) {
			return st.History(ctx, in.Order)
		})
	orderOp(s, access.Play, http.MethodPost, "/orders", "File a work order", filed)
	orderOp(s, access.Play, http.MethodPost, "/orders/{order}/allow", "Let a work order be played",
		func(ctx context.Context, st Orders, who access.Session, in *allowOrder) (orders.Order, error) {
			return st.Allow(ctx, in.Order, orders.Allowance(in.Body.Allowance), who.Person.Name)
		})
	orderOp(s, access.Play, http.MethodPost, "/orders/{order}/move", "Change an order's place in the list, or its bench", moved)
	orderOp(s, access.Play, http.MethodPost, "/orders/{order}/withdraw", "Take an order off: one that is played is ended safely first",
		func(ctx context.Context, st Orders, who access.Session, in *withdrawOrder) (orders.Order, error) {
			return st.Stop(ctx, in.Order, who.Person.Name, in.Body.Why)
		})
	orderOp(s, access.Play, http.MethodPost, "/orders/{order}/again", "Try again what was not done",
		func(ctx context.Context, st Orders, who access.Session, in *AtOrder) (orders.Order, error) {
			return st.Again(ctx, in.Order, who.Person.Name)
		})
	orderOp(s, access.Play, http.MethodPost, "/batches/allow", "Let all waiting orders of a batch be played",
		func(ctx context.Context, st Orders, who access.Session, in *allowBatch) ([]orders.Order, error) {
			return st.AllowBatch(ctx, in.Body.Site, in.Body.Batch, who.Person.Name)
		})
	orderOp(s, access.Release, http.MethodPost, "/orders/{order}/release", "Release the hold of an order, whichever bench plays it",
		func(ctx context.Context, st Orders, who access.Session, in *releaseOrder) (orders.Order, error) {
			return st.Release(ctx, in.Order, orders.Release{Hold: in.Body.Hold, Choice: in.Body.Choice, Text: in.Body.Text, By: who.Person.Name})
		})
	orderOp(s, access.Release, http.MethodPost, "/orders/{order}/reclaim", "Take an order from a bench that will not come back; make sure first that it does not play it",
		func(ctx context.Context, st Orders, who access.Session, in *withdrawOrder) (orders.Order, error) {
			return st.Reclaim(ctx, in.Order, who.Person.Name, in.Body.Why)
		})
}

func listed(ctx context.Context, st Orders, _ access.Session, in *listOrders) (ordersView, error) {
	list, err := st.List(ctx, orders.Filter{Site: in.Site, Unit: in.Unit, Serial: in.Serial, Batch: in.Batch, Bench: in.Bench, State: orders.State(in.State)})
	if err != nil {
		return ordersView{}, err
	}
	v := ordersView{All: len(list), Orders: []orders.Order{}}
	from := min(in.Skip, len(list))
	v.Orders = append(v.Orders, list[from:min(from+in.Limit, len(list))]...)
	return v, nil
}

func filed(ctx context.Context, st Orders, who access.Session, in *fileOrder) (orders.Order, error) {
	b := in.Body
	return st.File(ctx, orders.Filing{ID: b.ID, Site: b.Site, Unit: b.Unit, Serial: b.Serial, Kind: b.Kind, Batch: b.Batch, Bench: b.Bench,
		Position: b.Position, Allowance: orders.Allowance(b.Allowance), Person: who.Person.Name})
}

// moved does all that a move asks for; an error may leave the first part done.
func moved(ctx context.Context, st Orders, who access.Session, in *moveOrder) (o orders.Order, err error) {
	b := in.Body
	if b.Position == nil && b.Before == "" && b.Bench == nil || b.Position != nil && b.Before != "" {
		return o, say(http.StatusUnprocessableEntity, "say a position, or which order it is to stand before, or which bench")
	}
	switch {
	case b.Position != nil:
		o, err = st.Move(ctx, in.Order, *b.Position, who.Person.Name)
	case b.Before != "":
		o, err = st.MoveBefore(ctx, in.Order, b.Before, who.Person.Name)
	}
	if err == nil && b.Bench != nil {
		o, err = st.Assign(ctx, in.Order, *b.Bench, who.Person.Name)
	}
	return o, err
}
