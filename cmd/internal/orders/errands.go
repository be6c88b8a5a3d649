package orders

import (
	"maps"
	"slices"
	"sync"
)

// errands are those that are still to be run: the latest of each order.
type errands struct {
	news chan struct{} // has one element when there is a new one

	mu   sync.Mutex
	open map[string]*errand
}

func newErrands() *errands {
	return &errands{news: make(chan struct{}, 1), open: map[string]*errand{}}
}

// note takes the place of what was to be done for the order before.
func (t *errands) note(e errand) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e.task == nil {
		delete(t.open, e.order)
		return
	}
	t.open[e.order] = &e
	select {
	case t.news <- struct{}{}:
	default:
	}
}

func (t *errands) all() []*errand {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Collect(maps.Values(t.open))
}

// done strikes an errand off, unless another has come for its order.
func (t *errands) done(e *errand) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.open[e.order] == e {
		delete(t.open, e.order)
	}
}
