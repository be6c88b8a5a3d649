package desk

import (
	"context"
	"slices"
	"sync"

	"linehand/script/visit"
)

// order has the lists of several visits one unit after the other, part by
// part: all units' steps before power come before the first proof's question.
// Answers out of a file can then be written down beforehand.
type order struct {
	mu    sync.Mutex
	units []string
	at    map[string]int // how far a unit's lists are; past the last: it is over
	moved chan struct{}  // closed and replaced when at changes
}

func newOrder(units []string) *order {
	return &order{units: units, at: make(map[string]int), moved: make(chan struct{})}
}

// wait returns when all units before this one are past the part.
func (o *order) wait(ctx context.Context, unit, part string) error {
	no := slices.Index(visit.Parts(), visit.Part(part))
	for {
		o.mu.Lock()
		free := true
		for _, u := range o.units {
			if u == unit {
				break
			}
			free = free && o.at[u] > no
		}
		moved := o.moved
		o.mu.Unlock()
		if free {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// done says that a unit's list of the part is over.
func (o *order) done(unit, part string) {
	o.move(unit, slices.Index(visit.Parts(), visit.Part(part))+1)
}

// begin says that a unit is in a part: those before it are over.
func (o *order) begin(unit, part string) {
	if no := slices.Index(visit.Parts(), visit.Part(part)); no >= 0 {
		o.move(unit, no)
	}
}

func (o *order) leave(unit string) { o.move(unit, len(visit.Parts())) }

func (o *order) move(unit string, to int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if to > o.at[unit] {
		o.at[unit] = to
		close(o.moved)
		o.moved = make(chan struct{})
	}
}
