package api

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"linehand/cmd/internal/bench"
)

// hub watches the bench once for all who look on, and keeps the last changes
// for those who lose touch for a moment. It waits for none of them.
type hub struct {
	bench bench.Bench
	meter *Meter
	epoch string // of this process: numbers of changes begin anew with it

	mu      sync.Mutex
	last    uint64 // number of the last change
	ring    []frame
	clients map[*client]struct{}
	closed  bool
}

// frame is an event as it goes to a browser.
type frame struct {
	seq  uint64
	text []byte
}

// client is one who looks on. Its channel is closed when it is too slow, or
// when the bench stops.
type client struct{ frames chan []byte }

const (
	kept      = 1024 // changes that are kept
	slowAfter = 256  // changes that wait for a client before it is let go
)

func newHub(b bench.Bench, m *Meter) *hub {
	return &hub{bench: b, meter: m, epoch: strings.ToLower(rand.Text()[:6]), clients: make(map[*client]struct{})}
}

// run hands on changes until ctx ends.
func (h *hub) run(ctx context.Context) {
	defer h.close()
	changes := h.bench.Watch(ctx)
	for _, l := range h.bench.Lines() {
		h.meter.begin(l)
	}
	for c := range changes {
		if c.Line != nil {
			h.meter.line(*c.Line)
		}
		h.tell(c)
	}
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.clients {
		h.drop(c)
	}
}

func (h *hub) tell(c bench.Change) {
	h.mu.Lock()
	defer h.mu.Unlock()
	missed := h.last != 0 && c.Seq != h.last+1
	h.last = c.Seq
	if missed { // the bench let the hub miss some: all start from what is now
		h.ring = nil
		h.spread(h.whole())
	}
	text := h.event("change", c.Seq, c)
	h.ring = append(h.ring, frame{c.Seq, text})
	if len(h.ring) > kept {
		h.ring = h.ring[len(h.ring)-kept:]
	}
	h.spread(text)
}

// spread hands a frame to all clients, and lets go of those who are too slow.
func (h *hub) spread(text []byte) {
	for c := range h.clients {
		select {
		case c.frames <- text:
		default:
			h.meter.dropped()
			h.drop(c)
		}
	}
}

func (h *hub) drop(c *client) {
	delete(h.clients, c)
	close(c.frames)
}

func (h *hub) event(name string, seq uint64, v any) []byte {
	data, err := json.Marshal(v)
	if err != nil {
		data = []byte("{}") // no change of a bench is one that cannot be written
	}
	return fmt.Appendf(nil, "event: %s\nid: %s-%d\ndata: %s\n\n", name, h.epoch, seq, data)
}

// linesEvent is how it all stands.
type linesEvent struct {
	Bench string       `json:"bench"`
	Lines []bench.Line `json:"lines"`
}

// whole is an event with all lines.
func (h *hub) whole() []byte {
	return h.event("lines", h.last, linesEvent{h.bench.Name(), h.bench.Lines()})
}

// join lets somebody look on. First come the changes after the one that they
// saw last, or all lines as they stand.
func (h *hub) join(lastID string) (*client, [][]byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := &client{make(chan []byte, slowAfter)}
	if h.closed {
		close(c.frames)
		return c, nil
	}
	h.clients[c] = struct{}{}
	if missed, ok := h.since(lastID); ok {
		return c, missed
	}
	return c, [][]byte{h.whole()}
}

// since are the changes after the one with this ID; false when not all of
// them are kept.
func (h *hub) since(lastID string) (missed [][]byte, ok bool) {
	epoch, number, _ := strings.Cut(lastID, "-")
	seq, err := strconv.ParseUint(number, 10, 64)
	if err != nil || epoch != h.epoch || seq > h.last {
		return nil, false
	}
	if seq < h.last && (len(h.ring) == 0 || h.ring[0].seq > seq+1) {
		return nil, false
	}
	for _, f := range h.ring {
		if f.seq > seq {
			missed = append(missed, f.text)
		}
	}
	return missed, true
}

func (h *hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, there := h.clients[c]; there {
		h.drop(c)
	}
}
