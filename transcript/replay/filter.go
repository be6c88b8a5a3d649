package replay

import (
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"linehand/transcript"
)

// filter lets through what cannot harm a terminal: text, line ends, and those
// control sequences of ECMA-48 that move the cursor, colour and erase.
type filter struct {
	out      []byte
	state    state
	seq      []byte // of the sequence in progress, bounded
	rune     []byte // of a character split over reads
	coloured bool
}

type state int

const (
	text        state = iota
	escape            // after ESC
	escapeInter       // ESC and an intermediate byte
	control           // in a control sequence
	str               // in a control string: OSC, DCS, APC, PM, SOS
)

const (
	maxSequence = 64   // a longer control sequence is dropped
	maxString   = 4096 // a longer control string is taken for broken, and ends
)

// Finals that are let through, by ECMA-48 section 8.3: ICH, CUU, CUD, CUF,
// CUB, CNL, CPL, CHA, CUP, CHT, ED, EL, IL, DL, DCH, SU, SD, ECH, CBT, HPA,
// HPR, VPA, VPR, HVP, SGR; and s, u, which save and restore the cursor.
const harmless = "@ABCDEFGHIJKLMPSTXZ`adefmsu"

func (f *filter) part(p transcript.Part) {
	if p.Secret != "" {
		f.dropRune()
		f.state = text
		f.out = append(f.out, transcript.Printable(p.String())...)
		return
	}
	for _, c := range p.Bytes {
		f.byte(c)
	}
}

func (f *filter) byte(c byte) {
	switch {
	case f.state == text && c >= 0x80:
		f.partOfRune(c)
		return
	case len(f.rune) > 0:
		f.dropRune()
	}
	switch {
	case c == 0x1b:
		f.state, f.seq = escape, f.seq[:0]
	case c == 0x18 || c == 0x1a: // CAN and SUB end any sequence
		f.state = text
	case f.state == str:
		f.inString(c)
	case c < ' ' || c == 0x7f:
		if c >= '\b' && c <= '\r' && c != '\v' && c != '\f' {
			f.out = append(f.out, c)
		}
	case f.state == text:
		f.out = append(f.out, c)
	case f.state == escape:
		f.afterEscape(c)
	case f.state == escapeInter:
		if c >= '0' {
			f.state = text
		}
	case f.state == control:
		f.inControl(c)
	}
}

func (f *filter) afterEscape(c byte) {
	switch {
	case c == '[':
		f.state = control
	case strings.IndexByte("]P_^X", c) >= 0:
		f.state = str
	case c < '0':
		f.state = escapeInter
	default:
		f.state = text
		if strings.IndexByte("78DEM", c) >= 0 { // save, restore, index, next line, reverse index
			f.out = append(f.out, 0x1b, c)
		}
	}
}

func (f *filter) inString(c byte) {
	f.seq = append(f.seq, 0)
	if c == '\a' || len(f.seq) > maxString {
		f.state = text
	}
}

func (f *filter) inControl(c byte) {
	if c < '@' {
		if len(f.seq) < maxSequence {
			f.seq = append(f.seq, c)
		}
		return
	}
	f.state = text
	if c >= 0x7f || strings.IndexByte(harmless, c) < 0 || len(f.seq) == maxSequence {
		return
	}
	params := string(f.seq)
	if strings.Trim(params, "0123456789;:") != "" {
		return // private, or with an intermediate byte
	}
	if c == 'J' && len(params) > 0 && params != "0" && params != "1" && params != "2" {
		return // 3 would erase what the viewer's terminal has scrolled by
	}
	f.coloured = f.coloured || c == 'm'
	f.out = append(append(append(f.out, 0x1b, '['), params...), c)
}

// partOfRune takes a byte of a character beyond ASCII.
func (f *filter) partOfRune(c byte) {
	if len(f.rune) > 0 && utf8.RuneStart(c) {
		f.dropRune()
	}
	f.rune = append(f.rune, c)
	if !utf8.FullRune(f.rune) {
		return
	}
	r, size := utf8.DecodeRune(f.rune)
	if r == utf8.RuneError && size <= 1 {
		f.dropRune()
		return
	}
	if !unicode.IsControl(r) && !unicode.Is(unicode.Bidi_Control, r) {
		f.out = append(f.out, f.rune...)
	}
	f.rune = f.rune[:0]
}

// dropRune replaces what is no character.
func (f *filter) dropRune() {
	for range f.rune {
		f.out = utf8.AppendRune(f.out, utf8.RuneError)
	}
	f.rune = f.rune[:0]
}

// end leaves the terminal in plain colours.
func (f *filter) end() {
	f.dropRune()
	if f.coloured {
		f.out = append(f.out, "\x1b[0m"...)
	}
}

func (f *filter) flush(w io.Writer) error {
	if len(f.out) == 0 {
		return nil
	}
	_, err := w.Write(f.out)
	f.out = f.out[:0]
	return err
}
