package visit

import (
	"context"
	"sync"
)

// Turns keep the order of units that are visited at once: a unit of a cluster
// has its first boot after those before it serve, and its proof when all of
// its cluster do.
type Turns struct {
	before map[string][]string // by unit: those before it, first ones first
	with   map[string][]string // by unit: the others of its cluster
	units  map[string]*turn
}

type turn struct {
	once sync.Once
	over chan struct{} // closed when it serves, or has ended
	ok   bool          // it serves; read after over is closed
}

// NewTurns makes turns for the units of each cluster in the order of their
// turns; only those that are visited now.
func NewTurns(clusters [][]string) *Turns {
	t := &Turns{before: map[string][]string{}, with: map[string][]string{}, units: map[string]*turn{}}
	for _, units := range clusters {
		for i, u := range units {
			t.units[u] = &turn{over: make(chan struct{})}
			t.before[u] = units[:i]
			t.with[u] = append(append([]string(nil), units[:i]...), units[i+1:]...)
		}
	}
	return t
}

// served says that a unit serves.
func (t *Turns) served(unit string) { t.settle(unit, true) }

// ended says that a visit has ended; well says whether it came to its end.
func (t *Turns) ended(unit string, well bool) { t.settle(unit, well) }

func (t *Turns) settle(unit string, ok bool) {
	if t == nil || t.units[unit] == nil {
		return
	}
	u := t.units[unit]
	u.once.Do(func() { u.ok = ok; close(u.over) })
}

// first waits for those before a unit. It returns those that have failed.
func (t *Turns) first(ctx context.Context, unit string, tell func(string)) ([]string, error) {
	if t == nil {
		return nil, nil
	}
	return t.wait(ctx, t.before[unit], tell)
}

// all waits for all others of the unit's cluster.
func (t *Turns) all(ctx context.Context, unit string, tell func(string)) ([]string, error) {
	if t == nil {
		return nil, nil
	}
	return t.wait(ctx, t.with[unit], tell)
}

func (t *Turns) wait(ctx context.Context, units []string, tell func(string)) (failed []string, err error) {
	for _, name := range units {
		u := t.units[name]
		select {
		case <-u.over:
		default:
			tell("waiting for " + name)
			select {
			case <-u.over:
			case <-ctx.Done():
				return nil, errStopped
			}
		}
		if !u.ok {
			failed = append(failed, name)
		}
	}
	return failed, nil
}
