package site

import (
	"strconv"
	"strings"
)

// Schema is a JSON Schema (draft 2020-12) of one profile file as maps, lists
// and texts, made from the table that the reader itself uses. It says of each key and value what
// JSON Schema can say; what it cannot, the reader finds: names said twice,
// what a name refers to, addresses in IPv6 form that are IPv4, ranges, time
// zones, and numbers in quotes that are out of range.
func Schema() map[string]any {
	w := schemaWriter{defs: map[string]any{}}
	root := w.object(profileShape)
	properties := root["properties"].(map[string]any)
	properties["format"] = map[string]any{"const": Format}
	root["required"] = []string{"format"}
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "A linehand site profile"
	root["$defs"] = w.defs
	return root
}

// A text has no control character and no blank at its ends. Go's RE2 and
// ECMA-262 both read these classes the same.
const (
	blanks   = " \u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000"
	controls = "\u0000-\u001f\u007f-\u009f"
	anyText  = "^[^" + blanks + controls + "]([^" + controls + "]*[^" + blanks + controls + "])?$"
)

type schemaWriter struct {
	defs map[string]any
}

func (w *schemaWriter) of(s *shape) map[string]any {
	switch s.kind {
	case text:
		return w.text(s)
	case number:
		return w.number(s, "integer", "^(0|[1-9][0-9]*)$")
	case decimal:
		return w.number(s, "number", decimalForm.String())
	case texts:
		return map[string]any{"type": "array", "items": w.text(&shape{form: s.form, hint: s.hint})}
	case named:
		return map[string]any{"type": "array", "items": w.ref(s.elem, true)}
	case table, secrets:
		return w.table(s)
	}
	return w.ref(s, false)
}

// ref puts a map of keys under $defs, so that it stands there once.
func (w *schemaWriter) ref(s *shape, needsName bool) map[string]any {
	name := strings.NewReplacer("a ", "", "an ", "", "the ", "", " ", "-").Replace(s.called)
	if w.defs[name] == nil {
		w.defs[name] = map[string]any{} // holds the name while the keys are written
		def := w.object(s)
		if needsName {
			def["required"] = []string{"name"}
		}
		w.defs[name] = def
	}
	return map[string]any{"$ref": "#/$defs/" + name}
}

func (w *schemaWriter) object(s *shape) map[string]any {
	properties := make(map[string]any, len(s.fields))
	for _, f := range s.fields {
		properties[f.key] = w.of(f.shape)
	}
	out := map[string]any{"type": "object", "title": s.called, "properties": properties, "additionalProperties": false}
	if s.kind == choice {
		out["minProperties"], out["maxProperties"] = 1, 1
	}
	return out
}

func (w *schemaWriter) table(s *shape) map[string]any {
	out := map[string]any{"type": "object", "title": s.called, "additionalProperties": w.of(s.elem)}
	if s.keyForm != nil {
		out["propertyNames"] = map[string]any{"pattern": s.keyForm.pattern}
	}
	return out
}

// number takes what YAML makes of bare digits, and a text of digits.
func (w *schemaWriter) number(s *shape, kind, pattern string) map[string]any {
	return map[string]any{"title": s.called, "anyOf": []any{
		map[string]any{"type": kind, "minimum": s.least, "maximum": s.most},
		map[string]any{"type": "string", "pattern": pattern},
	}}
}

// text takes also what YAML makes of bare words and digits, which the reader
// takes as they are written.
func (w *schemaWriter) text(s *shape) map[string]any {
	out := map[string]any{"type": []string{"string", "number", "boolean"}, "pattern": anyText, "maxLength": longestText}
	f := s.form
	switch {
	case f == nil:
	case f.words != nil && f.formats == nil:
		out = map[string]any{"enum": asWritten(f.words)}
	case f.formats != nil:
		out = map[string]any{"type": "string", "anyOf": anyOf(f)}
		if f.not != "" {
			out["not"] = map[string]any{"pattern": f.not}
		}
	default:
		out = map[string]any{"type": []string{"string", "integer"}, "pattern": f.pattern, "maxLength": longestText}
	}
	if s.hint != "" {
		out["description"] = s.hint
	}
	return out
}

func anyOf(f *form) []any {
	var out []any
	for _, format := range f.formats {
		out = append(out, map[string]any{"format": format})
	}
	if f.words != nil {
		out = append(out, map[string]any{"enum": f.words})
	}
	return out
}

// asWritten adds to words what YAML makes of those that are numbers or truths.
func asWritten(words []string) []any {
	var out []any
	for _, word := range words {
		out = append(out, word)
		if n, err := strconv.Atoi(word); err == nil {
			out = append(out, n)
		} else if truth, err := strconv.ParseBool(word); err == nil {
			out = append(out, truth)
		}
	}
	return out
}
