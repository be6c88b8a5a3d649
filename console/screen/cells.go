package screen

import "github.com/mattn/go-runewidth"

// cell is one position of a row. The zero cell is a blank.
type cell struct {
	r     rune
	stamp uint32 // when it was last given new wording
}

// Values of cell.r beside plain characters.
const (
	blank   rune = 0
	tail    rune = -1      // right half of a wide character
	filler  rune = -2      // left free at the edge, as a wide character did not fit
	wide    rune = 1 << 24 // flag: two columns
	cluster rune = 1 << 25 // flag: number of a character with combining marks
)

type row struct {
	cells   []cell
	used    int  // no column from here on was written to
	wrapped bool // its text goes on in the next row
	stamp   uint32
}

func (r *row) wipe() {
	clear(r.cells[:r.used])
	r.used, r.wrapped, r.stamp = 0, false, 0
}

// width is the number of columns up to the last that is not blank.
func (r *row) width() int {
	n := r.used
	for n > 0 && r.cells[n-1].r == blank {
		n--
	}
	return n
}

// widths ignores the environment: ambiguous characters take one column.
var widths = &runewidth.Condition{StrictEmojiNeutral: true}

func runeWidth(r rune) int {
	if r < 0xa0 {
		return 0 // C1 controls; ASCII does not come here
	}
	if r < 0x300 && r != 0xad {
		return 1
	}
	return widths.RuneWidth(r)
}

// clusters keeps characters with combining marks, each once.
type clusters struct {
	texts  []string
	number map[string]rune
}

const (
	maxClusters    = 512
	maxClusterSize = 32 // bytes
)

func (c *clusters) forget() { *c = clusters{} }

// join returns the cell value for text; ok is false when there is no room
// for one more, and the mark is then left out.
func (c *clusters) join(text string) (r rune, ok bool) {
	if n, known := c.number[text]; known {
		return cluster | n, true
	}
	if len(c.texts) >= maxClusters || len(text) > maxClusterSize {
		return 0, false
	}
	if c.number == nil {
		c.number = make(map[string]rune)
	}
	n := rune(len(c.texts))
	c.texts = append(c.texts, text)
	c.number[text] = n
	return cluster | n, true
}

// printASCII prints the printable ASCII at the front of p as far as it fits
// on the row, and returns how many bytes that was. It is the fast path.
func (s *Screen) printASCII(p []byte) int {
	if s.wrapNext || s.modes.insert {
		return 0
	}
	r := s.line(s.y)
	cells := r.cells[s.x : s.cols-1] // the last column needs care
	n := min(len(cells), len(p))
	i := 0
	for ; i < n; i++ {
		b := p[i]
		if b < 0x20 || b > 0x7e {
			break
		}
		c := &cells[i]
		if c.r != blank {
			break
		}
		if b != ' ' {
			*c = cell{rune(b), s.stamp}
		}
	}
	if i == 0 {
		return 0
	}
	r.used, r.stamp = max(r.used, s.x+i), s.stamp
	s.x += i
	s.last = rune(p[i-1])
	s.written = true
	return i
}

// print puts one character of width 0, 1 or 2 at the cursor.
func (s *Screen) print(r rune, width int) {
	s.written = true
	if width == 0 {
		s.combine(r)
		return
	}
	if s.wrapNext && !s.modes.noWrap {
		s.wrap()
	}
	if width == 2 && s.x == s.cols-1 {
		if s.modes.noWrap {
			return
		}
		s.put(filler)
		s.wrap()
	}
	if s.modes.insert {
		s.insertCells(width)
	}
	s.last = r
	if r == ' ' {
		r = blank
	}
	if width == 2 {
		r |= wide
	}
	s.put(r)
	if width == 2 {
		s.x++
		s.put(tail)
	}
	if s.x+1 < s.cols {
		s.x++
		s.wrapNext = false
	} else {
		s.wrapNext = true
	}
}

// put writes the cell at the cursor, and blanks the other half of a wide
// character that loses one.
func (s *Screen) put(r rune) {
	row := s.line(s.y)
	c := &row.cells[s.x]
	old := c.r
	if old == tail && r != tail && s.x > 0 {
		row.cells[s.x-1].r = blank
	}
	if old > 0 && old&wide != 0 && s.x+1 < s.cols && row.cells[s.x+1].r == tail {
		row.cells[s.x+1].r = blank
	}
	row.used, row.stamp = max(row.used, s.x+1), s.stamp
	if old == r {
		return
	}
	c.r = r
	if r != blank {
		c.stamp = s.stamp
	}
	if old != blank {
		s.stampRun(row)
	}
}

// stampRun marks the whole run of characters being printed as new wording,
// once it has replaced a character by another: what was repainted before it
// with the same letters then belongs to the new text.
func (s *Screen) stampRun(row *row) {
	for i := s.runStart; i < s.x; i++ {
		if row.cells[i].r != blank {
			row.cells[i].stamp = s.stamp
		}
	}
	s.runStart = s.x
}

func (s *Screen) wrap() {
	// Below the scroll region there is no row to go on in.
	s.line(s.y).wrapped = s.y < s.rows-1 || s.y == s.bottom
	s.index()
	s.moveTo(0, s.y)
}

