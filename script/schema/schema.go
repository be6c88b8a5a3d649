// Package schema gives JSON Schemas (draft 2020-12) of the two kinds of file
// that people write, for editors. They find mistyped keys and values of the
// wrong form while a person types; what JSON Schema cannot say, the readers
// of the files find (script/site, script).
package schema

import (
	"encoding/json"
	"fmt"

	"linehand/script"
	"linehand/script/site"
)

const draft = "https://json-schema.org/draft/2020-12/schema"

// Profile is the schema of one site profile file.
func Profile() []byte { return written(site.Schema()) }

// Dialogue is the schema of a dialogue file. Its tests hold every map of keys
// in it against what the reader of dialogues says it knows.
func Dialogue() []byte {
	root := dialogue()
	root["$schema"] = draft
	root["title"] = "A linehand dialogue"
	return written(root)
}

// written gives a schema's text, its keys sorted.
func written(schema map[string]any) []byte {
	out, err := json.MarshalIndent(schema, "", "  ")
	if err != nil {
		panic(fmt.Sprintf("a schema of maps and texts cannot be written: %v", err))
	}
	return append(out, '\n')
}

// object is a map of keys; those that must be there come first.
func object(called string, required []string, properties map[string]any) map[string]any {
	out := map[string]any{"type": "object", "description": called, "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}

type keys = map[string]any

// scalar is a value that is read as it was written, also where YAML makes a
// number or a truth of it.
func scalar() map[string]any { return map[string]any{"type": []string{"string", "number", "boolean"}} }

func words(list ...string) map[string]any { return map[string]any{"enum": list} }

func truth() map[string]any { return map[string]any{"enum": []any{"true", "false", true, false}} }

func oneLine() map[string]any {
	out := scalar()
	out["pattern"], out["maxLength"] = "^[^\u0000-\u001f\u007f-\u009f]*[^ \u0000-\u001f\u007f-\u009f][^\u0000-\u001f\u007f-\u009f]*$", 200
	return out
}

func answer() map[string]any {
	out := scalar()
	out["pattern"] = "^[^\u0000-\u001f\u007f-\u009f]*$"
	return out
}

func number(least, most int) map[string]any {
	return map[string]any{"anyOf": []any{
		map[string]any{"type": "integer", "minimum": least, "maximum": most},
		map[string]any{"type": "string", "pattern": "^[0-9]+$"},
	}}
}

func duration() map[string]any {
	return map[string]any{"type": "string", "pattern": "^([0-9]+(\\.[0-9]*)?|\\.[0-9]+)(h|m|s|ms|us|µs|ns)(([0-9]+(\\.[0-9]*)?|\\.[0-9]+)(h|m|s|ms|us|µs|ns))*$", "description": "a number and its unit, as in 40ms, 5s, 12m or 1h30m"}
}

func list(items any) map[string]any { return map[string]any{"type": "array", "items": items} }

func ref(name string) map[string]any { return map[string]any{"$ref": "#/$defs/" + name} }

func expression() map[string]any {
	out := scalar()
	out["description"] = "an expression over the plan's values and the facts"
	return out
}

func regular() map[string]any {
	return map[string]any{"type": []string{"string", "number", "boolean"}, "minLength": 1, "maxLength": 1000, "description": "a regular expression (RE2)"}
}

func dialogue() map[string]any {
	root := object("a dialogue", []string{"format", "name", "stages"}, keys{
		"format": map[string]any{"const": script.Format},
		"name":   map[string]any{"type": []string{"string", "integer"}, "pattern": "^[a-z0-9][a-z0-9-]{0,62}$"},
		"title":  oneLine(), "line": ref("line"), "wake": ref("wake"), "redraw": ref("key"),
		"identity": words("printed", "not printed"),
		"facts":    map[string]any{"type": "object", "propertyNames": map[string]any{"pattern": "^[a-z][a-z0-9_]{0,62}$"}, "additionalProperties": regular()},
		"chatter":  list(regular()), "queries": words("ignore", "answer"),
		"stop-on": list(ref("stop-on")), "stages": list(ref("stage")),
		"before": list(ref("step")), "after": list(ref("step")), "serves": ref("serves"),
	})
	root["$defs"] = keys{
		"key":      map[string]any{"type": []string{"string", "integer"}, "description": "a key: Enter, Space, Tab, Esc, Ctrl-C, or one character"},
		"pattern":  map[string]any{"anyOf": []any{scalar(), ref("marked")}},
		"patterns": map[string]any{"anyOf": []any{scalar(), ref("marked"), map[string]any{"type": "array", "minItems": 1, "items": ref("pattern")}}},
		"marked":   object("a marked pattern", []string{"regexp"}, keys{"regexp": regular()}),
		"line": object("the line", nil, keys{
			"speed": number(50, 4_000_000), "framing": map[string]any{"type": "string", "pattern": "^[5-8][NEOMS](1|1\\.5|2)$"},
			"flow": words("none", "hardware", "software"), "enter": words("CR", "LF", "CR LF"), "settle": duration(), "pace": duration(),
			"erase": words("BS", "DEL", "Ctrl-U"), "columns": number(20, 1000),
		}),
		"wake": object("how a silent unit is woken", []string{"press"}, keys{
			"press": map[string]any{"type": []string{"string", "integer"}, "description": "a key, or nothing"}, "every": duration(), "within": duration(),
		}),
		"stop-on": object("a stop-on", []string{"text", "because"}, keys{"text": ref("pattern"), "because": oneLine()}),
		"stage": with(object("a stage", []string{"stage"}, keys{
			"stage": oneLine(), "within": duration(), "each": each(),
			"needed": expression(), "looks": truth(), "exchanges": list(ref("exchange")), "refused-by": ref("patterns"),
			"if-refused": oneLine(), "until": ref("patterns"), "finish": truth(),
		}), "anyOf", []any{needs("exchanges"), needs("until")}),
		"exchange": with(object("an exchange", []string{"prompt"}, keys{
			"prompt": ref("patterns"), "answer": answer(), "press": ref("key"), "when": expression(), "needed": expression(),
			"enter": words("CR", "LF", "CR LF", "none"), "echo": words("typed", "hidden", "none"), "times": number(1, 1000),
			"at-once": truth(), "sometimes": truth(), "settle": duration(), "reads": list(ref("read-back")), "refused-by": ref("patterns"),
		}), "oneOf", []any{with(needs("answer"), "not", needs("press")), with(needs("press"), "not", map[string]any{"anyOf": []any{needs("echo"), needs("enter")}})}),
		"read-back": with(object("a read-back", []string{"what", "regexp"}, keys{
			"what": oneLine(), "as": words("text", "name", "address", "mask", "number", "size", "time", "names"), "regexp": regular(), "equals": answer(),
			"keep":   map[string]any{"type": "string", "pattern": "^[a-z][a-z0-9_]{0,62}$"},
			"within": duration(), "open": ref("pattern"),
		}), "anyOf", []any{
			with(isTime(), "not", needs("equals")),
			map[string]any{"not": map[string]any{"anyOf": []any{isTime(), needs("within")}}, "anyOf": []any{needs("equals"), with(needs("keep"), "not", needs("open"))}},
		}),
		"step": with(object("a step by hand", nil, keys{
			"step": oneLine(), "general": oneLine(), "do": sentences(), "caution": sentences(), "source": oneLine(),
			"picture": map[string]any{"type": "string", "description": "a block of text, at most 76 columns wide"},
			"good":    sentences(), "otherwise": sentences(), "needed": expression(), "each": each(), "required": truth(),
			"values": list(ref("value")), "must-show": sentences(),
		}), "anyOf", []any{with(needs("step"), "required", []string{"step", "do"}), needs("general")}),
		"value": object("a value for a unit's own page", []string{"label", "value"}, keys{"label": oneLine(), "value": answer()}),
		"serves": object("what must answer before the set-up", []string{"looks"}, keys{
			"within": duration(), "every": duration(), "looks": map[string]any{"type": "array", "minItems": 1, "items": ref("look")},
		}),
		"look": with(object("a look over the network", []string{"what", "address", "by"}, keys{
			"what": oneLine(), "address": answer(), "by": words("icmp", "tcp", "https", "ssh"), "port": number(1, 65535), "each": each(), "needed": expression(),
		}), "anyOf", []any{
			with(by("tcp"), "required", []string{"by", "port"}), with(by("icmp"), "not", needs("port")), by("https", "ssh"),
		}),
	}
	return root
}

func each() map[string]any {
	return map[string]any{"type": "object", "minProperties": 1, "maxProperties": 1, "additionalProperties": expression()}
}

// sentences are words for people; a block of text may run over several
// lines.
func sentences() map[string]any {
	out := scalar()
	out["pattern"], out["maxLength"] = "[^ \n\t]", 4000
	return out
}

// isTime is a read-back that is compared with the clock.
func isTime() map[string]any {
	return map[string]any{"properties": keys{"as": words("time")}, "required": []string{"as"}}
}

// by is a look in one of these ways.
func by(ways ...string) map[string]any {
	return map[string]any{"properties": keys{"by": words(ways...)}}
}

func needs(key string) map[string]any { return map[string]any{"required": []string{key}} }

func with(m map[string]any, key string, value any) map[string]any {
	m[key] = value
	return m
}
