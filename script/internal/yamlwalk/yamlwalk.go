// Package yamlwalk reads YAML (version 1.2, yaml.org) as text with places: a
// scalar stays as it was written (0123, 1.10, no), each value knows its file,
// line and column, and what a strict file may not hold is a fault: anchors,
// aliases, tags, keys said twice, keys without a value, a second document.
//
// A file may hold a secret by mistake, so no fault repeats more of it than a
// key, and not that where it may have been meant for a value.
//
// It knows nothing of what the keys mean. Reading never stops at the first
// fault, except where the text is no YAML at all.
package yamlwalk

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// MaxBytes is the largest file that is read.
const MaxBytes = 64 << 20

// Pos is a place in a file: line and column from 1, columns in characters.
type Pos struct {
	File         string
	Line, Column int
}

// Fault is one mistake: where, what, and how to mend it.
type Fault struct {
	Pos        Pos
	What, Mend string
}

// Kind tells the three kinds of value apart.
type Kind uint8

// The kinds of value.
const (
	Text Kind = iota
	Map
	List
)

// String names the kind for people.
func (k Kind) String() string {
	return [...]string{"a single value", "a map of keys", "a list"}[k]
}

// Value is a value and the place where it starts.
type Value struct {
	Pos     Pos
	Kind    Kind
	Damaged bool    // something in it was faulty and is left out here
	Text    string  // of a Text
	Entries []Entry // of a Map, in file order
	Items   []*Value
}

// Entry is one key of a map with its value.
type Entry struct {
	Key   string
	Pos   Pos // of the key
	Value *Value
}

// Get returns the value of a key, nil when the map has none.
func (v *Value) Get(key string) *Value {
	if v == nil {
		return nil
	}
	for i := range v.Entries {
		if v.Entries[i].Key == key {
			return v.Entries[i].Value
		}
	}
	return nil
}

// Parse reads one file of one document. The value is nil when there is none
// to go on with.
func Parse(file string, data []byte) (*Value, []Fault) {
	w := &walk{file: file}
	if len(data) > MaxBytes {
		w.fault(1, 1, "the file is larger than 64 MiB", "split it")
		return nil, w.faults
	}
	if line, column, bad := firstNonUTF8(data); bad {
		w.fault(line, column, "the file is not UTF-8 text", "save it as UTF-8")
		return nil, w.faults
	}
	root := w.document(data)
	if root == nil {
		return nil, w.faults
	}
	return w.value(root), w.faults
}

type walk struct {
	file   string
	faults []Fault
}

func (w *walk) fault(line, column int, what, mend string) {
	w.faults = append(w.faults, Fault{Pos{w.file, line, column}, what, mend})
}

func (w *walk) document(data []byte) *yaml.Node {
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var first, second yaml.Node
	err := decoder.Decode(&first)
	if errors.Is(err, io.EOF) || err == nil && len(first.Content) == 0 {
		w.fault(1, 1, "the file is empty", "write it, or name another file")
		return nil
	}
	if err == nil {
		switch err = decoder.Decode(&second); {
		case errors.Is(err, io.EOF):
			return first.Content[0]
		case err == nil:
			w.fault(second.Line, second.Column, "a second document starts here", "keep one document to a file")
			return nil
		}
	}
	w.syntax(err, data)
	return nil
}

const noAliases = "anchors and aliases are not used here"

var unknownAnchor = regexp.MustCompile(`^yaml: unknown anchor '(.*)' referenced$`)

var syntaxError = regexp.MustCompile(`^yaml: (?:line (\d+): )?((?s).*)$`)

// syntax reports what the YAML library says. It gives no column, so the
// first one is named. Of an alias to nothing it gives the text, but not the
// line: here it is the other way round.
func (w *walk) syntax(err error, data []byte) {
	line, words := 1, err.Error()
	if m := unknownAnchor.FindStringSubmatch(words); m != nil {
		before, _, _ := bytes.Cut(data, []byte("*"+m[1]))
		line = 1 + bytes.Count(before, []byte("\n"))
		w.fault(line, 1, noAliases, "write the value out, in quotes if it starts with a *")
		return
	}
	if m := syntaxError.FindStringSubmatch(words); m != nil {
		words = m[2]
		if n, err := strconv.Atoi(m[1]); err == nil {
			line = n
		}
	}
	mend := "mend the line or the one above it: check indentation, colons and quotes"
	if strings.Contains(words, "cannot start any token") {
		mend = "indent with blanks, not tabs, and quote text that starts with a special character"
	}
	w.fault(line, 1, "this is not YAML: "+words, mend)
}

