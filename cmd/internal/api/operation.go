package api

import (
	"context"
	"net/http"
	"reflect"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"linehand/cmd/internal/access"
)

const schemaPrefix = "#/components/schemas/"

// config is that of the API. The library's own pages and links are left out:
// they would load scripts from elsewhere.
func config(tool string) huma.Config {
	c := huma.DefaultConfig("linehand bench", tool)
	c.OpenAPI.Info.Description = "Everything that can be seen and done at a bench. Sign in by session cookie, or send an API token as a bearer token. " +
		"Each operation says in x-role which role it needs. Problems are told as RFC 9457 has it; they never repeat what was sent."
	c.Components.Schemas = huma.NewMapRegistry(schemaPrefix, schemaName)
	c.Components.SecuritySchemes = map[string]*huma.SecurityScheme{
		"token": {Type: "http", Scheme: "bearer", Description: "an API token"},
	}
	c.OpenAPIPath, c.DocsPath, c.SchemasPath, c.CreateHooks = "", "", "", nil
	c.Formats = map[string]huma.Format{"application/json": huma.DefaultJSONFormat, "json": huma.DefaultJSONFormat}
	c.Transformers = []huma.Transformer{strip}
	return c
}

// schemaName puts the package before a type's name: several packages have a
// Line or an Ending.
func schemaName(t reflect.Type, hint string) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	name := huma.DefaultSchemaNamer(t, hint)
	path := t.PkgPath()
	own := path[strings.LastIndex(path, "/")+1:]
	if own == "" || own == "api" || own == "v2" {
		return name
	}
	return strings.ToUpper(own[:1]) + own[1:] + name
}

// body is an answer.
type body[T any] struct{ Body T }

func of[T any](v T) *body[T] { return &body[T]{v} }

// nothing is an answer that says only that it is done.
type nothing struct{}

// empty is a request without anything.
type empty struct{}

// role is the name by which the document says what an operation needs.
const roleExtension = "x-role"

// op describes an operation. Its ID is made of method and path.
func (s *server) op(role access.Role, method, path, summary string) huma.Operation {
	o := huma.Operation{
		OperationID: operationID(method, path), Method: method, Path: "/api" + path, Summary: summary,
		Tags: []string{strings.Split(strings.TrimPrefix(path, "/"), "/")[0]}, MaxBodyBytes: mostBody,
		Security: []map[string][]string{{"token": {}}}, Extensions: map[string]any{roleExtension: string(role)},
		Errors: []int{http.StatusUnauthorized, http.StatusForbidden, http.StatusTooManyRequests},
	}
	if strings.Contains(path, "{") {
		o.Errors = append(o.Errors, http.StatusNotFound)
	}
	if method != http.MethodGet {
		o.Errors = append(o.Errors, http.StatusConflict)
	}
	o.Middlewares = huma.Middlewares{func(ctx huma.Context, next func(huma.Context)) {
		who, known := access.From(ctx.Context())
		switch {
		case !known:
			_ = huma.WriteErr(s.api, ctx, http.StatusUnauthorized, "sign in first")
		case !who.May(role):
			_ = huma.WriteErr(s.api, ctx, http.StatusForbidden, "this needs the role "+string(role))
		default:
			next(ctx)
		}
	}}
	return o
}

func operationID(method, path string) string {
	id := strings.ToLower(method)
	for part := range strings.FieldsFuncSeq(path, func(r rune) bool { return r == '/' || r == '{' || r == '}' }) {
		id += "-" + part
	}
	return id
}

// add registers an operation. What f does is done by who asks.
func add[I, O any](s *server, o huma.Operation, f func(ctx context.Context, who access.Session, in *I) (*O, error)) {
	huma.Register(s.api, o, func(ctx context.Context, in *I) (*O, error) {
		who, _ := access.From(ctx)
		out, err := f(ctx, who, in)
		if err != nil {
			return nil, s.explain(ctx, err)
		}
		return out, nil
	})
}

// document is the OpenAPI document.
func (s *server) document(w http.ResponseWriter, _ *http.Request) {
	data, err := s.api.OpenAPI().MarshalJSON()
	if err != nil {
		s.Log.Error().Err(err).Msg("write the OpenAPI document")
		problem(w, http.StatusInternalServerError, "a fault in this program; its log says more")
		return
	}
	w.Header().Set("Content-Type", "application/vnd.oai.openapi+json;version=3.1")
	_, _ = w.Write(data)
}
