package api

import (
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// each calls f for every operation of the document.
func (r *rig) each(f func(method, path string, op *huma.Operation)) {
	for path, item := range r.api.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{"GET": item.Get, "POST": item.Post, "DELETE": item.Delete, "PUT": item.Put, "PATCH": item.Patch} {
			if op != nil {
				f(method, path, op)
			}
		}
	}
}

// real fills a path with names of what is there.
func (r *rig) real(path string) string {
	return strings.NewReplacer("{line}", url.PathEscape("usb:1209:00f1:LC1:00"), "{order}", r.order, "{record}", r.record,
		"{unit}", "shelf-01", "{hold}", "h-0001", "{pack}", "none.zip", "{session}", "s-none", "{token}", "t-none").Replace(path)
}

// TestDocument: the document is what the OpenAPI Specification 3.1 asks for, by
// a validator that carries its published schema, where that is installed; and
// in any case its schemas compile as JSON Schema 2020-12 (section 4.8.24 of the
// specification), its references lead somewhere, and IDs and parameters are as
// they must be (sections 4.8.10 and 4.8.12).
func TestDocument(t *testing.T) {
	r := newRig(t, false)
	w := r.all("GET", "/api/openapi.json", "")
	var doc map[string]any
	must(t, json.Unmarshal(w.Body.Bytes(), &doc))
	if v, _ := doc["openapi"].(string); !strings.HasPrefix(v, "3.1.") {
		t.Errorf("openapi: %q", v)
	}
	compiler := jsonschema.NewCompiler()
	must(t, compiler.AddResource("mem:///doc.json", doc))
	schemas := doc["components"].(map[string]any)["schemas"].(map[string]any)
	if len(schemas) < 20 {
		t.Errorf("only %d schemas", len(schemas))
	}
	for name := range schemas {
		if _, err := compiler.Compile("mem:///doc.json#/components/schemas/" + name); err != nil {
			t.Errorf("schema %s: %v", name, err)
		}
	}
	ids := map[string]bool{}
	r.each(func(method, path string, op *huma.Operation) {
		if ids[op.OperationID] || op.OperationID == "" {
			t.Errorf("%s %s: operation ID %q", method, path, op.OperationID)
		}
		ids[op.OperationID] = true
		for _, part := range strings.Split(path, "/") {
			name, is := strings.CutPrefix(part, "{")
			name = strings.TrimSuffix(name, "}")
			found := false
			for _, p := range op.Parameters {
				found = found || p.In == "path" && p.Name == name && p.Required
			}
			if is && !found {
				t.Errorf("%s %s: no parameter %q", method, path, name)
			}
		}
		if op.Extensions[roleExtension] == nil || op.Summary == "" || len(op.Responses) < 2 {
			t.Errorf("%s %s: role, summary or answers are missing", method, path)
		}
	})
	validator(t, w.Body.Bytes())
}

func validator(t *testing.T, doc []byte) {
	python, err := exec.LookPath("python3")
	if err != nil || exec.Command(python, "-c", "import openapi_spec_validator").Run() != nil {
		t.Log("openapi-spec-validator is not installed: the document was not held against the published schema")
		return
	}
	path := filepath.Join(t.TempDir(), "openapi.json")
	must(t, os.WriteFile(path, doc, 0o600))
	out, err := exec.Command(python, "-m", "openapi_spec_validator", "--schema", "3.1", path).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestAnswersAsDocumented holds each answer to a question against its schema.
func TestAnswersAsDocumented(t *testing.T) {
	r := newRig(t, true)
	var doc any
	must(t, json.Unmarshal(r.all("GET", "/api/openapi.json", "").Body.Bytes(), &doc))
	compiler := jsonschema.NewCompiler()
	must(t, compiler.AddResource("mem:///doc.json", doc))
	n := 0
	r.each(func(method, path string, op *huma.Operation) {
		content := op.Responses["200"]
		if method != http.MethodGet || content == nil || content.Content["application/json"] == nil {
			return
		}
		target := r.real(path)
		if path == "/api/plan/units/{unit}" {
			target = "/api/plan/units/" + r.plan().Units[0].Name
		}
		w := r.all(method, target, "")
		if w.Code != 200 {
			t.Errorf("GET %s: %d %s", target, w.Code, w.Body)
			return
		}
		at := "mem:///doc.json#/paths/" + strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D").Replace(path) + "/get/responses/200/content/application~1json/schema"
		schema, err := compiler.Compile(at)
		if err != nil {
			t.Errorf("%s: %v", at, err)
			return
		}
		answer, err := jsonschema.UnmarshalJSON(w.Body)
		must(t, err)
		if err := schema.Validate(answer); err != nil {
			t.Errorf("GET %s: %v", target, err)
		}
		n++
	})
	if n < 15 {
		t.Errorf("only %d answers were compared", n)
	}
}
