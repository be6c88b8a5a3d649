package web

import (
	"context"
	"net/http"
	"slices"
	"sync"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders"
)

// fleetView is the Fleet page.
type fleetView struct {
	Kept    bool // orders are kept where many benches see them
	Linked  bool
	Benches []benchSeen
	Orders  []orderGroup
	Total   int
	Behind  int // orders that are as they were last heard of
}

type benchSeen struct {
	orders.Bench
	Ago     time.Duration
	Here    bool // this one
	Playing int
	Needing int
	Work    []orders.Order
}

// orderGroup is the orders of a batch.
type orderGroup struct {
	Batch string
	Done  int
	Rows  []orders.Order
}

// fleetWithin is how long the store of orders may take.
const fleetWithin = 5 * time.Second

func (s *site) fleetPage(w http.ResponseWriter, r *http.Request) {
	f := s.frame(r, "fleet", "Fleet", nil)
	f.Live = "orders bench line"
	v := fleetView{Kept: s.Orders != nil}
	if v.Kept {
		ctx, cancel := context.WithTimeout(r.Context(), fleetWithin)
		defer cancel()
		if err := s.fleet(ctx, &v, f.Now); err != nil {
			s.failed(w, r, "The fleet cannot be listed", err)
			return
		}
	}
	if len(v.Benches) == 0 {
		v.Benches = []benchSeen{{Bench: s.itself(f.Now), Here: true}}
		v.Benches[0].tally()
		v.Benches[0].Needing = f.Needs
	}
	f.Data = v
	s.show(w, http.StatusOK, f)
}

func (s *site) fleet(ctx context.Context, v *fleetView, now time.Time) error {
	v.Linked = s.Orders.Linked()
	benches, err := s.Orders.Benches(ctx)
	if err != nil {
		return err
	}
	list, err := s.Orders.List(ctx, orders.Filter{})
	if err != nil {
		return err
	}
	for _, b := range benches {
		seen := benchSeen{Bench: b, Ago: max(0, now.Sub(b.Seen)), Here: b.Name == s.Bench.Name()}
		for _, o := range list {
			if o.Player == b.Name && o.State.OnLine() {
				seen.Work = append(seen.Work, o)
			}
		}
		seen.tally()
		v.Benches = append(v.Benches, seen)
	}
	v.Total = len(list)
	v.group(list)
	return nil
}

// tally counts the lines that play and those that need a person.
func (b *benchSeen) tally() {
	for _, l := range b.Lines {
		switch bench.State(l.State) {
		case bench.Playing, bench.Taken:
			b.Playing++
		case bench.Holding, bench.Unmatched:
			b.Needing++
		}
	}
}

// group puts the orders of each batch together, those without one last.
func (v *fleetView) group(list []orders.Order) {
	at := make(map[string]int)
	for _, o := range list {
		i, ok := at[o.Batch]
		if !ok {
			i = len(v.Orders)
			at[o.Batch] = i
			v.Orders = append(v.Orders, orderGroup{Batch: o.Batch})
		}
		g := &v.Orders[i]
		g.Rows = append(g.Rows, o)
		if o.State == orders.Done {
			g.Done++
		}
		if o.Behind {
			v.Behind++
		}
	}
	slices.SortStableFunc(v.Orders, func(a, b orderGroup) int {
		if (a.Batch == "") != (b.Batch == "") {
			return asNumber(a.Batch == "") - asNumber(b.Batch == "")
		}
		return natural(a.Batch, b.Batch)
	})
}

// itself is this bench as a fleet of one.
func (s *site) itself(now time.Time) orders.Bench {
	b := orders.Bench{Name: s.Bench.Name(), Seen: now}
	for _, l := range s.Bench.Lines() {
		b.Lines = append(b.Lines, orders.Line{Name: nameOf(l), Identity: l.ID, Label: l.Label, State: string(l.State), Order: l.Order})
	}
	return b
}

// played keeps for a moment which units were played to a good end.
type played struct {
	mu    sync.Mutex
	at    time.Time
	units map[string]bool
}

const playedFor = 2 * time.Second

func (s *site) playedUnits() map[string]bool {
	s.played.mu.Lock()
	defer s.played.mu.Unlock()
	if time.Since(s.played.at) < playedFor {
		return s.played.units
	}
	ctx, cancel := context.WithTimeout(context.Background(), fleetWithin)
	defer cancel()
	list, err := s.Orders.List(ctx, orders.Filter{})
	if err != nil {
		s.Log.Debug().Err(err).Msg("list the orders for the Bench page")
	}
	s.played.at, s.played.units = time.Now(), make(map[string]bool)
	for _, o := range list {
		if !o.State.Open() {
			s.played.units[o.Unit] = true
		}
	}
	return s.played.units
}

// toCome are the units that are on no line and were not played yet; nil where
// that is not known.
func (s *site) toCome(free []string) []string {
	if s.Orders == nil {
		return nil
	}
	over := s.playedUnits()
	return slices.DeleteFunc(slices.Clone(free), func(u string) bool { return over[u] })
}
