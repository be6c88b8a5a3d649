package script

import (
	"fmt"
	"regexp"
	"strings"

	"linehand/script/internal/yamlwalk"
)

// blanks may follow a prompt: the unit pads it, or moves to a new line.
const (
	plainTail  = `[ \t\r\n\x00]*\z`
	regexpTail = `[\s\x00]*\z`
)

// Plain makes the pattern of a plain text: it stands for itself, blanks at
// its end aside.
func Plain(text string) Pattern {
	quoted := regexp.QuoteMeta(strings.TrimRight(text, " \t\r\n"))
	return Pattern{
		Text: text,
		At:   regexp.MustCompile(`(?:` + quoted + `)` + plainTail),
		In:   regexp.MustCompile(quoted),
	}
}

// patterns reads one pattern or a list of them: wordings of the same.
func (r *reader) patterns(v *yamlwalk.Value) []Pattern {
	items := []*yamlwalk.Value{v}
	if v.Kind == yamlwalk.List {
		items = v.Items
		if len(items) == 0 && !v.Damaged {
			r.fault(Pos(v.Pos), "the list is empty", "write at least one wording, or take the key out")
		}
	}
	var list []Pattern
	for _, item := range items {
		if p, ok := r.pattern(item); ok {
			list = append(list, p)
		}
	}
	return list
}

// pattern reads plain text, or {regexp: '…'}.
func (r *reader) pattern(v *yamlwalk.Value) (p Pattern, ok bool) {
	switch v.Kind {
	case yamlwalk.Text:
		return r.plain(v)
	case yamlwalk.Map:
		r.object(v, "a marked pattern", field{name: "regexp", required: true, read: func(v *yamlwalk.Value) {
			p, ok = r.marked(v)
		}})
		return p, ok
	}
	r.fault(Pos(v.Pos), "a pattern is a text, and this is a list", "write plain text, or {regexp: '…'}; quote text that starts with [")
	return p, false
}

func (r *reader) plain(v *yamlwalk.Value) (Pattern, bool) {
	const most = 500
	switch text := v.Text; {
	case strings.TrimSpace(text) == "":
		r.fault(Pos(v.Pos), "the pattern is blank, and would match anything", "write the words that the unit prints")
		return Pattern{}, false
	case len(text) > most:
		r.fault(Pos(v.Pos), fmt.Sprintf("the pattern is longer than %d characters", most), "the last words of a prompt are enough")
		return Pattern{}, false
	case hasControl(strings.NewReplacer("\n", "", "\t", "").Replace(text)):
		r.fault(Pos(v.Pos), "the pattern holds a control character", "leave it out: text is matched after control sequences are resolved")
		return Pattern{}, false
	}
	p := Plain(v.Text)
	p.Pos = Pos(v.Pos)
	return p, true
}

func (r *reader) marked(v *yamlwalk.Value) (Pattern, bool) {
	in := r.regexp(v, "", "")
	if in == nil {
		return Pattern{}, false
	}
	at, err := regexp.Compile(`(?:` + withoutEnd(v.Text) + `)` + regexpTail)
	if err != nil {
		at, err = regexp.Compile(`(?:` + v.Text + `)` + regexpTail)
	}
	if err != nil {
		r.badRegexp(v, err)
		return Pattern{}, false
	}
	return Pattern{Text: v.Text, Regexp: true, At: at, In: in, Pos: Pos(v.Pos)}, true
}

// withoutEnd takes an anchor off the end of a regular expression: the place
// at the end of the text is given anyway, and blanks may follow.
func withoutEnd(source string) string {
	for _, anchor := range []string{"$", `\z`} {
		body, found := strings.CutSuffix(source, anchor)
		escapes := len(body) - len(strings.TrimRight(body, `\`))
		if found && body != "" && escapes%2 == 0 {
			return body
		}
	}
	return source
}
