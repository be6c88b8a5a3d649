package script

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"linehand/script/internal/yamlwalk"
)

// reader turns YAML values into parts of a dialogue and gathers what is
// wrong with them. After a fault it goes on with a zero value.
type reader struct {
	file      string
	lines     []string // of the source, for places within a value
	enter     Key      // the line's
	exchanges int      // read so far
	faults    Errors
}

func (r *reader) fault(pos Pos, what, mend string) {
	r.faults = append(r.faults, Fault{Pos: pos, What: what, Mend: mend})
}

// field is one key of a map and how it is read.
type field struct {
	name     string
	required bool
	read     func(*yamlwalk.Value)
}

// object reads the keys of a map: unknown ones and missing ones are faults.
// It tells whether no key was left unread: what is missing then is missing.
func (r *reader) object(v *yamlwalk.Value, what string, fields ...field) (whole bool) {
	if !r.isMap(v, what) {
		return false
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.name
	}
	whole = !v.Damaged
	mistyped := map[string]bool{}
	for _, e := range v.Entries {
		i := slices.Index(names, e.Key)
		if i < 0 {
			whole = false
			meant, _ := yamlwalk.Nearest(clip(e.Key), names)
			mistyped[meant] = true
			r.fault(Pos(e.Pos), fmt.Sprintf("%s has no key %q", what, clip(e.Key)), didYouMean(e.Key, names, names))
		} else if e.Value != nil {
			fields[i].read(e.Value)
		}
	}
	for _, f := range fields {
		if f.required && v.Get(f.name) == nil && !v.Damaged && !mistyped[f.name] {
			r.fault(Pos(v.Pos), fmt.Sprintf("%s needs the key %q", what, f.name), "add it")
		}
	}
	return whole
}

func (r *reader) isMap(v *yamlwalk.Value, what string) bool {
	if v.Kind != yamlwalk.Map {
		r.fault(Pos(v.Pos), fmt.Sprintf("%s is %s here", what, v.Kind), "write it as keys with values")
		return false
	}
	return true
}

func (r *reader) list(v *yamlwalk.Value, what string) []*yamlwalk.Value {
	if v.Kind != yamlwalk.List {
		r.fault(Pos(v.Pos), fmt.Sprintf("%s is %s here", what, v.Kind), "write it as a list, each element behind a dash")
		return nil
	}
	return v.Items
}

// text reads a single value exactly as it is written.
func (r *reader) text(v *yamlwalk.Value) string {
	if v.Kind != yamlwalk.Text {
		r.fault(Pos(v.Pos), "a single value is wanted here, and this is "+v.Kind.String(), "write one value; quote it if it starts with { or [")
		return ""
	}
	return v.Text
}

// line1 reads one line of words for people.
func (r *reader) line1(v *yamlwalk.Value) string {
	text := strings.TrimSpace(r.text(v))
	if v.Kind == yamlwalk.Text && (text == "" || hasControl(text) || utf8.RuneCountInString(text) > 200) {
		r.fault(Pos(v.Pos), "one line of 1 to 200 characters is wanted here", "shorten it, and take control characters out")
		return ""
	}
	return text
}

func hasControl(text string) bool {
	return strings.ContainsFunc(text, func(c rune) bool { return c < 0x20 || c >= 0x7F && c < 0xA0 })
}

func (r *reader) oneOf(v *yamlwalk.Value, words ...string) string {
	text := r.text(v)
	for _, word := range words {
		if text == word {
			return word
		}
	}
	if v.Kind == yamlwalk.Text {
		r.fault(Pos(v.Pos), fmt.Sprintf("%q is not one of the words for this key", clip(text)), "write "+orList(words))
	}
	return words[0]
}

