package orders

import (
	"context"
	"fmt"
	"sync"
)

// SecretError says that a secret was given where it would have to travel, and
// where it is to be given instead.
type SecretError struct {
	Order, Bench, Line string
	URL                string // of the bench's pages; "": not known
}

func (e *SecretError) Error() string {
	page := "its own page"
	if e.URL != "" {
		page = "its own page, " + e.URL
	}
	if e.Bench == "" {
		return fmt.Sprintf("a secret is not passed on from bench to bench, and nothing was sent: give it at the bench that plays order %s, on %s of the line", e.Order, page)
	}
	return fmt.Sprintf("a secret is not passed on from bench to bench, and nothing was sent: give it at bench %s, where order %s waits on line %s, on %s", e.Bench, e.Order, e.Line, page)
}

// secretElsewhere finds out where the secret for a hold is to be given.
func (s *Store) secretElsewhere(ctx context.Context, order string) (Order, error) {
	o, err := s.Get(ctx, order)
	if err != nil {
		return o, err
	}
	e := &SecretError{Order: order, Bench: o.Player, Line: o.Line}
	benches, err := s.Benches(ctx)
	if err != nil {
		return o, e // it is refused all the same
	}
	for _, b := range benches {
		if b.Name != o.Player {
			continue
		}
		e.URL = b.URL
		for _, l := range b.Lines {
			if l.Name == o.Line && l.Label != "" {
				e.Line = l.Label
			}
		}
	}
	return o, e
}

// Aside passes a secret that a person has typed to the run that waits for it,
// within one process, and forgets it. It is how a secret gets to a bench: its
// page or API is given the secret over TLS and puts it here; then the hold is
// released without a text. A secret is never part of a Release, which goes
// over the bus and onto disks. The zero Aside is ready.
type Aside struct {
	mu    sync.Mutex
	holds map[string][]byte
}

// Put keeps a secret for a hold, in place of one that was put before.
func (a *Aside) Put(hold string, secret []byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.holds == nil {
		a.holds = map[string][]byte{}
	}
	clear(a.holds[hold])
	a.holds[hold] = append([]byte(nil), secret...)
}

// Take gives the secret of a hold, once; the caller wipes it.
func (a *Aside) Take(hold string) ([]byte, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	secret, ok := a.holds[hold]
	delete(a.holds, hold)
	return secret, ok
}

// Forget wipes the secret of a hold that was released otherwise.
func (a *Aside) Forget(hold string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	clear(a.holds[hold])
	delete(a.holds, hold)
}
