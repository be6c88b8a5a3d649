package site

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
)

const howToRefer = "a secret stands outside the profile: name it under secrets: as {env: VARIABLE}, {file: path}, {vault: ENTRY} or {ask: words}, and refer to it by that name"

const isOut = "; change the secret too: it has stood in a file"

// literalKeys are keys that people write a secret under.
var literalKeys = regexp.MustCompile(`(?i)^(value|literal|plain|clear|pin|key|pass|passw|passwd|password|pass-?phrase|pwd|[a-z]+[-_]?(password|pass-?phrase|passwd|pin)|(admin|root|factory|shared)[-_]?secret|community|token|credentials?)$`)

// checker holds one file against the table of shapes. What is faulty it
// takes out, and marks what it took it from, so that later steps do not
// report the same mistake in other words.
type checker struct {
	faults script.Errors
}

func (c *checker) fault(pos yamlwalk.Pos, what, mend string) {
	c.faults = append(c.faults, script.Fault{Pos: script.Pos(pos), What: what, Mend: mend})
}

// value reports whether there is anything left to go on with.
func (c *checker) value(v *yamlwalk.Value, s *shape, key string) bool {
	switch s.kind {
	case text:
		return c.text(v, s, key)
	case number:
		return c.number(v, s, key)
	case decimal:
		return c.decimal(v, s, key)
	case texts:
		return c.texts(v, s, key)
	case named:
		return c.named(v, s, key)
	case table, secrets:
		return c.table(v, s, key)
	}
	return c.object(v, s, key)
}

func (c *checker) wrongKind(v *yamlwalk.Value, want yamlwalk.Kind, key, mend string) bool {
	if v.Kind == want {
		return false
	}
	c.fault(v.Pos, fmt.Sprintf("%s must be %s, not %s", key, want, v.Kind), mend)
	return true
}

func (c *checker) text(v *yamlwalk.Value, s *shape, key string) bool {
	mend := "write one value"
	if s.secret {
		mend = "write the name of a secret; " + howToRefer
	}
	if c.wrongKind(v, yamlwalk.Text, key, mend) {
		return false
	}
	what, mend := checkAnyText(v.Text)
	if what == "" && s.check != nil {
		what, mend = s.check(v.Text)
	}
	if what != "" {
		c.fault(v.Pos, key+": "+what, mend)
	}
	return what == ""
}

func (c *checker) number(v *yamlwalk.Value, s *shape, key string) bool {
	if c.wrongKind(v, yamlwalk.Text, key, "write one whole number") {
		return false
	}
	n, err := strconv.Atoi(v.Text)
	if err != nil || strconv.Itoa(n) != v.Text || n < s.least || n > s.most {
		c.fault(v.Pos, fmt.Sprintf("%s: %q is not %s", key, v.Text, s.called), fmt.Sprintf("write a whole number from %d to %d", s.least, s.most))
		return false
	}
	return true
}

func (c *checker) decimal(v *yamlwalk.Value, s *shape, key string) bool {
	if c.wrongKind(v, yamlwalk.Text, key, "write one number") {
		return false
	}
	n, err := strconv.ParseFloat(v.Text, 64)
	if err != nil || !decimalForm.MatchString(v.Text) || n < float64(s.least) || n > float64(s.most) {
		c.fault(v.Pos, fmt.Sprintf("%s: %q is not %s", key, v.Text, s.called), fmt.Sprintf("write a number from %d to %d, with a point if need be", s.least, s.most))
		return false
	}
	return true
}

func (c *checker) texts(v *yamlwalk.Value, s *shape, key string) bool {
	if c.wrongKind(v, yamlwalk.List, key, "write [FIRST, SECOND], or one behind a dash on each line") {
		return false
	}
	elem := &shape{kind: text, check: s.check}
	keep := v.Items[:0]
	for _, item := range v.Items {
		if c.text(item, elem, key) {
			keep = append(keep, item)
		} else {
			v.Damaged = true
		}
	}
	v.Items = keep
	return true
}

