package orders

import (
	"context"
	"fmt"
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
