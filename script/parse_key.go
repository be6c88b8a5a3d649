package script

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"linehand/script/internal/yamlwalk"
)

// The keys that the language itself speaks of. Codes: ECMA-48 5.4 and
// ISO/IEC 646.
var (
	keyCR   = Key{Name: "CR", Bytes: "\r"}
	keyLF   = Key{Name: "LF", Bytes: "\n"}
	keyCRLF = Key{Name: "CR LF", Bytes: "\r\n"}
	keyBS   = Key{Name: "BS", Bytes: "\b"}
	keyDEL  = Key{Name: "DEL", Bytes: "\x7f"}
	keyNAK  = Key{Name: "Ctrl-U", Bytes: "\x15"}
)

// namedKeys are the keys with names of their own. The arrows and Delete send
// what a terminal with ECMA-48 key codes sends (common practice, no source
// for Delete).
var namedKeys = []Key{
	{"Enter", "\r"}, {"Space", " "}, {"Tab", "\t"}, {"Esc", "\x1b"}, {"Backspace", "\b"},
	{"Delete", "\x1b[3~"}, {"Up", "\x1b[A"}, {"Down", "\x1b[B"}, {"Right", "\x1b[C"}, {"Left", "\x1b[D"},
}

// ParseKey reads the name of a key: Enter, Space, Tab, Esc, Backspace,
// Delete, Up, Down, Left, Right, Ctrl-A to Ctrl-Z, Ctrl-[ and its
// neighbours, or any single printable character. Capitals do not count in
// names. Enter is CR.
func ParseKey(name string) (Key, error) {
	if utf8.RuneCountInString(name) == 1 {
		c, _ := utf8.DecodeRuneInString(name)
		if c != ' ' && unicode.IsPrint(c) {
			return Key{Name: name, Bytes: name}, nil
		}
	}
	names := make([]string, 0, len(namedKeys)+1)
	for _, key := range namedKeys {
		if strings.EqualFold(name, key.Name) {
			return key, nil
		}
		names = append(names, key.Name)
	}
	if len(name) == 6 && strings.EqualFold(name[:5], "Ctrl-") {
		// A control key clears the upper bits of its letter's code.
		if c := strings.ToUpper(name[5:])[0]; c >= '@' && c <= '_' {
			return Key{Name: "Ctrl-" + string(rune(c)), Bytes: string(rune(c & 0x1f))}, nil
		}
	}
	return Key{}, fmt.Errorf("no key is called %q; %s", clip(name), didYouMean(name, append(names, "Ctrl-C"), append(names, "Ctrl-A to Ctrl-Z", "any single character")))
}

// key reads a key. Enter is what the line ends its answers with.
func (r *reader) key(v *yamlwalk.Value) *Key {
	name := r.text(v)
	if v.Kind != yamlwalk.Text {
		return nil
	}
	key, err := ParseKey(name)
	if err != nil {
		r.fault(Pos(v.Pos), err.Error(), "")
		return nil
	}
	if key.Name == "Enter" {
		key.Bytes = r.enter.Bytes
	}
	return &key
}

func (r *reader) enterKey(v *yamlwalk.Value, orNone bool) Key {
	words := []string{keyCR.Name, keyLF.Name, keyCRLF.Name}
	if orNone {
		words = append(words, "none")
	}
	switch r.oneOf(v, words...) {
	case keyLF.Name:
		return keyLF
	case keyCRLF.Name:
		return keyCRLF
	case "none":
		return Key{Name: "none"}
	}
	return keyCR
}

func (r *reader) eraseKey(v *yamlwalk.Value) (key Key, whole bool) {
	switch r.oneOf(v, keyBS.Name, keyDEL.Name, keyNAK.Name) {
	case keyDEL.Name:
		return keyDEL, false
	case keyNAK.Name:
		return keyNAK, true
	}
	return keyBS, false
}
