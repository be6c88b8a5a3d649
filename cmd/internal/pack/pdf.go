package pack

import (
	"bytes"
	"fmt"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/paper"
)

// printer puts the document on paper. It goes over it twice: on the first
// time it learns on which page each section begins.
type printer struct {
	*paper.Document
	cover cover
	y     float64
	begun []int // pages of the sections, out of the first time
	pages int   // of all, out of the first time
	links []int
}

func (w *writer) pdf(b *bytes.Buffer) error {
	first := w.print(nil, 0)
	if err := first.Error(); err != nil {
		return err
	}
	return w.print(first.begun, first.PageNo()).Output(b)
}

func (w *writer) print(begun []int, pages int) *printer {
	c := w.cover()
	p := &printer{Document: paper.New("A4", "Handover: "+printable(c.Title), w.content.Document.Until), cover: c, pages: pages}
	p.SetFooterFunc(p.footer)
	p.sheet()
	p.front(begun)
	for i, s := range c.Sections {
		p.section(i, s)
	}
	return p
}

func (p *printer) sheet() {
	p.AddPage()
	p.y = margin
}

// room goes to a new page where less than that is left.
func (p *printer) room(high float64) {
	if p.y+high > bottom {
		p.sheet()
	}
}

func (p *printer) footer() {
	p.SetDrawColor(0, 0, 0)
	p.Line(margin, bottom+4, paperWide-margin, bottom+4)
	p.SetTextColor(0, 0, 0)
	p.Set(tiny)
	number := fmt.Sprintf("page %d of %d", p.PageNo(), p.pages)
	wide := p.GetStringWidth(number)
	p.Text(paperWide-margin-wide, bottom+8.5, number)
	text := printable("Handover: " + p.cover.Title + ", as of " + p.cover.AsOf)
	f := p.Fit(tiny, text, inner-wide-6, 0)
	p.Set(f)
	p.Text(margin, bottom+8.5, text)
}

// text writes lines from y on.
func (p *printer) text(f paper.Face, text string, x, width float64) {
	for _, line := range wrap(p.Document, f, text, width) {
		p.room(f.Line())
		p.Set(f)
		p.Text(x, p.y+f.Line()*0.76, line)
		p.y += f.Line()
	}
}

func (p *printer) front(begun []int) {
	p.text(title, "Handover", margin, inner)
	p.text(second, p.cover.Title, margin, inner)
	p.y += 4
	p.facts()
	for _, remark := range p.cover.Remarks {
		p.boxed("Note. " + remark)
	}
	p.y += 2
	p.table(p.cover.Signatures, 11)
	p.y += 5
	p.text(second, "Contents", margin, inner)
	p.y += 1.5
	for i, s := range p.cover.Sections {
		p.links = append(p.links, p.AddLink())
		p.room(6)
		p.Set(plain)
		number := ""
		if i < len(begun) {
			number = fmt.Sprint(begun[i])
		}
		p.Text(margin, p.y+4, s.Title)
		wide := p.GetStringWidth(number)
		p.Text(paperWide-margin-wide, p.y+4, number)
		p.SetDrawColor(150, 150, 150)
		p.SetDashPattern([]float64{0.3, 1.2}, 0)
		p.Line(margin+p.GetStringWidth(s.Title)+2, p.y+4, paperWide-margin-wide-2, p.y+4)
		p.SetDashPattern(nil, 0)
		p.Link(margin, p.y, inner, 6, p.links[i])
		p.y += 6
	}
}

func (p *printer) facts() {
	const columns, high = 2, 10.0
	wide := inner / columns
	p.SetDrawColor(0, 0, 0)
	for i, f := range p.cover.Facts {
		x, y := margin+float64(i%columns)*wide, p.y+float64(i/columns)*high
		p.Rect(x, y, wide, high, "D")
		p.Set(tiny)
		p.Text(x+2, y+3.8, f[0])
		text := printable(f[1])
		p.Set(p.Fit(plain, text, wide-4, 0))
		p.Text(x+2, y+8.2, text)
	}
	p.y += float64((len(p.cover.Facts)+columns-1)/columns)*high + 3
}

// boxed is text that must not be overlooked.
func (p *printer) boxed(text string) {
	lines := wrap(p.Document, plain, text, inner-6)
	high := float64(len(lines))*plain.Line() + 4
	p.room(high + 2)
	p.SetDrawColor(0, 0, 0)
	p.Rect(margin, p.y, inner, high, "D")
	y := p.y
	p.y += 2
	p.text(plain, text, margin+3, inner-6)
	p.y = y + high + 3
}

func (p *printer) section(i int, s section) {
	if p.y > margin {
		p.y += 6
	}
	if i == 0 {
		p.sheet() // behind the cover
	}
	p.room(max(40, p.ahead(s.Blocks)+14))
	p.begun = append(p.begun, p.PageNo())
	p.SetLink(p.links[i], p.y, -1)
	p.Bookmark(s.Title, 0, p.y)
	p.text(second, s.Title, margin, inner)
	p.SetDrawColor(0, 0, 0)
	p.SetLineWidth(0.4)
	p.Line(margin, p.y+0.8, paperWide-margin, p.y+0.8)
	p.SetLineWidth(0.2)
	p.y += 3.5
	for i, b := range s.Blocks {
		if b.Heading != "" {
			p.room(max(32, p.ahead(s.Blocks[i:])))
		}
		p.block(b)
	}
}

// ahead is how much room drawings want that come next, with what leads up to
// them; 0 where something else comes first.
func (p *printer) ahead(blocks []block) float64 {
	high := 0.0
	for _, b := range blocks {
		switch {
		case b.Table != nil || b.Caution:
			return 0
		case len(b.Pictures) > 0:
			return min(high+tall(b.Pictures[0])+2, bottom-margin)
		}
		high += 12
	}
	return 0
}

const natural = 25.4 / 96 // mm of a CSS pixel

// scaleOf is in mm for each pixel of a drawing: its natural size, if that
// fits on the paper.
func scaleOf(p *draw.Picture) float64 {
	return min(natural, inner/p.Width, (bottom-margin-26)/p.Height)
}

func tall(p *draw.Picture) float64 { return p.Height*scaleOf(p) + 6 }

func (p *printer) block(b block) {
	switch {
	case b.Heading != "":
		p.y += 3
		p.text(third, b.Heading, margin, inner)
		p.y += 1
	case b.Caution:
		p.boxed("Caution. " + b.Text)
	case b.Text != "":
		p.text(plain, b.Text, margin, inner)
		p.y += 2
	}
	if b.Table != nil {
		p.table(b.Table, 0)
	}
	p.drawings(b.Pictures)
}

// drawings are put side by side where they fit.
func (p *printer) drawings(list []*draw.Picture) {
	const gap = 8.0
	x, high := margin, 0.0
	for _, picture := range list {
		scale := scaleOf(picture)
		wide, tall := picture.Width*scale, tall(picture)
		if x > margin && x+wide > paperWide-margin {
			p.y += high + 4
			x, high = margin, 0
		}
		if x == margin {
			p.room(tall)
		} else if p.y+tall > bottom {
			p.sheet()
			x, high = margin, 0
		}
		p.Set(p.Fit(tiny, printable(picture.Title), wide, 0))
		p.Text(x, p.y+3.4, printable(picture.Title))
		p.picture(picture, x, p.y+6, scale)
		x += wide + gap
		high = max(high, tall)
	}
	if len(list) > 0 {
		p.y += high + 4
	}
}