func (c *checker) object(v *yamlwalk.Value, s *shape, key string) bool {
	if v.Kind != yamlwalk.Map {
		c.wrongKind(v, yamlwalk.Map, key, c.objectMend(s))
		return false
	}
	keep := v.Entries[:0]
	for _, e := range v.Entries {
		fs := s.field(e.Key)
		if fs == nil {
			c.unknownKey(e, s)
		} else if c.value(e.Value, fs, e.Key) {
			keep = append(keep, e)
			continue
		}
		v.Damaged = true
	}
	v.Entries = keep
	if s.kind == choice && len(keep) != 1 && !v.Damaged {
		c.fault(v.Pos, fmt.Sprintf("%s has %d keys where one belongs", s.called, len(keep)), "keep one of "+list(s.keyNames()))
		return false
	}
	return s.kind != choice || len(keep) == 1
}

func (c *checker) objectMend(s *shape) string {
	if s.kind == choice {
		return fmt.Sprintf("say {%s: …}, with one of %s", s.fields[0].key, list(s.keyNames()))
	}
	return "write its keys, each with a colon: " + list(s.keyNames())
}

func (c *checker) unknownKey(e yamlwalk.Entry, s *shape) {
	if literalKeys.MatchString(e.Key) {
		c.fault(e.Pos, fmt.Sprintf("a secret must not be written in the profile, as under %q here", e.Key), howToRefer+isOut)
		return
	}
	what := fmt.Sprintf("unknown key %q in %s", e.Key, s.called)
	if s.secret {
		what = "unknown key in " + s.called
	}
	near, ok := yamlwalk.Nearest(e.Key, s.keyNames())
	if e.Key == "secrets" && s.field("roles") != nil {
		near, ok = "roles", true
	}
	if ok {
		c.fault(e.Pos, what, fmt.Sprintf("did you mean %q?", near))
		return
	}
	c.fault(e.Pos, what, "the keys are "+list(s.keyNames()))
}

// named checks a list of objects with names. An object without a usable
// name, or with one that was there before, is left out.
func (c *checker) named(v *yamlwalk.Value, s *shape, key string) bool {
	if c.wrongKind(v, yamlwalk.List, key, "start each with a dash: - name: …") {
		return false
	}
	keep := v.Items[:0]
	seen := make(map[string]yamlwalk.Pos, len(v.Items))
	for _, item := range v.Items {
		if !c.object(item, s.elem, s.elem.called) {
			continue
		}
		name := item.Get("name")
		if name == nil {
			if !item.Damaged {
				c.fault(item.Pos, s.elem.called+" has no name", "write name: in it")
			}
			continue
		}
		if first, twice := seen[name.Text]; twice {
			c.fault(name.Pos, fmt.Sprintf("%s named %q was there before, on line %d", s.elem.called, name.Text, first.Line), "give one of the two another name")
			continue
		}
		seen[name.Text] = name.Pos
		keep = append(keep, item)
	}
	v.Damaged = v.Damaged || len(keep) < len(v.Items)
	v.Items = keep
	return true
}

func (c *checker) table(v *yamlwalk.Value, s *shape, key string) bool {
	if c.wrongKind(v, yamlwalk.Map, key, "write NAME: … on each line") {
		return false
	}
	keep := v.Entries[:0]
	for _, e := range v.Entries {
		if what, mend := s.keys(e.Key); what != "" {
			c.fault(e.Pos, key+": "+what, mend)
		} else if s.kind == secrets && e.Value.Kind != yamlwalk.Map {
			c.fault(e.Value.Pos, fmt.Sprintf("a secret must not be written in the profile, as for %q here", e.Key), howToRefer+isOut)
		} else if c.value(e.Value, s.elem, e.Key) {
			keep = append(keep, e)
			continue
		}
		v.Damaged = true
	}
	v.Entries = keep
	return true
}

// list writes "a, b and c".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
