// Package screen resolves what a unit prints into plain text: control
// sequences (ECMA-48), carriage returns, backspaces, tabs, redraws and UTF-8
// split over reads. The unfinished last line, where a prompt stands, is a
// first-class value. Memory is bounded whatever a unit sends.
//
// A Screen is a small terminal: rows and columns, a cursor, a scroll region,
// and some hundred rows of scroll-back. Text is asked for from a Place on:
// take one with Screen.Place when something was sent, and Screen.Since tells
// what the unit printed after that, however it moved the cursor:
//
//   - Text printed further down, or on new rows: from the Place on.
//   - Text printed over what stood before the Place (a pager that wipes its
//     own prompt, a hint rubbed out with backspaces, a form repainted from the
//     top left): from the first cell before the Place that was given new
//     wording. Repainting the same wording, as line editors do, does not
//     count, and neither do blanks.
//   - Erasing the whole screen (ED 2, ED 0 from the top left, RIS, entering or
//     leaving the alternate screen) moves what stood there into the
//     scroll-back, so nothing that came after a Place is lost by it.
//
// What it leaves out: colours and other renditions, national and graphic
// character sets, a second screen buffer, 8-bit C1 controls (those bytes are
// UTF-8 here), and windows or titles. A Screen is not safe for use by several
// goroutines at once.
package screen

// Limits that bound the memory of a Screen.
const (
	historyCells = 16000 // cells kept in the scroll-back: 200 rows of 80
	maxCols      = 1000
	maxRows      = 500
	maxQueries   = 64   // unanswered queries kept; more are dropped
	maxString    = 4096 // bytes of a control string skipped before it is taken for broken
	maxLineRows  = 64   // rows of one soft-wrapped line that are joined
)

// Place is a spot in the text that has scrolled by: the cell where the
// cursor stood when Place was taken. It stays valid while text goes on, also
// after its row has left the memory (the text since it then begins with the
// oldest row that is left). The zero Place stands before everything.
type Place struct {
	row   int64  // counts rows since the Screen was made
	col   int    // 0 to cols: cols when the cursor waits to wrap
	top   int64  // first row that could still be written to
	stamp uint32 // cells with a later stamp were given new wording after it
}

// Line is a finished line: the cursor has left it by a line feed.
type Line struct {
	Text string // plain, soft-wrapped rows joined, without trailing blanks
	No   int64  // counts finished lines from 0
}

// Query is a terminal status query that the unit printed, and the reply a
// terminal would send.
type Query struct {
	Name  string // "cursor position", "device status", "device attributes"
	Reply []byte
}

// Screen turns a stream of bytes into text. Make one with New.
type Screen struct {
	cols, rows int

	ring   []row // the rows kept; row number n lives at n modulo its length
	base   int64 // row number of the top row of the screen
	oldest int64 // row number of the oldest row kept

	x, y        int  // the cursor, from 0
	wrapNext    bool // the last column is filled: the next character wraps first
	top, bottom int  // scroll region
	saved       cursor
	modes       modes
	tabs        []bool
	runStart    int // column where the present run of printed characters began
	last        rune

	stamp    uint32
	written  bool // since the last Place
	clusters clusters
	parser   parser

	onLine  func(Line)
	lines   int64
	queries []Query
	scratch []byte
}

type cursor struct {
	x, y   int
	origin bool
}

type modes struct {
	noWrap  bool // DECAWM reset
	insert  bool // IRM
	newLine bool // LNM: LF also returns
	origin  bool // DECOM
}

// New returns an empty screen. Sizes are clamped to 2 to 1000 columns and 1
// to 500 rows. A screen of 80 by 24 takes about 160 KiB.
func New(cols, rows int) *Screen {
	cols, rows = clamp(cols, 2, maxCols), clamp(rows, 1, maxRows)
	total := rows + max(historyCells/cols, rows)
	s := &Screen{cols: cols, rows: rows, ring: make([]row, total), tabs: make([]bool, cols)}
	cells := make([]cell, total*cols)
	for i := range s.ring {
		s.ring[i].cells = cells[i*cols : (i+1)*cols : (i+1)*cols]
	}
	s.stamp = 1
	s.powerOn()
	return s
}

// powerOn gives modes, cursor, region and tab stops their first values.
func (s *Screen) powerOn() {
	s.x, s.y, s.wrapNext, s.runStart, s.last = 0, 0, false, 0, 0
	s.top, s.bottom = 0, s.rows-1
	s.saved, s.modes = cursor{}, modes{}
	for i := range s.tabs {
		s.tabs[i] = i%8 == 0 && i > 0
	}
}

// Reset forgets everything but the function given to OnLine. Places taken
// before stay usable: the text since them is what is printed from now on.
func (s *Screen) Reset() {
	for i := range s.ring {
		s.ring[i].wipe()
	}
	s.base += int64(s.rows)
	s.oldest = s.base
	s.stamp++
	s.clusters.forget()
	s.parser = parser{}
	s.lines, s.queries = 0, nil
	s.powerOn()
}

// OnLine has f called, from within Write, for each line as it is finished.
// f must not call Write or Reset.
func (s *Screen) OnLine(f func(Line)) { s.onLine = f }

// Place is where the cursor stands now.
func (s *Screen) Place() Place {
	p := Place{row: s.base + int64(s.y), col: s.edge(), top: s.base, stamp: s.stamp}
	if s.written {
		s.stamp++
		s.written = false
	} else {
		p.stamp--
	}
	return p
}

// Cursor is the row and column of the cursor, counted from 0.
func (s *Screen) Cursor() (row, col int) { return s.y, s.x }

// Queries returns the status queries printed since it was last called, and
// forgets them.
func (s *Screen) Queries() []Query {
	q := s.queries
	s.queries = nil
	return q
}

func (s *Screen) ask(name, reply string) {
	if len(s.queries) < maxQueries {
		s.queries = append(s.queries, Query{Name: name, Reply: []byte(reply)})
	}
}

// edge is how many columns of its row the cursor has passed.
func (s *Screen) edge() int {
	if s.wrapNext {
		return s.cols
	}
	return s.x
}

func (s *Screen) at(n int64) *row { return &s.ring[n%int64(len(s.ring))] }

func (s *Screen) line(y int) *row { return s.at(s.base + int64(y)) }

func clamp(n, low, high int) int { return max(low, min(n, high)) }