func orList(words []string) string {
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

func (r *reader) truth(v *yamlwalk.Value) bool { return r.oneOf(v, "false", "true") == "true" }

func (r *reader) number(v *yamlwalk.Value, least, most int) int {
	text := r.text(v)
	if v.Kind != yamlwalk.Text {
		return least
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most || strconv.Itoa(n) != text {
		r.fault(Pos(v.Pos), fmt.Sprintf("%q is not a whole number from %d to %d", clip(text), least, most), "write digits only")
		return least
	}
	return n
}

func (r *reader) duration(v *yamlwalk.Value, least, most time.Duration) time.Duration {
	text := r.text(v)
	if v.Kind != yamlwalk.Text {
		return least
	}
	d, err := time.ParseDuration(text)
	if text == "0" {
		err = strconv.ErrSyntax // a duration says its unit
	}
	switch {
	case err != nil:
		r.fault(Pos(v.Pos), fmt.Sprintf("%q is not a time", clip(text)), "write a number and its unit, as in 40ms, 5s, 12m or 1h30m")
		return least
	case d < least || d > most:
		r.fault(Pos(v.Pos), fmt.Sprintf("the time %s is out of range", clip(text)), "choose from "+shortTime(least)+" to "+shortTime(most))
		return least
	}
	return d
}

// shortTime prints a time as a person writes it: 24h, not 24h0m0s.
func shortTime(d time.Duration) string {
	text := d.String()
	for _, zero := range []string{"0s", "0m"} {
		if short := strings.TrimSuffix(text, zero); strings.HasSuffix(short, "h") || strings.HasSuffix(short, "m") {
			text = short
		}
	}
	return text
}

const maxRegexpLength = 1000

// regexp compiles a regular expression between a prefix and a suffix of the
// language; nil after a fault.
func (r *reader) regexp(v *yamlwalk.Value, prefix, suffix string) *regexp.Regexp {
	source := r.text(v)
	if v.Kind != yamlwalk.Text {
		return nil
	}
	if source == "" || len(source) > maxRegexpLength {
		r.fault(Pos(v.Pos), fmt.Sprintf("a regular expression of 1 to %d characters is wanted here", maxRegexpLength), "shorten it")
		return nil
	}
	if _, err := regexp.Compile(source); err != nil {
		r.badRegexp(v, err)
		return nil
	}
	re, err := regexp.Compile(prefix + source + suffix)
	if err != nil {
		r.badRegexp(v, err)
		return nil
	}
	return re
}

func (r *reader) badRegexp(v *yamlwalk.Value, err error) {
	why := strings.TrimPrefix(err.Error(), "error parsing regexp: ")
	r.fault(Pos(v.Pos), "the regular expression does not compile: "+why, "put a backslash before characters that stand for themselves")
}

// groupRegexp compiles a regular expression that takes one value out.
func (r *reader) groupRegexp(v *yamlwalk.Value) *regexp.Regexp {
	re := r.regexp(v, "", "")
	if re == nil {
		return nil
	}
	if n := re.NumSubexp(); n != 1 {
		r.fault(Pos(v.Pos), fmt.Sprintf("the regular expression has %d groups", n), `put exactly one pair of ( ) around the value, as in 'Serial no\. (\S+)', and write (?: ) for others`)
		return nil
	}
	return re
}

// within gives the place of a byte of a value's text: exactly where the file
// holds the text as it is, else the place where the value starts.
func (r *reader) within(v *yamlwalk.Value) func(offset int) Pos {
	start := Pos(v.Pos)
	return func(offset int) Pos {
		if start.Line < 1 || start.Line > len(r.lines) || offset > len(v.Text) {
			return start
		}
		line := r.lines[start.Line-1]
		rest := line[byteOffset(line, start.Column-1):]
		quote := 0
		if rest != "" && (rest[0] == '"' || rest[0] == '\'') && !strings.HasPrefix(v.Text, rest[:1]) {
			quote = 1
		}
		before := v.Text[:offset]
		if offset == 0 || !strings.HasPrefix(rest[quote:], before) {
			return start
		}
		return Pos{start.File, start.Line, start.Column + quote + utf8.RuneCountInString(before)}
	}
}

// clip shortens what an error repeats out of the file.
func clip(text string) string {
	const most = 60
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return text[:byteOffset(text, most)] + "…"
}
