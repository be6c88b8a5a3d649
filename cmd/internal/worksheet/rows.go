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
	caution, picture       []string // over the whole width, before and after the rest
	name                   []string
	do, note, value, aside []string
	valueFace              paper.Font
	write                  bool // room to write by hand below the value
}

// pictureSize is that of pictures, in points: 76 columns of it go into the
// width of both columns, on either paper.
const (
	pictureSize = 6.6
	pictureHigh = 2.9
)

func (p *press) lay(r *Row) laid {
	l := laid{valueFace: paper.Mono, write: r.Form == Compare || r.Form == Measure}
	if r.Words || r.Secret {
		l.valueFace = paper.Regular
	}
	doFace := paper.Regular
	if r.Code() {
		doFace = paper.Mono
	}
	l.caution = p.wrap(paper.Regular, fineSize, cautionText(r.Caution), p.do+p.val-6)
	l.name = p.wrap(paper.Bold, typeSize, nameOf(r), p.do-3)
	l.do = p.wrap(doFace, typeSize, r.Do, p.do-3)
	l.note = p.wrap(paper.Regular, fineSize, r.Note, p.do-3)
	value := r.Value
	switch {
	case r.Secret:
		l.aside = []string{"secret, by its name; it is not on this sheet"}
	case r.Form == Compare:
		l.aside = []string{"read:"}
	case r.Name != "" && value != "":
		value = "Good: " + value
	}
	l.value = p.wrap(l.valueFace, typeSize, value, p.val-3)
	if r.Otherwise != "" {
		l.aside = p.wrap(paper.Regular, fineSize, "Else: "+r.Otherwise, p.val-3)
	}
	if r.Picture != "" {
		l.picture = strings.Split(strings.TrimRight(r.Picture, "\n"), "\n")
	}
	return l
}

// nameOf is a step's name as it stands on paper.
func nameOf(r *Row) string {
	if r.Name == "" {
		return ""
	}
	name := strings.ToUpper(r.Name[:1]) + r.Name[1:]
	if r.Hold {
		name += " (hold point)"
	}
	return name
}

// top and foot are the heights of the caution and of the picture.
func (l laid) top() float64 {
	if len(l.caution) == 0 {
		return 0
	}
	return float64(len(l.caution))*fineHigh + 2
}

func (l laid) foot() float64 {
	if len(l.picture) == 0 {
		return 0
	}
	return float64(len(l.picture))*pictureHigh + 2.5
}

func (l laid) height() float64 {
	left := float64(len(l.name)+len(l.do))*lineHigh + float64(len(l.note))*fineHigh
	right := float64(len(l.value))*lineHigh + float64(len(l.aside))*fineHigh
	if l.write {
		right += writeHigh - float64(len(l.aside))*fineHigh
	}
	return l.top() + max(left, right, 4) + 2*cellPad + l.foot()
}

// row draws one row. One that is too long goes on in another.
func (p *press) row(r *Row) {
	l := p.lay(r)
	caution := l.caution
	if r.Again {
		l.caution = nil
	}
	for part := 0; ; part++ {
		now, rest := l.split()
		h := now.height()
		if p.pdf.GetY()+h > p.bottom {
			p.newPage()
			if r.Again && part == 0 {
				now.caution = caution[:min(len(caution), mostLines)]
				h = now.height()
			}
		}
		p.draw(r, now, p.pdf.GetY(), h, part > 0)
		p.pdf.SetY(p.pdf.GetY() + h)
		if rest == nil {
			return
		}
		l = *rest
	}
}

// split takes as many lines as a row may have. A picture stays in one piece
// where it can, with the last of the text.
func (l laid) split() (laid, *laid) {
	now, rest := l, l
	more := false
	for _, part := range []struct{ of, now, rest *[]string }{
		{&l.caution, &now.caution, &rest.caution}, {&l.name, &now.name, &rest.name}, {&l.do, &now.do, &rest.do},
		{&l.value, &now.value, &rest.value}, {&l.note, &now.note, &rest.note}, {&l.aside, &now.aside, &rest.aside},
	} {
		*part.now, *part.rest = cut(*part.of)
		more = more || len(*part.rest) > 0
	}
	if more {
		now.picture, now.write = nil, false
		return now, &rest
	}
	if now.picture, rest.picture = cut(l.picture); len(rest.picture) > 0 {
		rest.write = false
		return now, &rest
	}
	return l, nil
}

func cut(lines []string) (now, rest []string) {
	n := min(len(lines), mostLines)
	return lines[:n], lines[n:]
}

func (p *press) draw(r *Row, l laid, y, h float64, goesOn bool) {
	p.pdf.SetLineWidth(0.15)
	p.pdf.Line(margin, y+h, p.right, y+h)
	p.pdf.Line(p.initX, y, p.initX, y+h)
	p.pdf.Line(p.timeX, y, p.timeX, y+h)
	if !goesOn {
		p.mark(r.Form, y)
	}
	p.strip(l.caution, y)
	y += l.top()
	foot := y + h - l.top() - l.foot()
	p.pdf.SetLineWidth(0.15)
	p.pdf.Line(p.valX, y, p.valX, foot)
	p.column(l, p.doX+1, y, r.Code())
	p.values(l, y+cellPad)
	p.picture(l.picture, foot)
}

// strip is a caution, with a bar beside it.
func (p *press) strip(lines []string, y float64) {
	if len(lines) == 0 {
		return
	}
	y++
	h := float64(len(lines)) * fineHigh
	p.pdf.SetLineWidth(0.6)
	p.pdf.Line(p.doX+1.6, y+0.2, p.doX+1.6, y+h)
	p.face(paper.Regular, fineSize)
	for i, line := range lines {
		p.text(line, p.doX+3.4, y+float64(i+1)*fineHigh-0.8)
	}
}

func (p *press) picture(lines []string, y float64) {
	p.face(paper.Mono, pictureSize)
	for i, line := range lines {
		p.text(p.short(line, p.do+p.val-3), p.doX+1, y+float64(i+1)*pictureHigh)
	}
}

// values is the right column: what it is to be, and room to write.
func (p *press) values(l laid, at float64) {
	p.face(l.valueFace, typeSize)
	for i, line := range l.value {
		p.text(line, p.valX+1.5, at+float64(i+1)*lineHigh-1)
	}
	at += float64(len(l.value)) * lineHigh
	size := 6.2
	if len(l.name) > 0 {
		size = fineSize
	}
	p.face(paper.Regular, size)
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

func (p *press) column(l laid, x, y float64, fixed bool) {
	at := y + cellPad
	p.face(paper.Bold, typeSize)
	for i, line := range l.name {
		p.text(line, x, at+float64(i+1)*lineHigh-1)
	}
	at += float64(len(l.name)) * lineHigh
	face := paper.Regular
	if fixed {
		face = paper.Mono
	}
	p.face(face, typeSize)
	for i, line := range l.do {
		p.text(line, x, at+float64(i+1)*lineHigh-1)
	}
	p.face(paper.Regular, fineSize)
	at += float64(len(l.do)) * lineHigh
	for i, line := range l.note {
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
	case Told:
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
