package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/bench/benchtest"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/station"
	"linehand/transcript"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// safe is a buffer for several goroutines.
type safe struct {
	mu sync.Mutex
	bytes.Buffer
}

func (s *safe) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Buffer.Write(p)
}

func (s *safe) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Buffer.String()
}

// rig is the API on a bench in memory, with a store of orders and records.
type rig struct {
	t     testing.TB
	bench *benchtest.Bench
	*server
	http   http.Handler
	log    *safe
	data   string
	record string // name of a record
	order  string // ID of an order
	tokens map[access.Role]string
}

// owner is who sits at the bench.
var owner = access.Session{ID: "socket", Person: access.Person{Name: "Robin", Roles: access.AllRoles()}, Way: access.BySocket}

func newRig(t testing.TB, withOrders bool) *rig {
	t.Helper()
	r := &rig{t: t, bench: benchtest.Demo(time.Now()), log: new(safe), data: t.TempDir(), tokens: map[access.Role]string{}}
	log := zerolog.New(r.log).Level(zerolog.TraceLevel)
	gate, err := access.New(access.Options{Data: r.data, Owner: "Robin", Listen: "127.0.0.1:0", Log: log})
	must(t, err)
	t.Cleanup(gate.Close)
	d := Deps{Bench: r.bench, Gate: gate, Tool: "linehand test", Log: log}
	profile := filepath.FromSlash("../../../fixtures/site/skerrymore.yaml")
	sheet, err := station.ReadSheet(profile)
	must(t, err)
	report := station.Check(profile, station.Options{Secrets: station.Note})
	d.Plan = func() *station.Report { return &report }
	for _, u := range sheet.Plan.Units {
		r.bench.Plan(u.Name)
	}
	records := filepath.Join(r.data, "records")
	d.Archive, err = archive.Open(archive.Options{Folder: records, Sheet: func() *station.Sheet { return sheet }})
	must(t, err)
	r.record = writeRecord(t, records, sheet.Plan.Units[0].Name)
	if withOrders {
		st, err := orders.Open(t.Context(), orders.Options{Bench: "bench-1", Folder: filepath.Join(r.data, "orders")})
		must(t, err)
		t.Cleanup(st.Close)
		must(t, st.Announce(t.Context(), orders.Bench{Name: "bench-1", Lines: []orders.Line{{Name: "cable 1"}}}))
		o, err := st.File(t.Context(), orders.Filing{Site: "skerrymore", Unit: sheet.Plan.Units[0].Name, Batch: "b1", Person: "Robin"})
		must(t, err)
		r.order, d.Orders = o.ID, st
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.server = newServer(ctx, d)
	var hub sync.WaitGroup
	hub.Go(func() { r.hub.run(ctx) })
	t.Cleanup(func() { cancel(); hub.Wait() })
	r.http = r.handler()
	for _, role := range access.AllRoles() {
		_, secret, err := gate.MakeToken(owner, "test-"+string(role), access.Roles{role}, time.Hour)
		must(t, err)
		r.tokens[role] = secret
	}
	return r
}

// writeRecord writes a short record.
func writeRecord(t testing.TB, folder, unit string) string {
	t.Helper()
	begun := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	var b bytes.Buffer
	must(t, transcript.Encode(&b, transcript.Header{Unit: unit, Serial: "BW24-0101", Person: "Robin", Mode: "bringup", Tool: "linehand test", Started: begun}, []transcript.Event{
		{N: 1, Wall: begun, Kind: transcript.Stage, Name: "sign in", State: "entered"},
		{N: 2, At: time.Second, Wall: begun.Add(time.Second), Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte("login: ")}}},
		{N: 3, At: 2 * time.Second, Wall: begun.Add(2 * time.Second), Kind: transcript.Ending, Code: "held", Text: "Given up.", Exit: 10},
	}))
	name := unit + "-20261125T090000Z.record"
	must(t, os.WriteFile(filepath.Join(folder, name), b.Bytes(), 0o600))
	return name
}

// ask sends a request with a token; "" sends none.
func (r *rig) ask(method, path, token, body string, header ...string) *httptest.ResponseRecorder {
	r.t.Helper()
	req := httptest.NewRequest(method, "http://127.0.0.1"+path, strings.NewReader(body))
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			req.Host = header[i+1]
		} else {
			req.Header.Set(header[i], header[i+1])
		}
	}
	w := httptest.NewRecorder()
	r.http.ServeHTTP(w, req)
	return w
}

// all asks by somebody with all roles, past the gate and its limits.
func (r *rig) all(method, path, body string) *httptest.ResponseRecorder {
	return r.as(owner, method, path, body)
}

func (r *rig) as(who access.Session, method, path, body string) *httptest.ResponseRecorder {
	req := httptest.NewRequest(method, "http://127.0.0.1"+path, strings.NewReader(body))
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	w := httptest.NewRecorder()
	// Streams end at once. The rest is bounded: a store that generated requests
	// have filled takes its time to allow a whole batch.
	ctx, cancel := context.WithTimeout(access.With(req.Context(), who), 5*time.Second)
	if bare, _, _ := strings.Cut(path, "?"); strings.HasSuffix(bare, "/screen") || strings.HasSuffix(bare, "/changes") {
		cancel()
	}
	defer cancel()
	r.watched(http.HandlerFunc(r.inner)).ServeHTTP(w, req.WithContext(ctx))
	return w
}

func decode[T any](t testing.TB, from io.Reader) (v T) {
	t.Helper()
	must(t, json.NewDecoder(from).Decode(&v))
	return v
}
