package screen

import "unicode/utf8"

// Since is the plain text from p to the end of what has been printed: rows
// joined by a line feed, soft-wrapped rows without one. Trailing blanks are
// left out, but on the row of the cursor those before it are kept. Of a
// longer text only the last limit bytes are returned, cut at a character; a
// limit of 0 or less means none (the scroll-back is the limit then). The
// package documentation says what happens when the unit prints before p.
func (s *Screen) Since(p Place, limit int) string {
	from, col := p.row, p.col
	first := max(p.top, s.oldest)
	for n := first; n <= min(p.row, s.base+int64(s.rows)-1); n++ {
		until := s.cols
		if n == p.row {
			until = p.col
		}
		if x := s.at(n).newWording(p.stamp, until); x >= 0 {
			from, col = n, x
			break
		}
	}
	if from < s.oldest {
		from, col = s.oldest, 0
	}
	return s.text(from, col, limit)
}

// newWording is the first column before until that was given new wording
// after stamp, or -1.
func (r *row) newWording(stamp uint32, until int) int {
	if r.stamp <= stamp {
		return -1
	}
	for x, c := range r.cells[:min(until, r.used)] {
		if c.stamp > stamp && c.r != blank {
			return x
		}
	}
	return -1
}

// Tail is the end of the text, as Since gives it, without a start.
func (s *Screen) Tail(limit int) string { return s.text(s.oldest, 0, limit) }

// Current is the unfinished last line up to the cursor, with the earlier
// rows of a soft-wrapped line.
func (s *Screen) Current() string {
	here := s.base + int64(s.y)
	buf := s.scratch[:0]
	for n := s.lineStart(here); n < here; n++ {
		buf = s.appendCells(buf, s.at(n), 0, s.cols)
	}
	buf = s.appendCells(buf, s.at(here), 0, s.edge())
	s.scratch = buf
	return string(buf)
}

// Rows is the screen as a person sees it: one string a row, without trailing
// blanks and without control characters.
func (s *Screen) Rows() []string {
	rows := make([]string, s.rows)
	for y := range rows {
		r := s.line(y)
		s.scratch = s.appendCells(s.scratch[:0], r, 0, r.width())
		rows[y] = string(s.scratch)
	}
	return rows
}

// finishedText is the line that ends on the row of the cursor.
func (s *Screen) finishedText() string {
	here := s.base + int64(s.y)
	buf := s.scratch[:0]
	for n := s.lineStart(here); n < here; n++ {
		buf = s.appendCells(buf, s.at(n), 0, s.cols)
	}
	buf = s.appendCells(buf, s.at(here), 0, s.cols)
	for len(buf) > 0 && buf[len(buf)-1] == ' ' {
		buf = buf[:len(buf)-1]
	}
	s.scratch = buf
	return string(buf)
}

// lineStart is the first row of the soft-wrapped line that row n belongs to.
func (s *Screen) lineStart(n int64) int64 {
	for k := 1; k < maxLineRows && n > s.oldest && s.at(n-1).wrapped; k++ {
		n--
	}
	return n
}

func (s *Screen) text(from int64, col, limit int) string {
	here := s.base + int64(s.y)
	last := s.base + int64(s.rows) - 1
	for last > here && s.at(last).width() == 0 {
		last--
	}
	buf := s.scratch[:0]
	for n := from; n <= last; n++ {
		r := s.at(n)
		joined := r.wrapped && n < last
		end := r.width()
		if joined {
			end = s.cols
		}
		if n == here {
			end = max(end, s.edge())
		}
		buf = s.appendCells(buf, r, col, end)
		if !joined && n < last {
			buf = append(buf, '\n')
		}
		col = 0
	}
	s.scratch = buf
	return string(lastBytes(buf, limit))
}

// lastBytes is at most the last limit bytes of text, from a character on.
func lastBytes(text []byte, limit int) []byte {
	if limit <= 0 || len(text) <= limit {
		return text
	}
	text = text[len(text)-limit:]
	for len(text) > 0 && !utf8.RuneStart(text[0]) {
		text = text[1:]
	}
	return text
}

func (s *Screen) appendCells(buf []byte, r *row, low, high int) []byte {
	for x := low; x < high; x++ {
		buf = s.appendCell(buf, r.cells[x].r)
	}
	return buf
}

func (s *Screen) appendCell(buf []byte, r rune) []byte {
	switch {
	case r == blank:
		return append(buf, ' ')
	case r < 0:
		return buf
	case r < utf8.RuneSelf:
		return append(buf, byte(r))
	case r&cluster != 0:
		return append(buf, s.clusters.texts[r&^(cluster|wide)]...)
	default:
		return utf8.AppendRune(buf, r&^wide)
	}
}
