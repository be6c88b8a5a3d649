package api

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench/benchtest"
)

// TestStrangers walks over everything that is registered: without a session
// nothing answers but signing in and health, and nothing is done.
func TestStrangers(t *testing.T) {
	r := newRig(t, true)
	reached := ""
	r.mux.HandleFunc("/", func(_ http.ResponseWriter, req *http.Request) { reached = req.URL.Path })
	openRoutes := map[string]bool{"POST /sign-in": true, "GET /sign-in/once/{code}": true, "GET /sign-in": true, "GET /healthz": true, "GET /readyz": true, "GET /assets/": true}
	if len(r.mux.patterns) < 50 {
		t.Fatalf("only %d routes", len(r.mux.patterns))
	}
	for _, pattern := range r.mux.patterns {
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			method, path = "POST", pattern
		}
		before := len(r.bench.Calls())
		for _, auth := range []string{"", "Bearer linehand_wrong", "Basic Um9iaW46cA==", "Bearer"} {
			// Past the limits: each comes from another network.
			req := httptest.NewRequest(method, "http://127.0.0.1"+r.real(path), strings.NewReader("{}"))
			req.RemoteAddr = "192.0.2." + string(rune('1'+len(auth)%9)) + ":1"
			if auth != "" {
				req.Header.Set("Authorization", auth)
			}
			w := httptest.NewRecorder()
			r.Gate.Guard(http.HandlerFunc(r.inner)).ServeHTTP(w, req)
			isOpen := openRoutes[pattern]
			if !isOpen && w.Code != http.StatusUnauthorized && w.Code != http.StatusTooManyRequests {
				t.Errorf("%s: %d", pattern, w.Code)
			}
			if strings.Contains(w.Body.String(), "shelf-0") || reached != "" || len(r.bench.Calls()) != before {
				t.Errorf("%s: a stranger has reached something: %s", pattern, w.Body)
			}
		}
	}
	for pattern := range openRoutes {
		if !access.Opened(strings.SplitN(pattern, " ", 2)[1]) {
			t.Errorf("%s is meant to be open", pattern)
		}
	}
}

// TestRoles: each operation answers 403 exactly to those who lack its role.
func TestRoles(t *testing.T) {
	r := newRig(t, true)
	want := map[access.Role]*regexp.Regexp{
		access.Look:    regexp.MustCompile(`^GET /api/(bench|lines|changes|plan|fleet|orders|session$)`),
		access.Play:    regexp.MustCompile(`^POST /api/(lines/\{line\}/(label|rest|match|stop|knock)|units/|orders$|orders/\{order\}/(allow|move|withdraw|again)|batches/)`),
		access.Release: regexp.MustCompile(`^(POST|DELETE) /api/(lines/\{line\}/keyboard|holds/|orders/\{order\}/(release|reclaim))`),
		access.Audit:   regexp.MustCompile(`^(GET|POST) /api/(records|handover)`),
		access.Keys:    regexp.MustCompile(`^(GET|POST|DELETE) /api/(sessions|tokens|sign-in-links)`),
	}
	n := 0
	r.each(func(method, path string, op *huma.Operation) {
		n++
		need := access.Role(op.Extensions[roleExtension].(string))
		if !want[need].MatchString(method + " " + path) {
			t.Errorf("%s %s needs the role %s: is that meant?", method, path, need)
		}
		for _, role := range access.AllRoles() {
			roles, err := access.ParseRoles(string(role))
			must(t, err)
			who := access.Session{ID: "x", Person: access.Person{Name: "Sam", Roles: roles}, Way: access.ByPassphrase}
			// Past this rig's own orders and lines, so that nothing is done.
			w := r.as(who, method, strings.NewReplacer("{", "no-", "}", "").Replace(path), "[]")
			allowed := roles.Has(need)
			if refused := w.Code == http.StatusForbidden; refused == allowed && !(path == "/api/sign-in-links") {
				t.Errorf("%s %s by %s (needs %s): %d", method, path, role, need, w.Code)
			}
		}
	})
	if n < 40 {
		t.Errorf("only %d operations", n)
	}
	if calls := r.bench.Calls(); len(calls) > 0 {
		t.Errorf("something was done: %v", calls)
	}
}

