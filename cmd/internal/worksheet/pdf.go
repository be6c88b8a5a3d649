package worksheet

import (
	"fmt"
	"io"
	"time"

	"linehand/cmd/internal/paper"
)

// Paper is a size of paper.
type Paper string

// The papers: ISO 216 A4, and Letter of 8.5 by 11 in.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// ParsePaper reads the name of a paper.
func ParsePaper(name string) (Paper, error) {
	for _, p := range []Paper{A4, Letter} {
		if name == string(p) {
			return p, nil
		}
	}
	return "", fmt.Errorf("paper %q is neither A4 nor Letter", name)
}

// Measures in mm; sizes of type in points.
const (
	margin     = 13.0
	footRoom   = 17.0 // kept free at the foot of a page
	boxWide    = 9.0
	initialsW  = 17.0
	timeW      = 16.0
	valuePart  = 0.45 // of what is left beside those
	typeSize   = 8.6
	fineSize   = 7.0
	lineHigh   = 3.9
	fineHigh   = 3.2
	cellPad    = 1.3
	writeHigh  = 6.0 // room to write by hand
	mostLines  = 24  // of a row before it goes on in another
	shownShort = 12  // hex digits of a digest at the foot
)

// PDF writes the sheets for a size of paper. The same set gives the same bytes.
func (s *Set) PDF(w io.Writer, size Paper) error {
	// Once to count the pages of each unit, and once with the counts.
	counting, err := newPress(s, size, nil)
	if err == nil {
		err = counting.run()
	}
	if err != nil {
		return fmt.Errorf("lay out the worksheet: %w", err)
	}
	final, err := newPress(s, size, counting.pages)
	if err == nil {
		err = final.run()
	}
	if err == nil {
		err = final.pdf.Output(w)
	}
	if err != nil {
		return fmt.Errorf("write the worksheet as PDF: %w", err)
	}
	return nil
}

// press lays sheets out on pages.
type press struct {
	set    *Set
	pdf    *paper.Document
	totals []int // pages of each unit, where they are known
	pages  []int // of each unit, as counted

	unit          *Unit
	section       *Section // whose rows are being drawn; nil between sections
	wide, high    float64
	do, val       float64 // widths of the columns
	doX, valX     float64
	initX, timeX  float64
	right, bottom float64
}

func newPress(s *Set, size Paper, totals []int) (*press, error) {
	p := &press{set: s, totals: totals, pdf: paper.New(string(size), "Worksheet of "+s.Site, time.Time{})}
	if err := p.pdf.Error(); err != nil {
		return nil, err
	}
	p.wide, p.high = p.pdf.GetPageSize()
	p.right, p.bottom = p.wide-margin, p.high-footRoom
	left := p.right - margin - boxWide - initialsW - timeW
	p.val = left * valuePart
	p.do = left - p.val
	p.doX = margin + boxWide
	p.valX = p.doX + p.do
	p.initX = p.valX + p.val
	p.timeX = p.initX + initialsW
	return p, nil
}

func (p *press) run() error {
	for i := range p.set.Units {
		p.unit = &p.set.Units[i]
		p.pages = append(p.pages, 0)
		p.newPage()
		for j := range p.unit.Sections {
			p.sectionOf(&p.unit.Sections[j])
		}
	}
	return p.pdf.Error()
}

// newPage begins a page of the unit, with its head and foot.
func (p *press) newPage() {
	p.pdf.AddPage()
	n := &p.pages[len(p.pages)-1]
	*n++
	if *n == 1 {
		p.titleBlock()
	} else {
		p.runningHead()
	}
	p.foot(*n)
}

