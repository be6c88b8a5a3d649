package site

// A shape says what a value of the profile must look like. One table of
// shapes drives the checking of keys and values and the laying together of
// files, so that the two cannot disagree.
type shape struct {
	kind   kind
	called string // the value's name for people, with its article
	fields []field
	elem   *shape // of named, table
	check  check  // of text, and of each element of texts
	least  int    // of number and decimal
	most   int
	secret bool  // what is written may be a secret by mistake: never shown in a fault
	keys   check // of the keys of a table

	// For editors only: what of the checks JSON Schema can say.
	form    *form
	keyForm *form
	hint    string
}

// form is a text's form in JSON Schema: a pattern (ECMA-262, within what RE2
// also reads), the words that may stand, or formats of which one must hold.
type form struct {
	pattern string
	words   []string
	formats []string
	not     string // a pattern that must not match
}

type kind uint8

const (
	text    kind = iota
	texts        // a list of texts; a later file's list replaces the earlier one
	number       // a whole number in decimal
	decimal      // a number in decimal, with or without a point
	object       // fixed keys, merged key by key
	choice       // exactly one of its keys; a later file's replaces the earlier one
	named        // a list of objects that each have a name, merged by name
	table        // names of the writer's own, merged by name
	secrets      // as table; each value a choice that must not be the secret itself
)

type field struct {
	key   string
	shape *shape
}

// check tells what is wrong with a text and how to mend it; "" for nothing.
type check func(string) (what, mend string)

func (s *shape) field(key string) *shape {
	for i := range s.fields {
		if s.fields[i].key == key {
			return s.fields[i].shape
		}
	}
	return nil
}

func (s *shape) keyNames() []string {
	names := make([]string, len(s.fields))
	for i, f := range s.fields {
		names[i] = f.key
	}
	return names
}