func (w *walk) value(n *yaml.Node) *Value {
	v := &Value{Pos: Pos{w.file, n.Line, n.Column}}
	if n.Kind == yaml.AliasNode || n.Anchor != "" {
		w.fault(n.Line, n.Column, noAliases, "write the value out")
		return nil
	}
	if n.Style&yaml.TaggedStyle != 0 {
		w.fault(n.Line, n.Column, "tags are not used here", "write the value without the tag")
		return nil
	}
	switch n.Kind {
	case yaml.MappingNode:
		v.Kind = Map
		w.entries(n, v)
	case yaml.SequenceNode:
		v.Kind = List
		w.items(n, v)
	default:
		v.Text = n.Value
	}
	return v
}

func (w *walk) items(n *yaml.Node, v *Value) {
	v.Items = make([]*Value, 0, len(n.Content))
	for i, item := range n.Content {
		n.Content[i] = nil // of a large file, what is read need not stay in memory
		if empty(item) {
			w.fault(item.Line, item.Column, "an element of the list is empty", "write its value, or take the dash out")
			v.Damaged = true
			continue
		}
		if x := w.value(item); x != nil {
			v.Items = append(v.Items, x)
		} else {
			v.Damaged = true
		}
	}
}

func (w *walk) entries(n *yaml.Node, v *Value) {
	v.Entries = make([]Entry, 0, len(n.Content)/2)
	seen := newSeen(len(n.Content) / 2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		n.Content[i], n.Content[i+1] = nil, nil
		if empty(value) && n.Style&yaml.FlowStyle != 0 && noColon(key, value) {
			w.fault(key.Line, key.Column, "this key has no value", "write {KEY: VALUE}")
			v.Damaged = true
		} else if e, ok := w.entry(key, value, seen); ok {
			v.Entries = append(v.Entries, e)
		} else {
			v.Damaged = true
		}
	}
}

func (w *walk) entry(key, value *yaml.Node, seen seenKeys) (Entry, bool) {
	if key.Kind != yaml.ScalarNode || key.Anchor != "" || key.Style&yaml.TaggedStyle != 0 {
		w.fault(key.Line, key.Column, "a key must be a plain word", "write the key as one word")
		return Entry{}, false
	}
	if line, twice := seen.add(key.Value, key.Line); twice {
		w.fault(key.Line, key.Column, fmt.Sprintf("the key %q is said twice, first on line %d", key.Value, line), "keep one of the two")
		return Entry{}, false
	}
	if empty(value) {
		w.fault(key.Line, key.Column, fmt.Sprintf("the key %q has no value", key.Value), "write its value, or take the key out")
		return Entry{}, false
	}
	x := w.value(value)
	return Entry{key.Value, Pos{w.file, key.Line, key.Column}, x}, x != nil
}

// seenKeys finds keys that are said twice: by looking along the few keys that
// most maps have, by hashing where there are many.
type seenKeys struct {
	few  *[]seenKey
	many map[string]int
}

type seenKey struct {
	key  string
	line int
}

func newSeen(n int) seenKeys {
	if n > 16 {
		return seenKeys{many: make(map[string]int, n)}
	}
	few := make([]seenKey, 0, n)
	return seenKeys{few: &few}
}

func (s seenKeys) add(key string, line int) (first int, twice bool) {
	if s.many != nil {
		if first, twice = s.many[key]; !twice {
			s.many[key] = line
		}
		return first, twice
	}
	for _, k := range *s.few {
		if k.key == key {
			return k.line, true
		}
	}
	*s.few = append(*s.few, seenKey{key, line})
	return 0, false
}

func empty(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.Tag == "!!null" }

// noColon tells {word} from {key: }: there is no room for a colon and a blank
// between the key and its missing value.
func noColon(key, value *yaml.Node) bool {
	return value.Line == key.Line && value.Column < key.Column+utf8.RuneCountInString(key.Value)+2
}

func firstNonUTF8(data []byte) (line, column int, bad bool) {
	if utf8.Valid(data) {
		return 0, 0, false
	}
	line, column = 1, 1
	for len(data) > 0 {
		r, size := utf8.DecodeRune(data)
		if r == utf8.RuneError && size == 1 {
			break
		}
		column++
		if r == '\n' {
			line, column = line+1, 1
		}
		data = data[size:]
	}
	return line, column, true
}
