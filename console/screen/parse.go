package screen

import "unicode/utf8"

// A byte is looked up in a table by the state of the parser; what is found
// is an action and the state after it. The states follow the coding of
// ECMA-48: escape sequences (5.3, with intermediate bytes after ECMA-35),
// control sequences (5.4: parameter bytes 03/00 to 03/15, intermediate bytes
// 02/00 to 02/15, final byte 04/00 to 07/14) and control strings (5.6).
// Control characters act at once inside a sequence, which then goes on; CAN
// and SUB abort it and ESC starts a new one, as console_codes(4) describes.
const (
	ground = iota
	escape
	escapeMiddle // intermediate bytes seen
	csiParam
	csiMiddle
	csiIgnore // not well formed: swallowed up to its final byte
	oscString
	otherString // DCS, SOS, PM, APC
	stringEscape
	states
)

const (
	doNothing = iota
	doPrint   // ASCII, or a byte of UTF-8
	doControl
	doClear // a sequence begins
	doMiddle
	doParam
	doEscape  // the final byte of an escape sequence
	doCSI     // the final byte of a control sequence
	doAbandon // a byte that cannot belong to the sequence: text again
	doSkip    // a byte of a control string
	doRestart // ESC inside a string was not the string terminator
)

type step struct{ action, next uint8 }

var table = buildTable()

// set gives the bytes from low to high, inclusive, one step.
func set(t *[256]step, low, high int, action, next uint8) {
	for b := low; b <= high; b++ {
		t[b] = step{action, next}
	}
}

func buildTable() *[states][256]step {
	var t [states][256]step
	for state := range t {
		keep := uint8(state)
		set(&t[state], 0x00, 0x1f, doControl, keep)
		set(&t[state], 0x80, 0xff, doAbandon, ground)
		t[state][0x7f] = step{doNothing, keep}
		t[state][0x18] = step{doNothing, ground} // CAN
		t[state][0x1a] = step{doNothing, ground} // SUB
		t[state][0x1b] = step{doClear, escape}
	}
	set(&t[ground], 0x20, 0x7e, doPrint, ground)
	set(&t[ground], 0x80, 0xff, doPrint, ground)
	buildSequences(&t)
	buildStrings(&t)
	return &t
}

func buildSequences(t *[states][256]step) {
	set(&t[escape], 0x20, 0x2f, doMiddle, escapeMiddle)
	set(&t[escape], 0x30, 0x7e, doEscape, ground)
	t[escape]['['] = step{doNothing, csiParam}
	t[escape][']'] = step{doNothing, oscString}
	for _, b := range "PX^_" {
		t[escape][b] = step{doNothing, otherString}
	}
	set(&t[escapeMiddle], 0x20, 0x2f, doMiddle, escapeMiddle)
	set(&t[escapeMiddle], 0x30, 0x7e, doEscape, ground)

	set(&t[csiParam], 0x30, 0x3f, doParam, csiParam)
	set(&t[csiParam], 0x20, 0x2f, doMiddle, csiMiddle)
	set(&t[csiParam], 0x40, 0x7e, doCSI, ground)
	set(&t[csiMiddle], 0x20, 0x2f, doMiddle, csiMiddle)
	set(&t[csiMiddle], 0x30, 0x3f, doNothing, csiIgnore)
	set(&t[csiMiddle], 0x40, 0x7e, doCSI, ground)
	set(&t[csiIgnore], 0x20, 0x3f, doNothing, csiIgnore)
	set(&t[csiIgnore], 0x40, 0x7e, doNothing, ground)
}

