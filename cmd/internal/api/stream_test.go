package api

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/benchtest"
)

// event is one server-sent event.
type event struct{ name, id, data string }

// events reads events of a stream.
type events struct{ *bufio.Scanner }

func (e events) next(t testing.TB) event {
	t.Helper()
	var ev event
	for e.Scan() {
		key, value, _ := strings.Cut(e.Text(), ": ")
		switch key {
		case "event":
			ev.name = value
		case "id":
			ev.id = value
		case "data":
			ev.data = value
		case "":
			if ev.name != "" {
				return ev
			}
		}
	}
	t.Fatal("the stream has ended")
	return ev
}

// open opens a stream of a real server.
func (r *rig) open(t testing.TB, hs *httptest.Server, path, last string) (events, func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	req, err := http.NewRequestWithContext(ctx, "GET", hs.URL+path, nil)
	must(t, err)
	req.Header.Set("Authorization", "Bearer "+r.tokens[access.Look])
	if last != "" {
		req.Header.Set("Last-Event-ID", last)
	}
	res, err := hs.Client().Do(req)
	must(t, err)
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %s", res.StatusCode, res.Header)
	}
	s := bufio.NewScanner(res.Body)
	s.Buffer(nil, 1<<20)
	return events{s}, func() { cancel(); res.Body.Close() }
}

func (r *rig) serve(t testing.TB) *httptest.Server {
	hs := httptest.NewServer(r.http)
	t.Cleanup(func() { hs.CloseClientConnections(); hs.Close() })
	return hs
}

const line1 = "usb:1209:00f1:LC1:00"

func (r *rig) label(t testing.TB, text string) {
	t.Helper()
	must(t, r.bench.Label(t.Context(), owner.By(), line1, text))
}

// TestChanges: all lines first, then each change; who comes back gets what was
// missed, and all lines where that is not known.
func TestChanges(t *testing.T) {
	r := newRig(t, false)
	hs := r.serve(t)
	in, leave := r.open(t, hs, "/api/changes", "")
	if e := in.next(t); e.name != "lines" || !strings.Contains(e.data, line1) {
		t.Fatalf("%+v", e)
	}
	r.label(t, "first")
	first := in.next(t)
	if first.name != "change" || !strings.Contains(first.data, `"label":"first"`) {
		t.Fatalf("%+v", first)
	}
	leave()
	r.label(t, "second")
	r.label(t, "third")
	in, leave = r.open(t, hs, "/api/changes", first.id)
	for _, want := range []string{"second", "third"} {
		if e := in.next(t); e.name != "change" || !strings.Contains(e.data, want) {
			t.Errorf("%s: %+v", want, e)
		}
	}
	leave()
	for _, last := range []string{"other-1", "x", first.id + "9", strings.Split(first.id, "-")[0] + "-0"} {
		in, leave = r.open(t, hs, "/api/changes", last)
		if e := in.next(t); e.name != "lines" {
			t.Errorf("Last-Event-ID %q: %+v", last, e)
		}
		leave()
	}
}

// TestHubKeepsNoMore: the changes that are kept are bounded, and what is
// missing is told as all lines.
func TestHubKeepsNoMore(t *testing.T) {
	b := benchtest.Demo(time.Now())
	h := newHub(b, NewMeter())
	for i := range kept + 10 {
		h.tell(bench.Change{Seq: uint64(i + 1), What: "orders"})
	}
	if missed, ok := h.since(fmt.Sprintf("%s-%d", h.epoch, kept)); !ok || len(missed) != 10 {
		t.Errorf("%d, %v", len(missed), ok)
	}
	if _, ok := h.since(h.epoch + "-5"); ok || len(h.ring) != kept {
		t.Errorf("%d are kept", len(h.ring))
	}
	// The bench has let the hub miss some.
	c, _ := h.join("")
	h.tell(bench.Change{Seq: kept + 20, What: "orders"})
	if f := <-c.frames; !strings.HasPrefix(string(f), "event: lines\n") {
		t.Errorf("%s", f)
	}
	if _, ok := h.since(fmt.Sprintf("%s-%d", h.epoch, kept+5)); ok {
		t.Error("a gap is taken for whole")
	}
}

