package page

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/station"
)

const demo = "../../../fixtures/site/skerrymore.yaml"

func write(t testing.TB, r station.Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func check(profile string) station.Report {
	return station.Check(profile, station.Options{Secrets: station.Warning})
}

// hostile is a profile whose every text tries to break out of its place.
func hostile(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	site := `format: linehand.site/1
site: {name: hostile, title: '</title><script>alert(1)</script>', domain: example.net, time-zone: Etc/UTC, demonstration: true}
networks: [{name: quay, subnet: 198.51.100.0/24, gateway: 198.51.100.1}]
racks: [{name: rack-1, title: '"><img src=x onerror=alert(2)>', units-high: 10, load-kg: 300, feeds: [left]}]
feeds: [{name: left, volts: 230, phases: 1, breaker-a: 16, code: IEC}]
visit: {technicians: 1, lines: 1}
kinds:
  box: {title: '<b>box</b>', dialogue: none, height-u: 1, weight-kg: 9, depth-mm: 500, watts: 40, supplies: 1, times: {by-hand: 5m}}
units:
  - {name: one, kind: box, serial: 'S<i>1', title: "</text></svg><style>*{}</style> ' onload='x", place: {rack: rack-1, at: 1}, cords: {1: left}, ports: [{name: e0, network: quay, address: 198.51.100.9}]}
`
	path := filepath.Join(dir, "hostile.yaml")
	if err := os.WriteFile(path, []byte(site), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// element is a start tag with its attributes.
type element struct {
	name string
	attr map[string]string
}

var empty = []string{"meta", "link", "br", "hr", "img", "input", "col"}

// elements reads a page strictly: every tag that is opened is closed, in
// order (HTML Living Standard 13.1.2; elements of SVG may close themselves).
func elements(t testing.TB, page string) []element {
	t.Helper()
	var out []element
	var open []string
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch kind := z.Next(); kind {
		case html.ErrorToken:
			if len(open) > 0 {
				t.Errorf("never closed: %v", open)
			}
			return out
		case html.StartTagToken, html.SelfClosingTagToken:
			token := z.Token()
			e := element{token.Data, map[string]string{}}
			for _, a := range token.Attr {
				if _, twice := e.attr[a.Key]; twice {
					t.Errorf("<%s> has %s twice", e.name, a.Key)
				}
				e.attr[a.Key] = a.Val
			}
			out = append(out, e)
			if kind == html.StartTagToken && !slices.Contains(empty, e.name) {
				open = append(open, e.name)
			}
		case html.EndTagToken:
			name := z.Token().Data
			if len(open) == 0 || open[len(open)-1] != name {
				t.Fatalf("</%s> closes %v", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

// sound checks what must hold of every page.
func sound(t testing.TB, page string) []element {
	t.Helper()
	all := elements(t, page)
	ids := make(map[string]bool)
	count := make(map[string]int)
	for _, e := range all {
		count[e.name]++
		if id, ok := e.attr["id"]; ok {
			if ids[id] {
				t.Errorf("id %s is there twice", id)
			}
			ids[id] = true
		}
		for name, value := range e.attr {
			if strings.HasPrefix(name, "on") {
				t.Errorf("<%s> has a handler %s", e.name, name)
			}
			if name == "src" || name == "href" && !strings.HasPrefix(value, "#") {
				t.Errorf("<%s> refers to %s=%q outside the page", e.name, name, value)
			}
		}
	}
	for _, e := range all {
		for _, name := range strings.Fields(e.attr["aria-labelledby"]) {
			if !ids[name] {
				t.Errorf("<%s> is named by %s, which is not there", e.name, name)
			}
		}
		if href := e.attr["href"]; href != "" && !ids[strings.TrimPrefix(href, "#")] {
			t.Errorf("nothing is at %s", href)
		}
		if e.name == "th" && e.attr["scope"] == "" {
			t.Error("a <th> has no scope")
		}
		if e.name == "svg" && e.attr["aria-hidden"] == "" && (e.attr["role"] != "img" || e.attr["aria-labelledby"] == "") {
			t.Errorf("a drawing has no name: %v", e.attr)
		}
	}
	if count["script"]+count["link"]+count["iframe"]+count["img"]+count["object"] > 0 {
		t.Errorf("the page brings something along: %v", count)
	}
	if count["table"] != count["caption"] || count["h1"] != 1 || count["main"] != 1 || count["title"] < 1 {
		t.Errorf("headings, captions or title are missing: %v", count)
	}
	if found := regexp.MustCompile(`(?i)https?://|@import|url\([^#]`).FindString(page); found != "" {
		t.Errorf("the page refers to something outside: %q", found)
	}
	return all
}

func TestDemo(t *testing.T) {
	r := check(demo)
	page := write(t, r)
	all := sound(t, page)
	drawings := 0
	for _, e := range all {
		if e.attr["class"] == "drawing" {
			drawings++
		}
	}
	// Three maps (quay has an IPv4 and an IPv6 subnet), three racks, the
	// feeds, the disks and the schedule.
	if drawings != 9 {
		t.Errorf("%d drawings, want 9", drawings)
	}
	if problems, units := strings.Index(page, `id="problems"`), strings.Index(page, `id="units"`); problems < 0 || units < problems {
		t.Error("problems do not come first")
	}
	for _, want := range []string{"192.0.2.21", "skerry-deep", "rack-3", "r1-left", "double parity groups", "quay-sw2", Digest(r.Plan)} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if again := write(t, check(demo)); again != page {
		t.Error("the same check gives another page")
	}
}

func TestHostile(t *testing.T) {
	r := check(hostile(t))
	if !r.Sound {
		t.Fatalf("not sound: %v", r.Findings)
	}
	page := write(t, r)
	sound(t, page)
	for _, raw := range []string{"<script", "<img", "<b>", "<i>", "<style>*"} {
		if strings.Contains(page, raw) {
			t.Errorf("%s came through", raw)
		}
	}
	if !strings.Contains(page, "&lt;script&gt;alert(1)") {
		t.Error("the title is not on the page")
	}
}

// TestProblemsOnly: a profile that cannot be read has a page too.
func TestProblemsOnly(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(path, []byte("format: linehand.site/1\nsite: {name: x, nmae: y}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	page := write(t, check(path))
	sound(t, page)
	if !strings.Contains(page, "Not sound") || !strings.Contains(page, "nmae") || strings.Contains(page, `id="units"`) {
		t.Error("the page does not say what is wrong, or shows a plan")
	}
}

// TestNoSecret: the values of secrets, wherever they come from, are on no page.
func TestNoSecret(t *testing.T) {
	const value = "Kelp7Forest9Drift"
	t.Setenv("LINEHAND_S24_FACTORY", value)
	t.Setenv("LINEHAND_X48_FACTORY", value)
	if page := write(t, check(demo)); strings.Contains(page, value) {
		t.Error("a secret is on the page")
	}
}

// TestContrast: text and what carries meaning stand out from their ground,
// light and dark, by the formula of WCAG 2.2 (relative luminance; success
// criterion 1.4.3 asks for 4.5 of text, 1.4.11 for 3 of graphics).
func TestContrast(t *testing.T) {
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(draw.Style, -1)
	if len(schemes) != 3 {
		t.Fatalf("%d schemes, want light, dark and print", len(schemes))
	}
	for i, s := range schemes {
		colour := make(map[string]string)
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{3,6})`).FindAllStringSubmatch(s[1], -1) {
			colour[m[1]] = m[2]
		}
		for _, ground := range []string{"paper", "panel"} {
			for _, ink := range []string{"ink", "soft", "link", "bad", "warn", "good"} {
				atLeast(t, i, colour, ink, ground, 4.5)
			}
		}
		for _, ground := range []string{"unit", "gateway", "port", "cluster", "server", "edge", "hands", "cable", "dialogue", "boot"} {
			atLeast(t, i, colour, "ink", ground, 4.5)
		}
		for _, ink := range []string{"line", "now", "usable", "limit", "hatch"} {
			atLeast(t, i, colour, ink, "paper", 3)
		}
	}
}

func atLeast(t *testing.T, scheme int, colour map[string]string, ink, ground string, want float64) {
	t.Helper()
	a, b := luminance(t, colour[ink]), luminance(t, colour[ground])
	if got := (max(a, b) + 0.05) / (min(a, b) + 0.05); got < want {
		t.Errorf("scheme %d: %s on %s has a contrast of %.2f, want %.1f", scheme, ink, ground, got, want)
	}
}

func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) == 4 {
		hex = "#" + strings.Repeat(hex[1:2], 2) + strings.Repeat(hex[2:3], 2) + strings.Repeat(hex[3:4], 2)
	}
	var r, g, b uint8
	if _, err := fmt.Sscanf(hex, "#%02x%02x%02x", &r, &g, &b); err != nil {
		t.Fatalf("colour %q: %v", hex, err)
	}
	return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
}
