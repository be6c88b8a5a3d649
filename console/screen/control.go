package screen

import "fmt"

// control acts on a C0 control (ECMA-48 8.3; codes in RFC 20).
func (s *Screen) control(b byte) {
	switch b {
	case '\b':
		s.moveTo(s.x-1, s.y)
	case '\t':
		s.tab(1)
	case '\n', '\v', '\f':
		s.lineFeed(s.modes.newLine)
	case '\r':
		s.moveTo(0, s.y)
	}
}

// lineFeed finishes the line that the cursor leaves, and moves down.
func (s *Screen) lineFeed(andReturn bool) {
	if !s.line(s.y).wrapped || s.y == s.bottom || s.y == s.rows-1 {
		s.line(s.y).wrapped = false
		s.finishLine()
	}
	s.index()
	x := s.x
	if andReturn {
		x = 0
	}
	s.moveTo(x, s.y)
}

func (s *Screen) finishLine() {
	if s.onLine != nil {
		s.onLine(Line{Text: s.finishedText(), No: s.lines})
	}
	s.lines++
}

func (s *Screen) tab(n int) {
	x := s.x
	for ; n > 0 && x < s.cols-1; n-- {
		for x++; x < s.cols-1 && !s.tabs[x]; x++ {
		}
	}
	s.moveTo(x, s.y)
}

func (s *Screen) backTab(n int) {
	x := s.x
	for ; n > 0 && x > 0; n-- {
		for x--; x > 0 && !s.tabs[x]; x-- {
		}
	}
	s.moveTo(x, s.y)
}

// escape acts on an escape sequence by its final byte (ECMA-48 5.3).
func (s *Screen) escape(final byte) {
	if s.parser.middle != 0 { // character sets, DECALN and such
		return
	}
	switch final {
	case '7':
		s.saved = cursor{s.x, s.y, s.modes.origin}
	case '8':
		s.modes.origin = s.saved.origin
		s.moveTo(s.saved.x, s.saved.y)
	case 'D': // IND
		s.lineFeed(false)
	case 'E': // NEL
		s.lineFeed(true)
	case 'H': // HTS
		s.tabs[s.x] = true
	case 'M': // RI
		if s.y == s.top {
			s.scrollDown(s.top, 1)
			s.moveTo(s.x, s.y)
		} else {
			s.moveTo(s.x, s.y-1)
		}
	case 'Z': // DECID
		s.ask("device attributes", "\x1b[?6c")
	case 'c': // RIS
		s.clearScreen()
		s.powerOn()
	}
}

// csi acts on a control sequence by its final byte (ECMA-48 5.4 and 8.3).
func (s *Screen) csi(final byte) {
	p := &s.parser
	if p.broken || p.middle != 0 {
		return
	}
	if p.private != 0 {
		if p.private == '?' && (final == 'h' || final == 'l') {
			s.privateModes(final == 'h')
		}
		return
	}
	if s.csiMove(final) || s.csiEdit(final) {
		return
	}
	switch final {
	case 'c':
		if p.arg(0, 0) == 0 {
			s.ask("device attributes", "\x1b[?6c")
		}
	case 'g':
		s.clearTabs()
	case 'h', 'l':
		s.ansiModes(final == 'h')
	case 'n':
		s.statusReport()
	case 'r':
		s.setRegion()
	}
}

// csiMove acts on the sequences that move the cursor.
func (s *Screen) csiMove(final byte) bool {
	n := s.parser.arg(0, 1)
	switch final {
	case 'A', 'k':
		s.moveTo(s.x, s.y-min(n, s.y-s.ceiling()))
	case 'B', 'e':
		s.moveTo(s.x, s.y+min(n, s.floor()-s.y))
	case 'C', 'a':
		s.moveTo(s.x+n, s.y)
	case 'D', 'j':
		s.moveTo(s.x-n, s.y)
	case 'E':
		s.moveTo(0, s.y+min(n, s.floor()-s.y))
	case 'F':
		s.moveTo(0, s.y-min(n, s.y-s.ceiling()))
	case 'G', '`':
		s.moveTo(n-1, s.y)
	case 'H', 'f':
		s.address(s.parser.arg(1, 1)-1, n-1)
	case 'd':
		s.address(s.x, n-1)
	case 'I':
		s.tab(n)
	case 'Z':
		s.backTab(n)
	case 's':
		s.saved = cursor{s.x, s.y, s.modes.origin}
	case 'u':
		s.modes.origin = s.saved.origin
		s.moveTo(s.saved.x, s.saved.y)
	default:
		return false
	}
	return true
}

