package script

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// patternOf parses a dialogue with one prompt, quoted as YAML asks for.
func patternOf(t interface {
	Helper()
	Fatalf(string, ...any)
}, yaml string) Pattern {
	t.Helper()
	d, err := Parse("d.yaml", []byte(minimal("  - stage: a\n    exchanges:\n      - prompt: "+yaml+"\n        answer: x\n")))
	if err != nil {
		t.Fatalf("%s: %v", yaml, err)
	}
	return d.Stages[0].Exchanges[0].Prompts[0]
}

func singleQuoted(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

func TestPatternAt(t *testing.T) {
	for _, tt := range []struct {
		yaml, text string
		at, in     bool
	}{
		{"'Start it now? [y/n]'", "No such cluster.\nStart it now? [y/n] ", true, true},
		{"'Time zone (1-15) [7]: '", "Time zone (1-15) [7]:", true, true},
		{"'Time zone (1-15) [7]:'", "Time zone (1-15) [7]: \r\n\x00", true, true},
		{"'Name:'", "Name: shelf", false, true},
		{"'Name:'", "name:", false, false},
		{"'a.c'", "abc", false, false},
		{"'two  blanks:'", "two blanks:", false, false},
		{"'$'", "user@host:~$ ", true, true},
		{"'$'", "cost: 5", false, false},
		{"{regexp: 'S24 \\S+>'}", "\nS24 shelf-1> ", true, true},
		{"{regexp: 'S24>$'}", "S24> ", true, false},
		{"{regexp: 'S24>\\z'}", "S24>\r\n", true, false},
		{"{regexp: 'cost \\$'}", "cost $ ", true, true},
		{"{regexp: 'cost \\\\$'}", `cost \ `, true, false},
		{"{regexp: 'login:|Name:'}", "login: x\nName:", true, true},
		{"{regexp: 'login:|Name:'}", "login: x", false, true},
		{"{regexp: '(?m)^Name:'}", "x\nName:", true, true},
		{"{regexp: '(?m)^Name:'}", "Cluster Name:", false, false},
	} {
		p := patternOf(t, tt.yaml)
		if at, in := p.At.MatchString(tt.text), p.In.MatchString(tt.text); at != tt.at || in != tt.in {
			t.Errorf("%s in %q: at the end %v, anywhere %v; want %v, %v", tt.yaml, tt.text, at, in, tt.at, tt.in)
		}
	}
}

// TestPlainTextIsPlain: whatever a prompt holds, it matches where the text
// ends in it, and only there, as comparing characters says.
func TestPlainTextIsPlain(t *testing.T) {
	piece := rapid.SampledFrom([]string{"[y/n]", "(1-15)", ".*", "a", "A", "|", "\\", "$", "^", "{2}", "?", "+", " ", "é", ":", ">", "#", "''", "\"", "${x}", "- ", "&a", "*"})
	text := rapid.Custom(func(t *rapid.T) string {
		return strings.Join(rapid.SliceOfN(piece, 1, 6).Draw(t, "pieces"), "")
	})
	rapid.Check(t, func(t *rapid.T) {
		prompt, shown := text.Draw(t, "prompt"), text.Draw(t, "shown")
		if strings.TrimSpace(prompt) == "" {
			return
		}
		if rapid.Bool().Draw(t, "ends in it") {
			shown += prompt + rapid.SampledFrom([]string{"", " ", "\r\n", "\x00 "}).Draw(t, "tail")
		}
		p := patternOf(t, singleQuoted(prompt))
		core := strings.TrimRight(prompt, " ")
		if got, want := p.At.MatchString(shown), strings.HasSuffix(strings.TrimRight(shown, " \t\r\n\x00"), core); got != want {
			t.Fatalf("%q at the end of %q: %v, want %v", prompt, shown, got, want)
		}
		if got, want := p.In.MatchString(shown), strings.Contains(shown, core); got != want {
			t.Fatalf("%q in %q: %v, want %v", prompt, shown, got, want)
		}
	})
}

func TestParseKey(t *testing.T) {
	for name, want := range map[string]string{
		"Enter": "\r", "space": " ", "Tab": "\t", "Esc": "\x1b", "Backspace": "\b", "Up": "\x1b[A", "Delete": "\x1b[3~",
		// ISO/IEC 646: a control character is its letter's code less 64.
		"Ctrl-C": "\x03", "ctrl-z": "\x1a", "Ctrl-[": "\x1b", "Ctrl-@": "\x00", "Ctrl-_": "\x1f",
		"q": "q", "?": "?", "é": "é",
	} {
		if key, err := ParseKey(name); err != nil || key.Bytes != want {
			t.Errorf("%s: %q, %v; want %q", name, key.Bytes, err, want)
		}
	}
	for name, want := range map[string]string{
		"Entre":  `no key is called "Entre"; did you mean "Enter"?`,
		"Ctrl-1": `no key is called "Ctrl-1"; did you mean "Ctrl-C"?`,
		"":       `no key is called ""; the names are Enter, Space, Tab, Esc, Backspace, Delete, Up, Down, Right, Left, Ctrl-A to Ctrl-Z, any single character`,
		"F1":     `no key is called "F1"; the names are Enter, Space, Tab, Esc, Backspace, Delete, Up, Down, Right, Left, Ctrl-A to Ctrl-Z, any single character`,
	} {
		if _, err := ParseKey(name); err == nil || err.Error() != want {
			t.Errorf("%q:\n got %v\nwant %s", name, err, want)
		}
	}
}

func TestEnterIsTheLines(t *testing.T) {
	d := mustParse(t, "line: {enter: LF}\nwake: {press: Enter}\n"+minimal("  - {stage: a, exchanges: [{prompt: 'More?', press: Enter}]}\n"))
	if d.Wake.Press.Bytes != "\n" || d.Stages[0].Exchanges[0].Press.Bytes != "\n" {
		t.Errorf("Enter sends %q and %q on a line that ends answers with LF", d.Wake.Press.Bytes, d.Stages[0].Exchanges[0].Press.Bytes)
	}
}
