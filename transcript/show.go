package transcript

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Printable is s for people: what could steer a terminal, turn the order of
// the text around, or stand in it unseen (Unicode's categories Cf, Zl, Zp and
// Co) is replaced by U+FFFD, tabs and line ends by a blank.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return ' '
		case unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co):
			return utf8.RuneError
		}
		return r
	}, s)
}

// Typed is what was typed, for people: as text, with the names of keys that
// show nothing, such as ‹Enter›, and ‹secret NAME› where a secret stood.
func Typed(data []Part) string {
	if len(data) == 1 && string(data[0].Bytes) == " " {
		return "‹Space›"
	}
	var text strings.Builder
	for _, part := range data {
		if part.Secret != "" {
			text.WriteString(Printable(part.String()))
			continue
		}
		for rest := string(part.Bytes); rest != ""; {
			r, size := utf8.DecodeRuneInString(rest)
			if strings.HasPrefix(rest, "\r\n") {
				r, size = '\r', 2
			}
			switch {
			case r == utf8.RuneError && size == 1:
				fmt.Fprintf(&text, "‹%02x›", rest[0])
			case r < ' ' || r == 0x7f:
				text.WriteString("‹" + keyName(byte(r)) + "›")
			default:
				text.WriteString(Printable(string(r)))
			}
			rest = rest[size:]
		}
	}
	return text.String()
}

func keyName(c byte) string {
	switch c {
	case '\r', '\n':
		return "Enter"
	case '\t':
		return "Tab"
	case '\b', 0x7f:
		return "Backspace"
	case 0x1b:
		return "Esc"
	}
	return "Ctrl-" + string(rune(c+'@'))
}