func (p *press) foot(n int) {
	y := p.high - footRoom + 5
	p.pdf.SetLineWidth(0.3)
	p.pdf.Line(margin, y, p.right, y)
	p.face(paper.Regular, fineSize)
	total := 0
	if p.totals != nil {
		total = p.totals[len(p.pages)-1]
	}
	room := (p.right - margin) * 0.38
	number := fmt.Sprintf(", page %d of %d", n, total)
	number = p.short("unit "+p.unit.Name, room-p.pdf.GetStringWidth(number)) + number
	p.text(number, p.right-p.pdf.GetStringWidth(number), y+4)
	digest := "   plan " + first(p.unit.Plan, shownShort)
	p.text(p.short(p.set.Site, room-p.pdf.GetStringWidth(digest))+digest, margin, y+4)
	x := margin + (p.right-margin)*0.42
	p.text("date", x, y+4)
	p.pdf.Line(x+7, y+4.6, x+32, y+4.6)
}

func first(text string, n int) string { return text[:min(n, len(text))] }

// titleBlock heads a unit's first page: what it is, and what it goes by.
func (p *press) titleBlock() {
	y := margin
	p.fitting(paper.Bold, 17, p.unit.Name, p.right-margin, margin, y+5.5)
	y += 8
	for _, line := range p.wrap(paper.Regular, 9.5, p.unit.Title, p.right-margin) {
		p.text(line, margin, y+3.5)
		y += 4.5
	}
	y++
	half := (p.right - margin) / 2
	p.pdf.SetLineWidth(0.4)
	p.cell([2]string{"Site", p.set.Site}, margin, y, 2*half, paper.Regular)
	y += 9
	cells := [][2][2]string{
		{{"Kind", p.unit.Kind}, {"Serial number, as planned", or(p.unit.Serial)}},
		{{"Place", or(p.unit.Place)}, {"Date, by hand", " "}},
	}
	for _, row := range cells {
		p.cell(row[0], margin, y, half, paper.Regular)
		p.cell(row[1], margin+half, y, half, paper.Regular)
		y += 9
	}
	p.cell([2]string{"In the schedule, in hours:minutes from its start", or(p.unit.Planned)}, margin, y, 2*half, paper.Regular)
	y += 9
	p.cell([2]string{"Digest of the unit's plan (SHA-256)", p.unit.Plan}, margin, y, 2*half, paper.Mono)
	p.cell([2]string{"Digest of the whole plan (SHA-256)", p.set.Digest}, margin, y+9, 2*half, paper.Mono)
	p.pdf.SetY(y + 20)
}

func or(text string) string {
	if text == "" {
		return "not planned"
	}
	return text
}

func (p *press) cell(c [2]string, x, y, w float64, font paper.Font) {
	p.pdf.Rect(x, y, w, 9, "D")
	p.face(paper.Regular, 6.2)
	p.text(c[0], x+1.5, y+2.8)
	p.fitting(font, typeSize, c[1], w-3, x+1.5, y+7.2)
}

func (p *press) runningHead() {
	p.fitting(paper.Bold, 11, p.unit.Name, (p.right-margin)*0.62, margin, margin+3.5)
	p.face(paper.Regular, fineSize)
	kind := p.short(p.unit.Kind, (p.right-margin)*0.35)
	p.text(kind, p.right-p.pdf.GetStringWidth(kind), margin+3.5)
	p.pdf.SetLineWidth(0.3)
	p.pdf.Line(margin, margin+5.5, p.right, margin+5.5)
	p.pdf.SetY(margin + 8)
	if p.section != nil {
		p.columns(p.section.Title + ", continued")
	}
}

// columns is the line above rows: the section's name, and what to write where.
func (p *press) columns(title string) {
	y := p.pdf.GetY()
	p.pdf.SetFillColor(228, 228, 228)
	p.pdf.Rect(margin, y, p.right-margin, 5.4, "F")
	p.face(paper.Bold, typeSize)
	p.text(p.short(title, p.initX-margin-3), margin+1.5, y+3.9)
	p.face(paper.Regular, 6.2)
	p.text("initials", p.initX+1.5, y+3.7)
	p.text("time", p.timeX+1.5, y+3.7)
	p.pdf.SetY(y + 5.4)
}
