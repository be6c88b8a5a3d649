package api

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
)

// choices turns the fuzzer's bytes into choices.
type choices struct{ data []byte }

func (c *choices) n(most int) int {
	if len(c.data) == 0 || most <= 1 {
		return 0
	}
	b := int(c.data[0])
	c.data = c.data[1:]
	return b % most
}

func (c *choices) text() string {
	n := min(c.n(40), len(c.data))
	s := string(c.data[:n])
	c.data = c.data[n:]
	return s
}

// target is an operation with its path.
type target struct {
	method, path string
	op           *huma.Operation
}

// generator makes requests for all operations.
type generator struct {
	*rig
	targets []target
	names   []string // of what is there
}

func newGenerator(r *rig) *generator {
	g := &generator{rig: r, names: []string{"h-0001", "shelf-01", "shelf-03", "quay-sw1", "again", "type", "go-to", "cluster", "b1", "skerrymore", "bench-1", "look", "play", "70x37", "\r", "", "a/b", "..", "\x00", "%", "*", ">", "firm"}}
	for _, l := range r.bench.Lines() {
		g.names = append(g.names, l.ID)
	}
	g.names = append(g.names, r.order, r.record)
	r.each(func(method, path string, op *huma.Operation) { g.targets = append(g.targets, target{method, path, op}) })
	slices.SortFunc(g.targets, func(a, b target) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	return g
}

func (g *generator) name(c *choices) string {
	if c.n(3) == 0 {
		return c.text()
	}
	return g.names[c.n(len(g.names))]
}

// value makes a value of a schema, and now and then of no schema.
func (g *generator) value(c *choices, s *huma.Schema, depth int) any {
	if s != nil && s.Ref != "" {
		s = g.api.OpenAPI().Components.Schemas.SchemaFromRef(s.Ref)
	}
	if s == nil || depth > 4 || c.n(16) == 15 {
		return []any{nil, true, -1, 1e300, "", g.name(c), []any{}, map[string]any{g.name(c): 1}}[c.n(8)]
	}
	switch {
	case len(s.Enum) > 0 && c.n(8) > 0:
		return s.Enum[c.n(len(s.Enum))]
	case s.Type == huma.TypeBoolean:
		return c.n(2) == 1
	case s.Type == huma.TypeInteger, s.Type == huma.TypeNumber:
		return []any{0, 1, -1, 366, 367, 0.5, 1e18, -1e300}[c.n(8)]
	case s.Type == huma.TypeArray:
		list := []any{}
		for range c.n(4) {
			list = append(list, g.value(c, s.Items, depth+1))
		}
		return list
	case s.Type == huma.TypeObject:
		object := map[string]any{}
		names := make([]string, 0, len(s.Properties))
		for name := range s.Properties {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			if slices.Contains(s.Required, name) && c.n(16) > 0 || c.n(2) == 0 {
				object[name] = g.value(c, s.Properties[name], depth+1)
			}
		}
		return object
	}
	return g.name(c)
}

func (g *generator) request(c *choices) (method, path, body string) {
	t := g.targets[c.n(len(g.targets))]
	path = t.path
	query := url.Values{}
	for _, p := range t.op.Parameters {
		switch {
		case p.In == "path":
			path = strings.Replace(path, "{"+p.Name+"}", url.PathEscape(g.name(c)), 1)
		case p.In == "query" && c.n(3) == 0:
			data, _ := json.Marshal(g.value(c, p.Schema, 0)) // of strings and numbers: cannot fail
			query.Set(p.Name, strings.Trim(string(data), `"`))
		}
	}
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	if t.op.RequestBody != nil {
		switch c.n(8) {
		case 0:
			body = c.text()
		default:
			data, _ := json.Marshal(g.value(c, t.op.RequestBody.Content["application/json"].Schema, 0))
			body = string(data)
		}
	}
	return t.method, path, body
}

// FuzzAPI sends generated requests for all operations, by people with all
// roles and with few. None is answered 500, and each refusal is a problem
// detail.
func FuzzAPI(f *testing.F) {
	g := newGenerator(newRig(f, true))
	for i := range g.targets {
		f.Add([]byte{byte(i)})
		f.Add([]byte{byte(i), 1, 7, 1, 3, 1, 9, 2, 4, 1, 8, 2, 2, 6, 1, 2, 5, 7})
		f.Add([]byte{byte(i), 2, 25, 3, 1, 1, 2, 26, 1, 4, 1, 1, 3, 3, 9, 1, 1, 2, 2, 6, 0, 12, 14})
		f.Add(append([]byte{byte(i), 0, 20}, strings.Repeat("\x00\xff/..{}\"é", 8)...))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c := &choices{data}
		method, path, body := g.request(c)
		who := owner
		if c.n(8) == 7 {
			who = access.Session{ID: "s-x", Person: access.Person{Name: "Sam", Roles: access.Roles{access.Look}}, Way: access.ByPassphrase}
		}
		w := g.as(who, method, path, body)
		if w.Code >= http.StatusInternalServerError && w.Code != http.StatusServiceUnavailable {
			t.Errorf("%s %s %q: %d %s\n%s", method, path, body, w.Code, w.Body, g.log)
		}
		if w.Code >= 400 && w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s %q: %d as %s", method, path, body, w.Code, w.Header().Get("Content-Type"))
		}
	})
}
