package pack

import (
	"bytes"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"linehand/cmd/internal/draw"
)

// allowed are the elements of the page.
var allowed = strings.Fields(`html head meta title style body a svg header h1 h2 h3 dl div dt dd p strong table caption thead tbody tr th td nav ol li main section
	figure figcaption span footer defs pattern rect line path circle text desc`)

// checkPage looks at a page as somebody would who cannot see it: headings,
// table headers, alternative texts, labels. It also makes sure that the page
// stands alone and holds no element that is not ours.
func checkPage(t *testing.T, data []byte) {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(data))
	must(t, err)
	c := pageCheck{T: t, ids: make(map[string]bool)}
	c.node(root)
	for _, ref := range c.refs {
		if !c.ids[ref] {
			t.Errorf("something refers to #%s, which is not there", ref)
		}
	}
	if c.tables == 0 || c.pictures == 0 || c.level == 0 {
		t.Errorf("%d tables, %d pictures: the page is not what it was", c.tables, c.pictures)
	}
}

type pageCheck struct {
	*testing.T
	ids              map[string]bool
	refs             []string
	level            int
	tables, pictures int
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, element string) bool {
	for c := range n.Descendants() {
		if c.Type == html.ElementNode && c.Data == element {
			return true
		}
	}
	return false
}

func (c *pageCheck) node(n *html.Node) {
	if n.Type == html.ElementNode {
		c.element(n)
	}
	for child := range n.ChildNodes() {
		c.node(child)
	}
}

func (c *pageCheck) element(n *html.Node) {
	if !slices.Contains(allowed, n.Data) {
		c.Errorf("the page has an element <%s>", n.Data)
	}
	for _, a := range n.Attr {
		switch {
		case strings.HasPrefix(a.Key, "on"), a.Key == "src", a.Key == "style":
			c.Errorf("<%s> has %s=%q", n.Data, a.Key, a.Val)
		case a.Key == "href" && !strings.HasPrefix(a.Val, "#"):
			c.Errorf("the page refers to %q", a.Val)
		case a.Key == "href":
			c.refs = append(c.refs, a.Val[1:])
		case a.Key == "aria-labelledby":
			c.refs = append(c.refs, strings.Fields(a.Val)...)
		case a.Key == "id" && c.ids[a.Val]:
			c.Errorf("two elements are called %q", a.Val)
		case a.Key == "id":
			c.ids[a.Val] = true
		}
	}
	switch n.Data {
	case "html":
		if attr(n, "lang") == "" {
			c.Error("the page does not say its language")
		}
	case "h1", "h2", "h3":
		level := int(n.Data[1] - '0')
		if level > c.level+1 {
			c.Errorf("<%s> comes behind level %d", n.Data, c.level)
		}
		c.level = level
	case "table":
		c.tables++
		if !has(n, "caption") || !has(n, "th") {
			c.Error("a table has no caption or no headers")
		}
	case "th":
		if attr(n, "scope") == "" {
			c.Error("a header does not say what it is of")
		}
	case "svg":
		c.pictures++
		if attr(n, "aria-hidden") != "true" && (attr(n, "role") != "img" || !has(n, "title") || !has(n, "desc")) {
			c.Error("a picture has no alternative text")
		}
	}
}

func TestPage(t *testing.T) {
	d := newDemo(t)
	checkPage(t, get(t, files(t, d.content(t, d.record(t, "deep-1", ""), d.record(t, "quay-sw1", ""))), "handover.html"))
	checkPage(t, get(t, files(t, d.content(t)), "handover.html"))
}

// Contrast of text: at least 4.5 to 1 (WCAG 2.2, 1.4.3), of lines that tell
// something at least 3 to 1 (1.4.11), in all three sets of colours.
func TestContrast(t *testing.T) {
	sets := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(draw.Style, -1)
	if len(sets) != 3 {
		t.Fatalf("%d sets of colours, want 3: light, dark and print", len(sets))
	}
	for i, set := range sets {
		colour := make(map[string]float64)
		for _, m := range regexp.MustCompile(`--([a-z]+): #([0-9a-f]+)`).FindAllStringSubmatch(set[1], -1) {
			colour[m[1]] = luminance(t, m[2])
		}
		check := func(a, b string, least float64) {
			light, dark := max(colour[a], colour[b]), min(colour[a], colour[b])
			if got := (light + 0.05) / (dark + 0.05); got < least {
				t.Errorf("set %d: %s on %s has %.2f to 1, want %.1f", i, a, b, got, least)
			}
		}
		for _, ground := range []string{"paper", "panel", "unit", "gateway", "port", "cluster", "server", "edge"} {
			check("ink", ground, 4.5)
		}
		for _, text := range []string{"soft", "link", "bad"} {
			check(text, "paper", 4.5)
		}
		check("line", "paper", 3)
		check("usable", "paper", 3)
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, digits string) float64 {
	if len(digits) == 3 {
		digits = digits[:1] + digits[:1] + digits[1:2] + digits[1:2] + digits[2:] + digits[2:]
	}
	sum := 0.0
	for i, part := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(digits[2*i:2*i+2], 16, 8)
		must(t, err)
		s := float64(v) / 255
		if s <= 0.04045 {
			sum += part * s / 12.92
			continue
		}
		sum += part * math.Pow((s+0.055)/1.055, 2.4)
	}
	return sum
}
