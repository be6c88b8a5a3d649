package worksheet

import (
	"strings"

	"linehand/cmd/internal/paper"
)

// sectionOf draws a section. Its heading stays with its first row.
func (p *press) sectionOf(s *Section) {
	p.section = nil
	caution := p.wrap(paper.Regular, fineSize, cautionText(s.Caution), p.right-margin-6)
	notes := p.wrap(paper.Regular, fineSize, strings.Join(s.Notes, " "), p.right-margin-3)
	need := 5.4 + p.lead(caution, notes) + 14
	if p.pdf.GetY()+need > p.bottom {
		p.newPage()
	}
	p.columns(s.Title)
	p.block(notes, 1.5, false)
	p.block(caution, 3, true)
	p.section = s
	for i := range s.Rows {
		p.row(&s.Rows[i])
	}
	p.section = nil
	p.pdf.SetY(p.pdf.GetY() + 3)
}

func cautionText(text string) string {
	if text == "" {
		return ""
	}
	return "CAUTION. " + text
}

// lead is the height of what stands between a heading and its rows.
func (p *press) lead(blocks ...[]string) float64 {
	h := 0.0
	for _, lines := range blocks {
		if len(lines) > 0 {
			h += float64(len(lines))*fineHigh + 3
		}
	}
	return h
}

// block is a paragraph over the whole width, framed where it is a caution.
func (p *press) block(lines []string, indent float64, framed bool) {
	if len(lines) == 0 {
		return
	}
	y := p.pdf.GetY() + 1
	h := float64(len(lines))*fineHigh + 1.2
	if framed {
		p.pdf.SetLineWidth(0.6)
		p.pdf.Line(margin+1, y, margin+1, y+h)
	}
	p.face(paper.Regular, fineSize)
	for i, line := range lines {
		p.text(line, margin+indent, y+float64(i+1)*fineHigh-0.5)
	}
	p.pdf.SetY(y + h + 0.8)
}

// laid is a row broken into lines.
type laid struct {
	do, note, value, aside []string
	valueFace              paper.Font
	write                  bool // room to write by hand below the value
}

func (p *press) lay(r *Row) laid {
	l := laid{valueFace: paper.Mono, write: r.Form == Compare || r.Form == Measure}
	if r.Words || r.Secret {
		l.valueFace = paper.Regular
	}
	doFace := paper.Regular
	if r.Code() {
		doFace = paper.Mono
	}
	l.do = p.wrap(doFace, typeSize, r.Do, p.do-3)
	l.note = p.wrap(paper.Regular, fineSize, r.Note, p.do-3)
	value := r.Value
	switch {
	case r.Secret:
		l.aside = []string{"secret, by its name; it is not on this sheet"}
	case r.Form == Compare:
		l.aside = []string{"read:"}
	}
	l.value = p.wrap(l.valueFace, typeSize, value, p.val-3)
	return l
}

func (l laid) height() float64 {
	left := float64(len(l.do))*lineHigh + float64(len(l.note))*fineHigh
	right := float64(len(l.value))*lineHigh + float64(len(l.aside))*fineHigh
	if l.write {
		right += writeHigh - float64(len(l.aside))*fineHigh
	}
	return max(left, right, 4) + 2*cellPad
}

// row draws one row. One that is too long goes on in another.
func (p *press) row(r *Row) {
	l := p.lay(r)
	for part := 0; ; part++ {
		now, rest := l.split()
		h := now.height()
		if p.pdf.GetY()+h > p.bottom {
			p.newPage()
		}
		p.draw(r, now, p.pdf.GetY(), h, part > 0)
		p.pdf.SetY(p.pdf.GetY() + h)
		if rest == nil {
			return
		}
		l = *rest
	}
}

// split takes as many lines as a row may have.
func (l laid) split() (laid, *laid) {
	if len(l.do) <= mostLines && len(l.value) <= mostLines && len(l.note) <= mostLines {
		return l, nil
	}
	now, rest := l, l
	now.do, rest.do = cut(l.do)
	now.value, rest.value = cut(l.value)
	now.note, rest.note = cut(l.note)
	now.aside, now.write = nil, false
	return now, &rest
}

func cut(lines []string) (now, rest []string) {
	n := min(len(lines), mostLines)
	return lines[:n], lines[n:]
}

func (p *press) draw(r *Row, l laid, y, h float64, goesOn bool) {
	p.pdf.SetLineWidth(0.15)
	p.pdf.Line(margin, y+h, p.right, y+h)
	for _, x := range []float64{p.valX, p.initX, p.timeX} {
		p.pdf.Line(x, y, x, y+h)
	}
	if !goesOn {
		p.mark(r.Form, y)
	}
	p.column(l.do, l.note, p.doX+1, y, r.Code())
	at := y + cellPad
	p.face(l.valueFace, typeSize)
	for i, line := range l.value {
		p.text(line, p.valX+1.5, at+float64(i+1)*lineHigh-1)
	}
	at += float64(len(l.value)) * lineHigh
	p.face(paper.Regular, 6.2)
	for i, line := range l.aside {
		base := at + float64(i+1)*fineHigh - 0.7
		if l.write {
			base = at + writeHigh - 1.8
		}
		p.text(line, p.valX+1.5, base)
	}
	if l.write {
		from := p.valX + 1.5
		if len(l.aside) > 0 {
			from += 7
		}
		p.pdf.SetLineWidth(0.2)
		p.pdf.Line(from, at+writeHigh-1.3, p.initX-1.5, at+writeHigh-1.3)
	}
}

func (p *press) column(do, note []string, x, y float64, fixed bool) {
	face := paper.Regular
	if fixed {
		face = paper.Mono
	}
	p.face(face, typeSize)
	for i, line := range do {
		p.text(line, x, y+cellPad+float64(i+1)*lineHigh-1)
	}
	p.face(paper.Regular, fineSize)
	at := y + cellPad + float64(len(do))*lineHigh
	for i, line := range note {
		p.text(line, x, at+float64(i+1)*fineHigh-0.8)
	}
}

// mark draws the box to tick, or the sign for what must not be answered. The
// faces have no such glyphs: they are drawn.
func (p *press) mark(f Form, y float64) {
	const side = 4.0
	x := margin + (boxWide-side)/2 - 0.5
	p.pdf.SetLineWidth(0.35)
	switch f {
	case Stop:
		p.pdf.SetFillColor(0, 0, 0)
		p.pdf.SetTextColor(255, 255, 255)
		p.sign("STOP", "F", y)
		p.pdf.SetTextColor(0, 0, 0)
	case Else:
		p.sign("ELSE", "D", y)
	default:
		p.pdf.Rect(x, y+cellPad, side, side, "D")
	}
}

func (p *press) sign(word, style string, y float64) {
	const high = 3.6
	wide := boxWide - 1.8
	p.pdf.Rect(margin+0.4, y+cellPad+0.2, wide, high, style)
	p.face(paper.Bold, 5.6)
	p.text(word, margin+0.4+(wide-p.pdf.GetStringWidth(word))/2, y+cellPad+2.75)
}
