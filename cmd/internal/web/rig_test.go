package web_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/benchtest"
	"linehand/cmd/internal/station"
	"linehand/cmd/internal/web"
	"linehand/transcript"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// deps are what the pages stand on, for a bench and a site.
func deps(t testing.TB, b bench.Bench, sheet *station.Sheet, profile, data, records string) api.Deps {
	t.Helper()
	gate, err := access.New(access.Options{Data: data, Owner: "Robin", Listen: "127.0.0.1:0", Log: zerolog.Nop()})
	must(t, err)
	t.Cleanup(gate.Close)
	report := station.Check(profile, station.Options{Secrets: station.Note})
	d := api.Deps{Bench: b, Gate: gate, Keyboards: api.NewKeyboards(b), Tool: "linehand test", Log: zerolog.Nop(), Plan: func() *station.Report { return &report }}
	d.Archive, err = archive.Open(archive.Options{Folder: records, Packs: filepath.Join(data, "handover"), Sheet: func() *station.Sheet { return sheet }})
	must(t, err)
	d.Pages = web.Pages(d)
	return d
}

// demo is a bench in memory with a line in each state, on the demo site, and
// a record.
func demo(t testing.TB) (*benchtest.Bench, api.Deps, string) {
	t.Helper()
	b := benchtest.Demo(time.Now())
	profile := filepath.FromSlash("../../../fixtures/site/skerrymore.yaml")
	sheet, err := station.ReadSheet(profile)
	must(t, err)
	for _, u := range sheet.Plan.Units {
		b.Plan(u.Name)
	}
	data := t.TempDir()
	records := filepath.Join(data, "records")
	must(t, os.MkdirAll(records, 0o700))
	return b, deps(t, b, sheet, profile, data, records), records
}

// record writes a record with what a unit has printed.
func record(t testing.TB, folder, unit, printed string) string {
	t.Helper()
	begun := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	at := func(n int) (time.Duration, time.Time) {
		d := time.Duration(n) * time.Second
		return d, begun.Add(d)
	}
	var events []transcript.Event
	put := func(e transcript.Event) {
		e.N = len(events) + 1
		e.At, e.Wall = at(len(events))
		events = append(events, e)
	}
	put(transcript.Event{Kind: transcript.Stage, Name: "sign in", Stage: "sign in", State: "entered"})
	put(transcript.Event{Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte(printed)}}})
	put(transcript.Event{Kind: transcript.Fact, Name: "serial", Text: "BW24-0101"})
	put(transcript.Event{Kind: transcript.Stage, Name: "first port", Stage: "first port", State: "entered"})
	put(transcript.Event{Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte("\r\nAddress of port a1: 192.0.2.21")}}})
	put(transcript.Event{Kind: transcript.Ending, Code: "held", Text: "Given up.", Exit: 10})
	var b bytes.Buffer
	must(t, transcript.Encode(&b, transcript.Header{Unit: unit, Serial: "BW24-0101", Person: "Robin", Mode: "bringup", Tool: "linehand test", Started: begun}, events))
	name := unit + "-20261125T090000Z.record"
	must(t, os.WriteFile(filepath.Join(folder, name), b.Bytes(), 0o600))
	return name
}

var robin = access.Session{ID: "s", Person: access.Person{Name: "Robin", Roles: access.AllRoles()}}

// get gets a page as somebody.
func get(t testing.TB, d api.Deps, who access.Session, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	w := httptest.NewRecorder()
	d.Pages.Signed.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
	return w.Code, w.Body.String()
}

// serve serves the API and its pages, and gives the address and a link that
// signs in.
func serve(t testing.TB, d api.Deps) (base, link string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	listened, ended := make(chan [2]string, 1), make(chan error, 1)
	go func() {
		ended <- api.Serve(ctx, api.ServeOptions{Listened: func(base, link string) { listened <- [2]string{base, link} }}, d)
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serving ended with: %v", err)
		}
	})
	select {
	case at := <-listened:
		return at[0], at[1]
	case err := <-ended:
		t.Fatalf("nothing is served: %v", err)
		return "", ""
	}
}

func body(t testing.TB, r io.Reader) string {
	t.Helper()
	data, err := io.ReadAll(r)
	must(t, err)
	return string(data)
}

func wantWords(t testing.TB, what, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%s does not say %q", what, w)
		}
	}
}