// combine adds a mark to the character before the cursor.
func (s *Screen) combine(r rune) {
	if r < 0xa0 {
		return
	}
	x := s.x - 1
	if s.wrapNext {
		x = s.x
	}
	row := s.line(s.y)
	if x > 0 && row.cells[x].r == tail {
		x--
	}
	if x < 0 || row.cells[x].r == blank || row.cells[x].r == filler {
		return
	}
	c := &row.cells[x]
	text := s.appendCell(s.scratch[:0], c.r)
	text = append(text, string(r)...)
	s.scratch = text
	if joined, ok := s.clusters.join(string(text)); ok {
		*c = cell{joined | c.r&wide, s.stamp}
	}
}

// moveTo puts the cursor at x, y of the screen, clamped.
func (s *Screen) moveTo(x, y int) {
	s.x, s.y = clamp(x, 0, s.cols-1), clamp(y, 0, s.rows-1)
	s.wrapNext = false
	s.runStart = s.x
}

// index moves the cursor down, and scrolls at the bottom of the region.
func (s *Screen) index() {
	switch {
	case s.y == s.bottom:
		s.scrollUp()
	case s.y < s.rows-1:
		s.y++
	}
	s.runStart = s.x
}

// scrollUp moves the region up by one row. The row that leaves it goes to
// the scroll-back; text inside the region keeps its row numbers, so that
// Places stay true. Rows outside the region are moved along instead.
func (s *Screen) scrollUp() {
	if s.oldest <= s.base+int64(s.rows)-int64(len(s.ring)) {
		s.oldest++
	}
	fresh := *s.at(s.base + int64(s.rows))
	fresh.wipe()
	gone := *s.line(s.top)
	gone.wrapped = gone.wrapped && s.top == 0
	for y := s.top; y > 0; y-- {
		*s.line(y) = *s.line(y - 1)
	}
	*s.line(0) = gone
	for y := s.rows; y > s.bottom+1; y-- {
		*s.line(y) = *s.line(y - 1)
	}
	*s.line(s.bottom + 1) = fresh
	s.base++
}

// scrollDown moves the rows from y to the bottom of the region down by n;
// what leaves at the bottom is lost.
func (s *Screen) scrollDown(y, n int) {
	n = clamp(n, 0, s.bottom-y+1)
	for range n {
		gone := *s.line(s.bottom)
		for i := s.bottom; i > y; i-- {
			*s.line(i) = *s.line(i - 1)
		}
		gone.wipe()
		*s.line(y) = gone
	}
	s.unjoin(y, s.bottom)
}

// deleteRows takes out n rows from y on; blank rows come in at the bottom of
// the region.
func (s *Screen) deleteRows(y, n int) {
	n = clamp(n, 0, s.bottom-y+1)
	for range n {
		gone := *s.line(y)
		for i := y; i < s.bottom; i++ {
			*s.line(i) = *s.line(i + 1)
		}
		gone.wipe()
		*s.line(s.bottom) = gone
	}
	s.unjoin(y, s.bottom)
}

// unjoin ends soft-wrapped lines at the edges of rows that were moved.
func (s *Screen) unjoin(top, bottom int) {
	if n := s.base + int64(top) - 1; n >= s.oldest {
		s.at(n).wrapped = false
	}
	s.line(bottom).wrapped = false
}

// eraseCells blanks columns from low up to high of screen row y.
func (s *Screen) eraseCells(y, low, high int) {
	r := s.line(y)
	low, high = max(low, 0), min(high, s.cols)
	if high >= s.cols {
		r.wrapped = false
	}
	if low == 0 && high >= r.used {
		wrapped := r.wrapped
		r.wipe()
		r.wrapped = wrapped
		return
	}
	for i := low; i < min(high, r.used); i++ {
		r.cells[i].r = blank
	}
	r.mend()
}

// insertCells shifts the row right by n from the cursor on.
func (s *Screen) insertCells(n int) {
	r := s.line(s.y)
	n = clamp(n, 0, s.cols-s.x)
	copy(r.cells[s.x+n:], r.cells[s.x:])
	clear(r.cells[s.x : s.x+n])
	r.used, r.wrapped = s.cols, false
	r.mend()
}

// deleteCells takes n cells out at the cursor.
func (s *Screen) deleteCells(n int) {
	r := s.line(s.y)
	n = clamp(n, 0, s.cols-s.x)
	copy(r.cells[s.x:], r.cells[s.x+n:])
	clear(r.cells[s.cols-n:])
	r.wrapped = false
	r.mend()
}

// mend blanks the halves of wide characters that lost their other half.
func (r *row) mend() {
	for i := range r.cells[:r.used] {
		switch c := r.cells[i].r; {
		case c == tail && (i == 0 || r.cells[i-1].r <= 0 || r.cells[i-1].r&wide == 0),
			c == filler && i < len(r.cells)-1,
			c > 0 && c&wide != 0 && (i+1 == len(r.cells) || r.cells[i+1].r != tail):
			r.cells[i].r = blank
		}
	}
}

// clearScreen blanks the screen; what stood there goes to the scroll-back.
func (s *Screen) clearScreen() {
	n := s.rows
	for n > 0 && s.line(n-1).width() == 0 {
		n--
	}
	top, bottom := s.top, s.bottom
	s.top, s.bottom = 0, s.rows-1
	if n > 0 {
		s.line(n - 1).wrapped = false
	}
	for range n {
		s.scrollUp()
	}
	for y := range s.rows {
		s.line(y).wipe()
	}
	s.top, s.bottom = top, bottom
}