// ceiling and floor are the rows where relative moves stop: the margins of
// the scroll region for a cursor inside them (VT100).
func (s *Screen) ceiling() int {
	if s.y >= s.top {
		return s.top
	}
	return 0
}

func (s *Screen) floor() int {
	if s.y <= s.bottom {
		return s.bottom
	}
	return s.rows - 1
}

// address moves to an absolute position, which counts from the region's
// first row in origin mode.
func (s *Screen) address(x, y int) {
	if s.modes.origin {
		y = clamp(y+s.top, s.top, s.bottom)
	}
	s.moveTo(x, y)
}

// csiEdit acts on the sequences that erase, insert, delete and scroll.
func (s *Screen) csiEdit(final byte) bool {
	n := s.parser.arg(0, 1)
	switch final {
	case '@':
		s.insertCells(n)
	case 'J':
		s.eraseDisplay(s.parser.arg(0, 0))
	case 'K':
		s.eraseLine(s.parser.arg(0, 0))
	case 'L':
		if s.y >= s.top && s.y <= s.bottom {
			s.scrollDown(s.y, n)
		}
	case 'M':
		if s.y >= s.top && s.y <= s.bottom {
			s.deleteRows(s.y, n)
		}
	case 'P':
		s.deleteCells(n)
	case 'S':
		for range min(n, s.bottom-s.top+1) {
			s.scrollUp()
		}
	case 'T':
		s.scrollDown(s.top, n)
	case 'X':
		s.eraseCells(s.y, s.x, s.x+n)
	case 'b': // REP
		s.repeat(n)
		return true
	default:
		return false
	}
	s.wrapNext = false
	s.runStart = s.x
	return true
}

func (s *Screen) repeat(n int) {
	if s.last == 0 {
		return
	}
	width := 1
	if s.last >= 0x80 {
		width = max(runeWidth(s.last), 1)
	}
	for range min(n, s.cols) {
		s.print(s.last, width)
	}
}

func (s *Screen) eraseDisplay(how int) {
	switch {
	case how == 2, how == 0 && s.x == 0 && s.y == 0:
		s.clearScreen()
	case how == 0:
		s.eraseLine(0)
		for y := s.y + 1; y < s.rows; y++ {
			s.eraseCells(y, 0, s.cols)
		}
	case how == 1:
		for y := range s.y {
			s.eraseCells(y, 0, s.cols)
		}
		s.eraseLine(1)
	}
}

func (s *Screen) eraseLine(how int) {
	switch how {
	case 0:
		s.eraseCells(s.y, s.x, s.cols)
	case 1:
		s.eraseCells(s.y, 0, s.x+1)
	case 2:
		s.eraseCells(s.y, 0, s.cols)
	}
}

func (s *Screen) clearTabs() {
	switch s.parser.arg(0, 0) {
	case 0:
		s.tabs[s.x] = false
	case 3:
		clear(s.tabs)
	}
}

func (s *Screen) ansiModes(on bool) {
	for i := range min(s.parser.count+1, maxParams) {
		switch s.parser.params[i] {
		case 4:
			s.modes.insert = on
		case 20:
			s.modes.newLine = on
		}
	}
}

func (s *Screen) privateModes(on bool) {
	for i := range min(s.parser.count+1, maxParams) {
		switch s.parser.params[i] {
		case 6:
			s.modes.origin = on
			s.address(0, 0)
		case 7:
			s.modes.noWrap = !on
		case 47, 1047, 1049:
			s.clearScreen()
			s.runStart, s.wrapNext = s.x, false
		}
	}
}

func (s *Screen) setRegion() {
	top, bottom := s.parser.arg(0, 1)-1, s.parser.arg(1, s.rows)-1
	bottom = min(bottom, s.rows-1)
	if top >= bottom {
		return
	}
	s.top, s.bottom = top, bottom
	s.address(0, 0)
}

func (s *Screen) statusReport() {
	switch s.parser.arg(0, 0) {
	case 5:
		s.ask("device status", "\x1b[0n")
	case 6:
		y := s.y
		if s.modes.origin {
			y -= s.top
		}
		s.ask("cursor position", fmt.Sprintf("\x1b[%d;%dR", y+1, s.x+1))
	}
}
