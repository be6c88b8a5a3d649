package site

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"

	"linehand/script"
	"pgregory.net/rapid"
)

func write(t testing.TB, files map[string]string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestFormatPageExamples(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(string(page), -1)
	if len(blocks) != 2 {
		t.Fatalf("%d examples", len(blocks))
	}
	dir := write(t, map[string]string{"company.yaml": blocks[0][1], "site.yaml": blocks[1][1]})
	s, err := Load(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Networks[1].Prefix.String(); got != "198.51.100.0/24" {
		t.Errorf("subnet and mask make %s", got)
	}
	if s.TimeZone.Value != "Europe/London" || s.Domain.Value != "example.net" {
		t.Errorf("time zone %q, domain %q", s.TimeZone.Value, s.Domain.Value)
	}
}

func TestLayers(t *testing.T) {
	dir := write(t, map[string]string{
		"company/base.yaml": `format: linehand.site/1
site: {name: base, domain: example.net, dns: [192.0.2.3, 192.0.2.4]}
kinds:
  shelf: {dialogue: ../dialogues/shelf.yaml, factory: {user: setup, secret: factory}}
secrets:
  factory: {env: FACTORY}
  admin: {file: keys/admin}
`,
		"site.yaml": `format: linehand.site/1
defaults: company/base.yaml
site: {name: skerrymore, dns: [192.0.2.5]}
networks:
  - {name: quay, subnet: 192.0.2.0/24, mtu: 1500}
units:
  - name: one
    kind: shelf
    serial: 0123
    cluster: {join: deep}
    ports:
      - {name: e0, network: quay, address: 192.0.2.21}
      - {name: e1, network: quay, address: 192.0.2.22}
`,
		"late.yaml": `format: linehand.site/1
kinds:
  shelf: {factory: {user: install}}
secrets:
  admin: {ask: Administrator}
units:
  - name: two
    kind: shelf
  - name: one
    cluster: {start: deep}
    ports:
      - {name: e1, address: 192.0.2.23, mtu: 9000}
      - {name: e2, network: quay, address: 192.0.2.24}
`})
	at := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	s, err := Load(at("site.yaml"), at("late.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	one := s.Units[0]
	checks := []struct {
		what string
		got  Text
		want string
		file string
		line int
	}{
		{"site name", s.Name, "skerrymore", "site.yaml", 3},
		{"domain", s.Domain, "example.net", "company/base.yaml", 2},
		{"dns replaced", s.DNS[0], "192.0.2.5", "site.yaml", 3},
		{"factory user", s.Kinds[0].FactoryUser, "install", "late.yaml", 3},
		{"factory secret", s.Kinds[0].FactorySecret, "factory", "company/base.yaml", 4},
		{"serial as written", one.Serial, "0123", "site.yaml", 9},
		{"cluster", one.Cluster.Name, "deep", "late.yaml", 10},
		{"first port", one.Ports[0].Address, "192.0.2.21", "site.yaml", 12},
		{"port said anew", one.Ports[1].Address, "192.0.2.23", "late.yaml", 12},
		{"its network stays", one.Ports[1].Network, "quay", "site.yaml", 13},
		{"port added", one.Ports[2].Address, "192.0.2.24", "late.yaml", 13},
		{"unit added behind", s.Units[1].Name, "two", "late.yaml", 7},
	}
	for _, c := range checks {
		if c.got.Value != c.want || c.got.Pos.File != at(c.file) || c.got.Pos.Line != c.line {
			t.Errorf("%s: got %q at %s, want %q at %s:%d", c.what, c.got.Value, c.got.Pos, c.want, c.file, c.line)
		}
	}
	if one.Cluster.Mode != Start || len(s.DNS) != 1 || len(one.Ports) != 3 || one.Ports[1].MTU.Value != 9000 {
		t.Errorf("mode %s, %d dns, %d ports, mtu %d", one.Cluster.Mode, len(s.DNS), len(one.Ports), one.Ports[1].MTU.Value)
	}
	if got := s.Kinds[0].DialoguePath; got != at("dialogues/shelf.yaml") {
		t.Errorf("dialogue at %s", got)
	}
	if got := s.Secrets[1]; got.Source != FromAsk || got.Where != "Administrator" {
		t.Errorf("secret admin is %+v", got)
	}
	if want := []string{at("company/base.yaml"), at("site.yaml"), at("late.yaml")}; !slices.Equal(s.Files, want) {
		t.Errorf("files %v, want %v", s.Files, want)
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	for path, want := range map[string]string{
		filepath.Join(dir, "not.yaml"): "no such file or directory",
		dir:                            "it is not a regular file",
	} {
		_, err := Load(path)
		// The system's own words for a missing file differ.
		if err == nil || !strings.Contains(err.Error(), path+": the file cannot be read: ") || runtime.GOOS != "windows" && !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if _, err := Load(); err == nil || !strings.Contains(err.Error(), "no site profile was named") {
		t.Errorf("got %v", err)
	}
}

func TestDefaultsInACircle(t *testing.T) {
	dir := write(t, map[string]string{
		"a.yaml": "format: linehand.site/1\ndefaults: b.yaml\n",
		"b.yaml": "format: linehand.site/1\ndefaults: c.yaml\n",
		"c.yaml": "format: linehand.site/1\ndefaults: b.yaml\nsite: {name: x}\nunits: [{name: u, kind: k}]\n",
	})
	_, err := Load(filepath.Join(dir, "a.yaml"))
	b, c := filepath.Join(dir, "b.yaml"), filepath.Join(dir, "c.yaml")
	want := fmt.Sprintf("%s:2:11: the defaults go round in a circle: %s names %s names %s; take one of these defaults: keys out", c, b, c, b)
	if err == nil || err.Error() != want {
		t.Errorf("\ngot  %v\nwant %s", err, want)
	}
}

func TestFileNamedTwiceLiesWhereItWasFirst(t *testing.T) {
	dir := write(t, map[string]string{
		"base.yaml": "format: linehand.site/1\nsite: {name: base}\nkinds: {k: {dialogue: d}}\n",
		"a.yaml":    "format: linehand.site/1\ndefaults: base.yaml\nsite: {name: a}\nunits: [{name: u, kind: k}]\n",
		"b.yaml":    "format: linehand.site/1\ndefaults: base.yaml\nunits: [{name: v, kind: k}]\n",
	})
	s, err := Load(filepath.Join(dir, "a.yaml"), filepath.Join(dir, "b.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if s.Name.Value != "a" {
		t.Errorf("the name is %q", s.Name.Value)
	}
}

// TestMergeIsTheLastWord lays random files over one another and compares
// every value and place with what a plain reading of the layers says: the
// last file that says a path has it, and things stand in the order in which
// they were first named.
func TestMergeIsTheLastWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type key struct{ unit, port, field string }
		said := map[key]Text{}
		var units []string
		var names []string
		files := map[string]string{}
		for i := range rapid.IntRange(1, 5).Draw(t, "files") {
			name := fmt.Sprintf("%d.yaml", i)
			names = append(names, name)
			lines := []string{"format: linehand.site/1", "units:"}
			say := func(text string, k key, value string, column int) {
				lines = append(lines, text)
				said[k] = Text{value, script.Pos{File: name, Line: len(lines), Column: column}}
			}
			drawn := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "c", "d"}), 1, 4, rapid.ID).Draw(t, "units")
			for _, u := range drawn {
				if !slices.Contains(units, u) {
					units = append(units, u)
				}
				say("  - name: "+u, key{unit: u, field: "name"}, u, 11)
				for _, field := range []string{"title", "serial"} {
					if rapid.Bool().Draw(t, field) {
						value := rapid.StringMatching(`0?[0-9a-z.]{1,6}`).Filter(func(s string) bool { return s != "null" }).Draw(t, "value")
						say("    "+field+": '"+value+"'", key{unit: u, field: field}, value, 5+len(field)+2)
					}
				}
				ports := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"e0", "e1", "e2"}), 0, 3, rapid.ID).Draw(t, "ports")
				if len(ports) > 0 {
					lines = append(lines, "    ports:")
				}
				for _, p := range ports {
					say("      - name: "+p, key{u, p, "name"}, p, 15)
					address := fmt.Sprintf("192.0.2.%d", rapid.IntRange(1, 254).Draw(t, "host"))
					say("        address: "+address, key{u, p, "address"}, address, 18)
				}
			}
			files[name] = strings.Join(lines, "\n") + "\n"
		}
		l := loader{read: func(path string) ([]byte, error) { return []byte(files[path]), nil }}
		for _, name := range names {
			l.layer(name, script.Pos{})
		}
		if len(l.errs) > 0 {
			t.Fatal(l.errs)
		}
		merged := l.layers[0]
		for _, over := range l.layers[1:] {
			merged = merge(merged, over, profileShape)
		}
		var d decoder
		s := d.site(merged)
		got := map[key]Text{}
		var order []string
		put := func(k key, text Text) {
			if text.Value != "" {
				got[k] = text
			}
		}
		for _, u := range s.Units {
			order = append(order, u.Name.Value)
			put(key{unit: u.Name.Value, field: "name"}, u.Name)
			put(key{unit: u.Name.Value, field: "title"}, u.Title)
			put(key{unit: u.Name.Value, field: "serial"}, u.Serial)
			for _, p := range u.Ports {
				put(key{u.Name.Value, p.Name.Value, "name"}, p.Name)
				put(key{u.Name.Value, p.Name.Value, "address"}, p.Address)
			}
		}
		if !slices.Equal(order, units) {
			t.Fatalf("units stand as %v, want %v", order, units)
		}
		for k, want := range said {
			if got[k] != want {
				t.Fatalf("%v: got %+v, want %+v", k, got[k], want)
			}
		}
		if len(got) != len(said) {
			t.Fatalf("%d values, want %d", len(got), len(said))
		}
	})
}