func TestByWhom(t *testing.T) {
	r := newRig(t, true)
	token := r.tokens[access.Release]
	if w := r.ask("POST", "/api/holds/h-0001/release", token, `{"choice":"again"}`); w.Code != http.StatusNoContent {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	want := benchtest.Call{What: "Release", ID: "h-0001", Text: "again"}
	calls := r.bench.Calls()
	if len(calls) != 1 || calls[0].By.Name != "test-release (token of Robin)" || calls[0].By.Role != "look,release" || calls[0].What != want.What || calls[0].Text != want.Text {
		t.Errorf("%+v", calls)
	}
	// Who comes second is told.
	if w := r.ask("POST", "/api/holds/h-0001/release", token, `{"choice":"again"}`); w.Code != http.StatusConflict {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	r.ask("POST", "/api/orders/"+r.order+"/allow", r.tokens[access.Play], `{}`)
	o, err := r.Orders.Get(context.Background(), r.order)
	must(t, err)
	if o.AllowedBy != "test-play (token of Robin)" {
		t.Errorf("%+v", o)
	}
}

func TestOtherSites(t *testing.T) {
	r := newRig(t, false)
	token := r.tokens[access.Look]
	for _, test := range []struct {
		name   string
		method string
		header []string
		want   int
	}{
		{"its own page", "GET", []string{"Sec-Fetch-Site", "same-origin"}, 200},
		{"a program", "GET", nil, 200},
		{"by name", "GET", []string{"Host", "localhost:8620"}, 200},
		{"by its IPv6 address", "GET", []string{"Host", "[::1]:8620"}, 200},
		{"a rebound name", "GET", []string{"Host", "rebound.example.net"}, 421},
		{"a name that looks like it", "GET", []string{"Host", "localhost.example.net"}, 421},
		{"an address elsewhere", "GET", []string{"Host", "198.51.100.7"}, 421},
		{"another site's script", "GET", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403},
		{"another port of this host", "GET", []string{"Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "cors"}, 403},
		{"another site's form", "POST", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest", "document"}, 403},
		{"another site's form, by Origin", "POST", []string{"Origin", "https://example.net"}, 403},
		{"another site's frame", "GET", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest", "iframe"}, 403},
	} {
		path := "/api/lines"
		if test.method == "POST" {
			path = "/api/units/allow"
		}
		if w := r.ask(test.method, path, token, "", test.header...); w.Code != test.want {
			t.Errorf("%s: %d %s", test.name, w.Code, w.Body)
		}
	}
}

// TestHeaders walks over everything that is registered, as somebody who may do
// it and as a stranger: every answer, good or bad, is as strict.
func TestHeaders(t *testing.T) {
	r := newRig(t, true)
	paths := []string{"GET /none", "GET /api/none", "PUT /api/lines", "GET /api/openapi.json", "TRACE /"}
	paths = append(paths, r.mux.patterns...)
	for _, pattern := range paths {
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			method, path = "GET", pattern
		}
		for _, token := range []string{"", r.tokens[access.Look], r.tokens[access.Audit]} {
			ctx, cancel := context.WithTimeout(t.Context(), time.Second) // streams end
			req := httptest.NewRequest(method, "http://127.0.0.1"+r.real(path), strings.NewReader("{")).WithContext(ctx)
			if token != "" {
				req.Header.Set("Authorization", "Bearer "+token)
			}
			if strings.HasSuffix(path, "/screen") || strings.HasSuffix(path, "/changes") {
				cancel()
			}
			w := httptest.NewRecorder()
			r.Gate.Guard(http.HandlerFunc(r.inner)).ServeHTTP(w, req)
			cancel()
			wantStrict(t, fmt.Sprintf("%s with %.12q: %d", pattern, token, w.Code), w.Header())
		}
	}
}

func wantStrict(t *testing.T, what string, h http.Header) {
	t.Helper()
	csp := h.Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || !strings.Contains(csp, "frame-ancestors 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") {
		t.Errorf("%s: %q", what, csp)
	}
	if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("Cache-Control") != "no-store" || h.Get("Access-Control-Allow-Origin") != "" {
		t.Errorf("%s: %v", what, h)
	}
	for _, c := range h.Values("Set-Cookie") {
		if !strings.Contains(c, "HttpOnly") || !strings.Contains(c, "SameSite=Strict") {
			t.Errorf("%s: cookie %s", what, c)
		}
	}
}
