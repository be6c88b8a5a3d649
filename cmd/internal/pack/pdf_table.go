package pack

import (
	"strings"

	"linehand/cmd/internal/paper"
)

const (
	padding  = 1.6 // mm between columns
	fillHigh = 6.0 // mm of a box to be filled in
	tallest  = 120 // mm of a row
)

// printed is a row broken into lines.
type printed struct {
	cells [][]printedLine
	high  float64
}

type printedLine struct {
	face paper.Face
	text string
}

// table prints a table. Its heading is repeated on each page; a row is kept
// together. least is the least height of a row.
func (p *printer) table(t *table, least float64) {
	widths := p.widths(t)
	head := p.heading(t, widths)
	rows := make([]printed, len(t.Rows))
	for i, row := range t.Rows {
		rows[i] = p.row(t, row, widths, least)
	}
	first := 0.0
	if len(rows) > 0 {
		first = min(rows[0].high, 60)
	}
	p.room(head.high + first + 6)
	p.Set(tiny)
	p.SetTextColor(70, 70, 70)
	p.Text(margin, p.y+3, printable(t.Caption))
	p.SetTextColor(0, 0, 0)
	p.y += 4.5
	p.put(head, widths, nil, t)
	p.rule(0, 0.35)
	for i, row := range rows {
		if p.y+row.high > bottom {
			p.sheet()
			p.put(head, widths, nil, t)
			p.rule(0, 0.35)
		}
		p.put(row, widths, t.Rows[i], t)
		p.rule(190, 0.2)
	}
	p.y += 3
}

func (p *printer) widths(t *table) []float64 {
	total := 0.0
	for _, c := range t.Columns {
		total += c.Share
	}
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = inner * c.Share / total
	}
	return widths
}

func (p *printer) heading(t *table, widths []float64) printed {
	var out printed
	for i, c := range t.Columns {
		var lines []printedLine
		for _, line := range wrap(p.Document, bold, c.Title, widths[i]-padding) {
			lines = append(lines, printedLine{bold, line})
		}
		out.cells = append(out.cells, lines)
		out.high = max(out.high, float64(len(lines))*bold.Line()+1.2)
	}
	return out
}

func (p *printer) row(t *table, row []string, widths []float64, least float64) printed {
	strong := t.Strong != nil && t.Strong(row)
	out := printed{high: least}
	for i, cell := range row {
		lines := p.cell(t.Columns[i], cell, widths[i]-padding, i == 0 || strong && i == len(row)-1)
		high := 2.0
		for n, line := range lines {
			if high > tallest {
				lines = append(lines[:n:n], printedLine{tiny, "… (handover.json has all of it)"})
				high += tiny.Line()
				break
			}
			high += line.face.Line()
		}
		if cell == "" && t.Columns[i].Fill {
			high = fillHigh + 1.6
		}
		out.cells = append(out.cells, lines)
		out.high = max(out.high, high)
	}
	return out
}

// cell breaks a cell into lines. What stands below its first line is an
// aside.
func (p *printer) cell(c column, text string, width float64, strong bool) []printedLine {
	main, aside := plain, tiny
	switch {
	case c.Code:
		main = code
	case strong:
		main = bold
	}
	var out []printedLine
	first, rest, more := strings.Cut(text, "\n")
	for _, line := range wrap(p.Document, main, first, width) {
		out = append(out, printedLine{main, line})
	}
	if more {
		if c.Even {
			aside = main
		} else if c.Code && !strings.HasPrefix(rest, "event ") {
			aside = tinier
		}
		for _, line := range wrap(p.Document, aside, rest, width) {
			out = append(out, printedLine{aside, line})
		}
	}
	return out
}

// put prints a row at y; values tells which cells are boxes.
func (p *printer) put(row printed, widths []float64, values []string, t *table) {
	x := margin
	for i, lines := range row.cells {
		if values != nil && values[i] == "" && t.Columns[i].Fill {
			p.SetDrawColor(90, 90, 90)
			p.Rect(x, p.y+0.8, widths[i]-padding, row.high-1.6, "D")
			x += widths[i]
			continue
		}
		y := p.y + 0.8
		for _, line := range lines {
			p.Set(line.face)
			p.Text(x, y+line.face.Line()*0.76, line.text)
			y += line.face.Line()
		}
		x += widths[i]
	}
	p.y += row.high
}

func (p *printer) rule(grey int, wide float64) {
	p.SetDrawColor(grey, grey, grey)
	p.SetLineWidth(wide)
	p.Line(margin, p.y, paperWide-margin, p.y)
	p.SetLineWidth(0.2)
}