func buildStrings(t *[states][256]step) {
	for _, state := range []uint8{oscString, otherString} {
		set(&t[state], 0x00, 0xff, doSkip, state)
		t[state][0x18] = step{doNothing, ground}
		t[state][0x1a] = step{doNothing, ground}
		t[state][0x1b] = step{doNothing, stringEscape}
		// A string may hold line ends (ECMA-48 5.6), and hardly any does: one
		// that was begun by noise, and never ends, hides no more than its line.
		t[state]['\r'] = step{doControl, ground}
		t[state]['\n'] = step{doControl, ground}
	}
	t[oscString][0x07] = step{doNothing, ground} // BEL ends it: common practice
	set(&t[stringEscape], 0x00, 0xff, doRestart, escape)
	t[stringEscape]['\\'] = step{doNothing, ground} // ST, ECMA-48 8.3.143
	t[stringEscape][0x18] = step{doNothing, ground}
	t[stringEscape][0x1a] = step{doNothing, ground}
	t[stringEscape][0x1b] = step{doClear, escape}
}

const (
	maxParams = 16
	maxParam  = 9999
)

type parser struct {
	state   uint8
	private byte // 03/12 to 03/15 in front of the parameters, or 0
	middle  byte // the last intermediate byte, or 0
	broken  bool // colons or a stray private mark: not acted on
	begun   bool // a parameter byte was seen
	params  [maxParams]int
	count   int // of separators seen
	skipped int // bytes of the present control string

	part  [utf8.UTFMax]byte // the beginning of a character
	parts int
}

// Write resolves p. It never fails and always takes all of p.
func (s *Screen) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		if s.parser.state == ground && s.parser.parts == 0 {
			if k := s.printASCII(p); k > 0 {
				p = p[k:]
				continue
			}
		}
		s.feed(p[0])
		p = p[1:]
	}
	return n, nil
}

func (s *Screen) feed(b byte) {
	if s.parser.parts > 0 && s.continueRune(b) {
		return
	}
	st := table[s.parser.state][b]
	s.parser.state = st.next
	switch st.action {
	case doPrint:
		if b < utf8.RuneSelf {
			s.print(rune(b), 1)
		} else {
			s.parser.part[0], s.parser.parts = b, 1
			s.settleRune()
		}
	case doControl:
		s.control(b)
	case doClear:
		s.parser.clear()
	case doMiddle:
		s.parser.middle = b
	case doParam:
		s.parser.param(b)
	case doEscape:
		s.escape(b)
	case doCSI:
		s.csi(b)
	case doSkip:
		if s.parser.skipped++; s.parser.skipped >= maxString {
			s.parser.state = ground
		}
	case doAbandon:
		s.feed(b)
	case doRestart:
		s.parser.clear()
		s.feed(b)
	}
}

func (p *parser) clear() {
	p.private, p.middle, p.broken, p.begun = 0, 0, false, false
	p.params, p.count, p.skipped = [maxParams]int{}, 0, 0
}

func (p *parser) param(b byte) {
	switch {
	case b >= '0' && b <= '9':
		if p.count < maxParams {
			p.params[p.count] = min(p.params[p.count]*10+int(b-'0'), maxParam)
		}
	case b == ';':
		p.count = min(p.count+1, maxParams)
	case b >= '<' && !p.begun:
		p.private = b
	default:
		p.broken = true
	}
	p.begun = true
}

// arg is parameter i, or def where it is missing or 0.
func (p *parser) arg(i, def int) int {
	if i < maxParams && p.params[i] > 0 {
		return p.params[i]
	}
	return def
}

// continueRune adds b to a character that was begun. It reports false, with
// what was begun printed as U+FFFD, when b does not continue it.
func (s *Screen) continueRune(b byte) bool {
	if b&0xc0 != 0x80 {
		for range s.parser.parts {
			s.print(utf8.RuneError, 1)
		}
		s.parser.parts = 0
		return false
	}
	s.parser.part[s.parser.parts] = b
	s.parser.parts++
	s.settleRune()
	return true
}

// settleRune prints what is complete of the collected bytes; each byte that
// cannot belong to a character becomes one U+FFFD.
func (s *Screen) settleRune() {
	p := &s.parser
	for p.parts > 0 && utf8.FullRune(p.part[:p.parts]) {
		r, size := utf8.DecodeRune(p.part[:p.parts])
		p.parts = copy(p.part[:], p.part[size:p.parts])
		s.print(r, runeWidth(r))
	}
}
