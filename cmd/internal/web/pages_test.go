package web_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench"
)

const playing = "usb:1209:00f1:LC1:00"
const held = "usb:1209:00f1:LC2:00"

// Every page works without a script for whoever only looks.
func TestPagesAsTheyComeFromTheServer(t *testing.T) {
	_, d, records := demo(t)
	name := record(t, records, "sk-shelf-1", "Brackwater S24\r\n")
	for path, words := range map[string][]string{
		"/":                                 {"Waiting for a person", "cable 2", "on hold", "shelf-01", "about 6 minutes left", "Allow all", "BW24-0999"},
		"/?state=needs":                     {"cable 2"},
		"/lines/" + url.PathEscape(held):    {"Type by hand", "Give up", "Continue? [y/n]", "Take the keyboard", "Go on at another stage"},
		"/lines/" + url.PathEscape(playing): {"first port", "Address of port a1", "stage 3 of 9", "Stop the run"},
		"/plan":                             {"Skerrymore", "Networks", "Racks"},
		"/records":                          {"1 record, the latest first", "held"},
		"/records?text=brackwater":          {"1 record fits", "S24"},
		"/records?since=yesterday":          {"A day is written as in 2026-01-31."},
		"/records/" + name:                  {"Given up.", "not sealed", "Address of port a1", "Download the record", "Replay"},
		"/handover":                         {"Make the pack", "None yet."},
		"/fleet":                            {"bench-1", "1 bench"},
		"/people":                           {"linehand bench people", "API tokens", "release holds"},
		"/sign-out":                         {"What is being played goes on"},
	} {
		status, text := get(t, d, robin, path)
		if status != http.StatusOK {
			t.Errorf("%s: %d", path, status)
		}
		wantWords(t, path, text, words...)
		wantSound(t, path, text)
	}
	if _, text := get(t, d, robin, "/?find=cable+2"); strings.Contains(text, "cable 4") || !strings.Contains(text, "cable 2") {
		t.Error("the filter keeps nothing back, or too much")
	}
}

var (
	inline  = regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+="|javascript:|<script>`)
	outside = regexp.MustCompile(`(?:src|href|action)="(?:https?:)?//`)
	heading = regexp.MustCompile(`<h1[ >]`)
)

// wantSound: nothing that the policy forbids, one heading of the first level,
// and the landmarks.
func wantSound(t *testing.T, path, text string) {
	t.Helper()
	if found := inline.FindString(text); found != "" {
		t.Errorf("%s has %q inside it", path, found)
	}
	if found := outside.FindString(text); found != "" {
		t.Errorf("%s goes elsewhere: %q", path, found)
	}
	if n := len(heading.FindAllString(text, -1)); n != 1 {
		t.Errorf("%s has %d headings of the first level", path, n)
	}
	wantWords(t, path, text, `<html lang="en">`, `<main id="main"`, `class="skip" href="#main"`, `<nav class="pages" aria-label="Pages">`)
}

func TestWhoMaySeeWhat(t *testing.T) {
	_, d, records := demo(t)
	name := record(t, records, "sk-shelf-1", "hello")
	looker := access.Session{ID: "l", Person: access.Person{Name: "Sam", Roles: access.Roles{access.Look}}}
	for path, want := range map[string]int{"/": 200, "/plan": 200, "/fleet": 200, "/records": 403, "/records/" + name: 403, "/handover": 403, "/people": 403, "/nothing": 404, "/lines/none": 404} {
		status, text := get(t, d, looker, path)
		if status != want {
			t.Errorf("%s: %d, want %d", path, status, want)
		}
		if want != 200 {
			wantWords(t, path, text, "Go to the Bench page")
		}
	}
	_, text := get(t, d, looker, "/lines/"+url.PathEscape(held))
	for _, word := range []string{"Take the keyboard", "data-api"} {
		if strings.Contains(text, word) {
			t.Errorf("somebody who may only look is offered %q", word)
		}
	}
	if status, text := get(t, d, robin, "/records/none.record"); status != 404 || !strings.Contains(text, "There is no such record") {
		t.Errorf("no such record: %d", status)
	}
}

const hostile = `<img src=x onerror="alert(1)">"'><script>alert(2)</script>&lt; ${x} </pre>` + "\x1b[31m"

