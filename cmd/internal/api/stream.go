package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench"
)

const (
	heartbeat   = 15 * time.Second       // keeps what is between from taking a quiet stream for a dead one
	sendWithin  = 10 * time.Second       // else whoever reads is taken for gone
	screenEvery = 100 * time.Millisecond // at most so often is a screen sent

	mostStreams          = 512
	mostStreamsPerPerson = 32
)

// streams counts those that go on.
type streams struct {
	mu  sync.Mutex
	all int
	by  map[string]int
}

func newStreams() *streams { return &streams{by: make(map[string]int)} }

func (s *streams) enter(person string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all >= mostStreams || s.by[person] >= mostStreamsPerPerson {
		return false
	}
	s.all++
	s.by[person]++
	return true
}

func (s *streams) leave(person string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all--
	if s.by[person]--; s.by[person] == 0 {
		delete(s.by, person)
	}
}

func (s *streams) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.all
}

// stream writes server-sent events (HTML Living Standard, section 9.2).
type stream struct {
	w  http.ResponseWriter
	rc *http.ResponseController
}

// begin sends the headers. The browser is told to come back after two seconds
// when it has lost touch.
func begin(ctx huma.Context) *stream {
	_, w := humago.Unwrap(ctx)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy that buffers would hold events back
	return &stream{w, http.NewResponseController(w)}
}

// send sends text, within a time of its own. Between two sends there is no
// deadline: with HTTP/2 one that passes ends the stream.
func (s *stream) send(text []byte) error {
	_ = s.rc.SetWriteDeadline(time.Now().Add(sendWithin)) // not in tests without a connection
	if _, err := s.w.Write(text); err != nil {
		return err
	}
	if err := s.rc.Flush(); err != nil {
		return err
	}
	_ = s.rc.SetWriteDeadline(time.Time{})
	return nil
}

type watchChanges struct {
	Last string `header:"Last-Event-ID" maxLength:"64" doc:"ID of the last event that was seen"`
}

func (s *server) streamOperations() {
	o := s.op(access.Look, http.MethodGet, "/changes", "What changes, as server-sent events: lines (all of them) first, or what was missed since Last-Event-ID; then change after change")
	s.events(&o, map[string]any{"lines": linesEvent{}, "change": bench.Change{}})
	add(s, o, func(_ context.Context, who access.Session, in *watchChanges) (*huma.StreamResponse, error) {
		return s.stream(who, func(ctx context.Context, out *stream) { s.changes(ctx, who, out, in.Last) })
	})
	o = s.op(access.Look, http.MethodGet, "/lines/{line}/screen", "What a line shows, as server-sent events: the screen at once, and each later one")
	s.events(&o, map[string]any{"screen": bench.Shown{}})
	add(s, o, func(_ context.Context, who access.Session, in *AtLine) (*huma.StreamResponse, error) {
		if _, err := s.Bench.Line(in.Line); err != nil {
			return nil, err
		}
		return s.stream(who, func(ctx context.Context, out *stream) { s.screen(ctx, who, out, in.Line) })
	})
}

// events documents the events of a stream: JSON in their data.
func (s *server) events(o *huma.Operation, kinds map[string]any) {
	o.Errors = append(o.Errors, http.StatusServiceUnavailable)
	text := "Events, and JSON in their data:"
	for _, name := range []string{"lines", "change", "screen"} {
		if v, ok := kinds[name]; ok {
			ref := s.api.OpenAPI().Components.Schemas.Schema(reflect.TypeOf(v), true, name).Ref
			text += fmt.Sprintf(" %s (%s)", name, ref)
		}
	}
	o.Responses = map[string]*huma.Response{"200": {Description: text, Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: "string"}}}}}
}

// stream answers with a stream that ends with the session, and when the bench
// stops.
func (s *server) stream(who access.Session, run func(context.Context, *stream)) (*huma.StreamResponse, error) {
	if !s.streams.enter(who.Person.Name) {
		return nil, say(http.StatusServiceUnavailable, "too many streams are open; close other pages of the bench")
	}
	return &huma.StreamResponse{Body: func(hc huma.Context) {
		defer s.streams.leave(who.Person.Name)
		ctx, cancel := context.WithCancel(hc.Context())
		defer cancel()
		out := begin(hc)
		if out.send([]byte("retry: 2000\n\n")) == nil {
			run(ctx, out)
		}
	}}, nil
}

// changes sends changes until the client is gone, too slow, or no longer
// signed in.
func (s *server) changes(ctx context.Context, who access.Session, out *stream, last string) {
	c, missed := s.hub.join(last)
	defer s.hub.leave(c)
	for _, text := range missed {
		if out.send(text) != nil {
			return
		}
	}
	s.pass(ctx, who, out, c.frames)
}

// pass sends what comes, and a comment now and then.
func (s *server) pass(ctx context.Context, who access.Session, out *stream, frames <-chan []byte) {
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		var text []byte
		select {
		case <-ctx.Done():
			return
		case <-s.stop:
			return
		case <-beat.C:
			if !s.Gate.Still(who) {
				return
			}
			text = []byte(": still here\n\n")
		case f, open := <-frames:
			if !open {
				return
			}
			text = f
		}
		if out.send(text) != nil {
			return
		}
	}
}

// screen sends what a line shows. Screens that come faster than they are sent
// are passed over; the last one is always sent.
func (s *server) screen(ctx context.Context, who access.Session, out *stream, line string) {
	ctx, cancel := context.WithCancel(ctx)
	shown, err := s.Bench.Show(ctx, line)
	if err != nil {
		cancel()
		return
	}
	frames := make(chan []byte)
	var latest sync.WaitGroup
	latest.Go(func() { thin(ctx, shown, frames) })
	defer latest.Wait()
	defer cancel()
	s.pass(ctx, who, out, frames)
}

// thin reads every screen as it comes, so that none waits at the bench, and
// hands on the latest one.
func thin(ctx context.Context, shown <-chan bench.Shown, frames chan<- []byte) {
	defer close(frames)
	var next []byte
	pause := time.NewTimer(0)
	defer pause.Stop()
	ready := false
	for {
		var to chan<- []byte
		if next != nil && ready {
			to = frames
		}
		select {
		case v, open := <-shown:
			if !open {
				return
			}
			data, err := json.Marshal(v)
			if err == nil {
				next = fmt.Appendf(nil, "event: screen\ndata: %s\n\n", data)
			}
		case to <- next:
			next, ready = nil, false
			pause.Reset(screenEvery)
		case <-pause.C:
			ready = true
		case <-ctx.Done():
			return
		}
	}
}