// TestSlowReader: one who does not read is let go of, while the others and the
// bench go on; what the hub does waits for nobody.
func TestSlowReader(t *testing.T) {
	r := newRig(t, false)
	hs := r.serve(t)
	// One whose connection takes nothing.
	conn, err := net.Dial("tcp", hs.Listener.Addr().String())
	must(t, err)
	defer conn.Close()
	must(t, conn.(*net.TCPConn).SetReadBuffer(1))
	fmt.Fprintf(conn, "GET /api/changes HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer %s\r\n\r\n", r.tokens[access.Look])
	in, leave := r.open(t, hs, "/api/changes", "")
	defer leave()
	in.next(t)
	for r.clients() < 2 {
		time.Sleep(time.Millisecond)
	}
	// The other one reads each change before the next is made: it is never
	// too slow, however slow the machine.
	long := strings.Repeat("x", 60<<10)
	for i := 0; r.clients() == 2; i++ {
		if i > 5000 {
			t.Fatal("it is still waited for")
		}
		r.label(t, fmt.Sprint(i, long))
		if e := in.next(t); !strings.Contains(e.data, fmt.Sprintf(`"label":"%d`, i)) {
			t.Fatalf("change %d: %.200s", i, e.data)
		}
	}
	if m := r.ask("GET", "/metrics", r.tokens[access.Look], "").Body.String(); !strings.Contains(m, "linehand_streams_dropped_total 1") {
		t.Error("it is not counted")
	}
}

func (r *rig) clients() int {
	r.hub.mu.Lock()
	defer r.hub.mu.Unlock()
	return len(r.hub.clients)
}

// TestScreen: the screen at once, and the latest one always in the end.
func TestScreen(t *testing.T) {
	r := newRig(t, false)
	hs := r.serve(t)
	in, leave := r.open(t, hs, "/api/lines/"+strings.ReplaceAll(line1, ":", "%3A")+"/screen", "")
	defer leave()
	if e := in.next(t); e.name != "screen" || !strings.Contains(e.data, "192.0.2.21") {
		t.Fatalf("%+v", e)
	}
	for i := range 50 {
		r.bench.Print(line1, bench.Shown{Screen: []string{fmt.Sprint("row ", i)}})
	}
	n := 0
	for !strings.Contains(in.next(t).data, "row 49") {
		n++
	}
	if n > 10 {
		t.Errorf("%d screens before the last", n)
	}
	if w := r.ask("GET", "/api/lines/none/screen", r.tokens[access.Look], ""); w.Code != 404 {
		t.Errorf("no such line: %d", w.Code)
	}
}

// TestStreamEndsWithToken: a stream does not outlive what let it in.
func TestStreamEndsWithToken(t *testing.T) {
	r := newRig(t, false)
	hs := r.serve(t)
	in, leave := r.open(t, hs, "/api/changes", "")
	defer leave()
	in.next(t)
	for _, token := range r.Gate.Tokens() {
		must(t, r.Gate.EndToken(owner, token.ID))
	}
	for in.Scan() { // ends
	}
}

func TestStreamsAreBounded(t *testing.T) {
	s := newStreams()
	for range mostStreamsPerPerson {
		if !s.enter("Sam") {
			t.Fatal("refused")
		}
	}
	if s.enter("Sam") || !s.enter("Robin") {
		t.Error("the bound is not each person's own")
	}
	s.leave("Sam")
	if !s.enter("Sam") {
		t.Error("one that has left still counts")
	}
}

// BenchmarkChanges: what a change costs the hub with 20 who look on.
func BenchmarkChanges(b *testing.B) {
	bn := benchtest.Demo(time.Now())
	h := newHub(bn, NewMeter())
	var readers sync.WaitGroup
	for range 20 {
		c, _ := h.join("")
		readers.Go(func() {
			for f := range c.frames {
				_, _ = io.Discard.Write(f)
			}
		})
	}
	l := bn.Lines()[0]
	for i := 0; b.Loop(); i++ {
		h.tell(bench.Change{Seq: uint64(i + 1), What: "line", Line: &l})
	}
	h.close()
	readers.Wait()
}