// Whatever a unit prints, a label says or a reason quotes stays text.
func TestHostileTextStaysText(t *testing.T) {
	b, d, records := demo(t)
	h := &bench.Hold{ID: `h"><b>`, Reason: hostile, Stage: hostile, Screen: []string{hostile}, Hoped: []string{hostile}, Choices: []string{"type", "go-to", hostile}, Stages: []string{hostile}, Raised: time.Now()}
	name := record(t, records, "sk-shelf-1", hostile)
	l, err := b.Line(held)
	must(t, err)
	{
		l.Label, l.Unit, l.Kind, l.Serial, l.Stage, l.Why, l.Order, l.Device = hostile, hostile, hostile, hostile, hostile, hostile, hostile, hostile
		l.Hold, l.Record = h, name
		b.Set(l)
	}
	b.Print(held, bench.Shown{Screen: []string{hostile}})
	for _, path := range []string{"/", "/lines/" + url.PathEscape(held), "/records", "/records?text=alert", "/records/" + name, "/handover", "/fleet", "/?find=" + url.QueryEscape(hostile), "/records?text=" + url.QueryEscape(`"><script>`)} {
		status, text := get(t, d, robin, path)
		if status != http.StatusOK {
			t.Errorf("%s: %d", path, status)
		}
		for _, bad := range []string{"<img", "<script>alert", "\x1b", `"><b>`, `onerror="`} {
			if at := strings.Index(text, bad); at >= 0 {
				t.Errorf("%s holds %q: %q", path, bad, text[max(0, at-60):min(len(text), at+60)])
			}
		}
	}
}

func TestSignInPage(t *testing.T) {
	_, d, _ := demo(t)
	w := httptest.NewRecorder()
	d.Pages.SignIn.ServeHTTP(w, httptest.NewRequest(http.MethodGet, `/sign-in?failed=1&next=/lines/a%22%3E%3Cscript%3E`, nil))
	wantWords(t, "sign-in", w.Body.String(), "The name or the passphrase is not right", `action="/sign-in"`, `autocomplete="current-password"`, "linehand bench link")
	if strings.Contains(w.Body.String(), `"><script>`) {
		t.Error("where to go on gets into the markup")
	}
}

func TestAssets(t *testing.T) {
	_, d, _ := demo(t)
	_, page := get(t, d, robin, "/")
	names := regexp.MustCompile(`/assets/[^"]+`).FindAllString(page, -1)
	if len(names) < 4 {
		t.Fatalf("the page names %q", names)
	}
	for _, name := range append(names, "/assets/line.js?v=1", "/assets/replay.js?v=1", "/assets/handover.js?v=1", "/assets/people.js?v=1") {
		w := httptest.NewRecorder()
		d.Pages.Assets.ServeHTTP(w, httptest.NewRequest(http.MethodGet, name, nil))
		if w.Code != 200 || w.Header().Get("Content-Type") == "" || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d %v", name, w.Code, w.Header())
		}
		if text := w.Body.String(); strings.Contains(text, "innerHTML") || strings.Contains(text, "insertAdjacentHTML") || strings.Contains(text, "eval(") {
			t.Errorf("%s makes markup of text", name)
		}
	}
	w := httptest.NewRecorder()
	d.Pages.Assets.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/assets/../web.go", nil))
	if w.Code != 404 {
		t.Errorf("a file that is none of them: %d", w.Code)
	}
}

// BenchmarkBenchPage makes the Bench page of 64 lines, as each browser that
// looks at it asks for it once a second at the most.
func BenchmarkBenchPage(b *testing.B) {
	fake, d, _ := demo(b)
	l, err := fake.Line(playing)
	must(b, err)
	for n := range 55 {
		l.ID, l.Label = fmt.Sprintf("usb:%d", n), fmt.Sprintf("cable %d", 10+n)
		fake.Set(l)
	}
	b.ReportAllocs()
	size := 0
	for b.Loop() {
		_, text := get(b, d, robin, "/")
		size = len(text)
	}
	b.ReportMetric(float64(size)/1000, "kB/page")
}

// BenchmarkLinePage makes the Line page of a run with a record, which others
// look at, too.
func BenchmarkLinePage(b *testing.B) {
	fake, d, records := demo(b)
	l, err := fake.Line(held)
	must(b, err)
	l.Unit = d.Plan().Plan.Units[1].Name
	l.Record = record(b, records, l.Unit, strings.Repeat("a line of the boot log of a unit that has much to say\r\n", 4000))
	fake.Set(l)
	b.ReportAllocs()
	for b.Loop() {
		if status, _ := get(b, d, robin, "/lines/"+url.PathEscape(held)); status != 200 {
			b.Fatal(status)
		}
	}
}
