package web_test

import (
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var mentioned = regexp.MustCompile(`(?:href|src)="(/[^"#?]*)`)

// TestStrictAndClosed walks from page to page by what they mention, files of
// the pages included: each answer is strict, and a stranger gets none but
// signing in, its files and health.
func TestStrictAndClosed(t *testing.T) {
	_, d, records := demo(t)
	record(t, records, d.Plan().Plan.Units[0].Name, "Brackwater S24\r\n")
	base, link := serve(t, d)
	jar, err := cookiejar.New(nil)
	must(t, err)
	stay := func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	known, stranger := &http.Client{Jar: jar}, &http.Client{CheckRedirect: stay}
	fetch := func(c *http.Client, address string) (*http.Response, string) {
		resp, err := c.Get(address)
		must(t, err)
		defer resp.Body.Close()
		h := resp.Header
		csp := h.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || !strings.Contains(csp, "frame-ancestors 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") ||
			h.Get("X-Content-Type-Options") != "nosniff" || h.Get("X-Frame-Options") != "DENY" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: %v", address, h)
		}
		return resp, body(t, resp.Body)
	}
	fetch(known, link)
	todo := []string{"/", "/people", "/lines/" + url.PathEscape(held), "/nothing", "/lines/none", "/healthz", "/readyz", "/metrics", "/api/lines", "/api/none"}
	assets := 0
	for i := 0; i < len(todo); i++ {
		path := todo[i]
		resp, text := fetch(known, base+path)
		if resp.StatusCode >= 500 {
			t.Errorf("%s: %d", path, resp.StatusCode)
		}
		for _, found := range mentioned.FindAllStringSubmatch(text, -1) {
			if !slices.Contains(todo, found[1]) {
				todo = append(todo, found[1])
			}
		}
		open := strings.HasPrefix(path, "/assets/") || path == "/healthz" || path == "/readyz" || path == "/sign-in"
		resp, text = fetch(stranger, base+path)
		switch {
		case strings.HasPrefix(path, "/assets/"):
			assets++
			fallthrough
		case open:
			if resp.StatusCode >= 400 {
				t.Errorf("a stranger at %s: %d", path, resp.StatusCode)
			}
		case resp.StatusCode != http.StatusUnauthorized && resp.StatusCode != http.StatusSeeOther && resp.StatusCode != http.StatusTooManyRequests:
			t.Errorf("a stranger at %s: %d", path, resp.StatusCode)
		}
		if strings.Contains(text, "shelf-0") || strings.Contains(text, "Skerrymore") {
			t.Errorf("a stranger at %s reads of the site", path)
		}
	}
	if len(todo) < 20 || assets < 3 {
		t.Errorf("only %d addresses and %d files were found: %q", len(todo), assets, todo)
	}
}
