package schema

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/site"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"
)

// compile has the schema held against the draft's own schema of schemas.
func compile(t *testing.T, text []byte) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("file:///schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("file:///schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// instance is what an editor makes of YAML text: YAML's own numbers, truths
// and nulls.
func instance(text []byte) (any, error) {
	var n yaml.Node
	if err := yaml.Unmarshal(text, &n); err != nil {
		return nil, err
	}
	if len(n.Content) == 0 {
		return nil, nil
	}
	return ofNode(n.Content[0])
}

func ofNode(n *yaml.Node) (any, error) {
	switch n.Kind {
	case yaml.MappingNode:
		out := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			v, err := ofNode(n.Content[i+1])
			if err != nil {
				return nil, err
			}
			out[n.Content[i].Value] = v
		}
		return out, nil
	case yaml.SequenceNode:
		out := []any{}
		for _, item := range n.Content {
			v, err := ofNode(item)
			if err != nil {
				return nil, err
			}
			out = append(out, v)
		}
		return out, nil
	}
	var v any
	if err := n.Decode(&v); err != nil {
		return nil, err
	}
	switch v := v.(type) {
	case nil, bool, string:
		return v, nil
	case int, int64, uint64, float64:
		text, err := json.Marshal(v)
		if err != nil {
			return n.Value, nil // .inf and .nan are no JSON
		}
		return json.Number(text), nil
	}
	return n.Value, nil // a date
}

func cleanFiles(t *testing.T, pattern string) map[string][]byte {
	t.Helper()
	names, err := filepath.Glob(filepath.FromSlash(pattern))
	if err != nil || len(names) == 0 {
		t.Fatalf("%s: %v, %v", pattern, names, err)
	}
	out := map[string][]byte{}
	for _, name := range names {
		if strings.HasSuffix(name, ".lock.yaml") {
			continue
		}
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		out[name] = data
	}
	return out
}

func TestCleanFilesPass(t *testing.T) {
	page, err := os.ReadFile("../site/FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	profiles := cleanFiles(t, "../../fixtures/site/*.yaml")
	for name, data := range cleanFiles(t, "../../fixtures/rig/testdata/*.site.yaml") {
		profiles[name] = data
	}
	for i, m := range regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllSubmatch(page, -1) {
		profiles[fmt.Sprintf("FORMAT.md %d", i+1)] = m[1]
	}
	dialogues := cleanFiles(t, "../../fixtures/dialogues/*.yaml")
	maps.Copy(dialogues, cleanFiles(t, "../testdata/example.yaml"))
	for kind, files := range map[string]map[string][]byte{"profile": profiles, "dialogue": dialogues} {
		s := compile(t, map[string][]byte{"profile": Profile(), "dialogue": Dialogue()}[kind])
		for name, data := range files {
			v, err := instance(data)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Validate(v); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// objects gives every map of keys in the dialogue's schema, each with a file
// in which an unknown key stands in such a map. The reader then lists the
// keys that it knows.
func TestDialogueSchemaHasTheReadersKeys(t *testing.T) {
	const head = "format: linehand.dialogue/1\nname: a\n"
	const stages = "stages:\n  - {stage: a, until: x}\n"
	files := map[string]string{
		"":          head + stages + "zzzzzzzzzzzz: x\n",
		"line":      head + stages + "line: {zzzzzzzzzzzz: x}\n",
		"wake":      head + stages + "wake: {press: Enter, zzzzzzzzzzzz: x}\n",
		"stop-on":   head + stages + "stop-on: [{text: a, because: b, zzzzzzzzzzzz: x}]\n",
		"stage":     head + "stages:\n  - {stage: a, until: x, zzzzzzzzzzzz: x}\n",
		"exchange":  head + "stages:\n  - {stage: a, exchanges: [{prompt: a, answer: b, zzzzzzzzzzzz: x}]}\n",
		"read-back": head + "stages:\n  - {stage: a, exchanges: [{prompt: a, answer: b, reads: [{what: a, regexp: '(a)', keep: b, zzzzzzzzzzzz: x}]}]}\n",
		"step":      head + stages + "before: [{step: a, do: b, zzzzzzzzzzzz: x}]\n",
		"value":     head + stages + "after: [{step: a, do: b, values: [{label: a, value: b, zzzzzzzzzzzz: x}]}]\n",
		"serves":    head + stages + "serves: {looks: [{what: a, address: b, by: icmp}], zzzzzzzzzzzz: x}\n",
		"look":      head + stages + "serves: {looks: [{what: a, address: b, by: icmp, zzzzzzzzzzzz: x}]}\n",
		"marked":    head + "stages:\n  - {stage: a, until: {regexp: x, zzzzzzzzzzzz: x}}\n",
	}
	var doc map[string]any
	if err := json.Unmarshal(Dialogue(), &doc); err != nil {
		t.Fatal(err)
	}
	defs := doc["$defs"].(map[string]any)
	covered := 0
	for name, file := range files {
		object := doc
		if name != "" {
			object = defs[name].(map[string]any)
		}
		var keys []string
		for key := range object["properties"].(map[string]any) {
			keys = append(keys, key)
		}
		slices.Sort(keys)
		covered++
		_, err := script.Parse("d.yaml", []byte(file))
		_, listed, ok := strings.Cut(fmt.Sprint(err), "the names are ")
		if !ok {
			t.Errorf("%q: the reader lists no keys: %v", name, err)
			continue
		}
		known := strings.Split(strings.SplitN(listed, "\n", 2)[0], ", ")
		slices.Sort(known)
		if !slices.Equal(keys, known) {
			t.Errorf("%q\nschema %v\nreader %v", name, keys, known)
		}
	}
	for name, def := range defs {
		if _, object := def.(map[string]any)["properties"]; object && files[name] == "" {
			t.Errorf("the map of keys %q is not held against the reader", name)
		}
	}
}

// The profile's schema is made of the reader's own table; that the table is
// the whole of it shows here, one key from each part.
func TestProfileSchemaRefusesAnUnknownKeyEverywhere(t *testing.T) {
	s := compile(t, Profile())
	const head = "format: linehand.site/1\n"
	for _, part := range []string{
		"x: 1", "site: {x: 1}", "networks: [{name: a, x: 1}]", "clusters: [{name: a, x: 1}]", "kinds: {a: {x: 1}}", "kinds: {a: {factory: {x: 1}}}",
		"kinds: {a: {limits: {x: 1}}}", "kinds: {a: {limits: {name: {x: 1}}}}", "kinds: {a: {drives: {x: 1}}}", "kinds: {a: {times: {x: 1}}}",
		"units: [{name: a, x: 1}]", "units: [{name: a, ports: [{name: b, x: 1}]}]", "units: [{name: a, place: {x: 1}}]", "units: [{name: a, storage: {x: 1}}]",
		"units: [{name: a, cluster: {x: 1}}]", "racks: [{name: a, x: 1}]", "feeds: [{name: a, x: 1}]", "secrets: {a: {x: b}}", "visit: {x: 1}", "import: {x: 1}",
		"import: {columns: {x: 1}}", "import: {ports: [{name: a, x: 1}]}",
	} {
		text := []byte(head + part + "\n")
		v, err := instance(text)
		if err != nil {
			t.Fatal(err)
		}
		if s.Validate(v) == nil {
			t.Errorf("%s: the schema takes it", part)
		}
		if site.CheckFile("a.yaml", text) == nil {
			t.Errorf("%s: the reader takes it", part)
		}
	}
}
