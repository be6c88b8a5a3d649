package worksheet

import (
	"strings"

	"linehand/cmd/internal/paper"
)

func (p *press) face(font paper.Font, size float64) { p.pdf.Set(paper.Face{Font: font, Size: size}) }

func (p *press) text(text string, x, y float64) { p.pdf.Text(x, y, paper.Printable(text)) }

// smallest is the least size of type, in points.
const smallest = 6.0

// fitting sets a text as large as its room allows, up to a size; only what
// does not fit in the least size is cut.
func (p *press) fitting(font paper.Font, size float64, text string, room, x, y float64) {
	p.pdf.Set(p.pdf.Fit(paper.Face{Font: font, Size: size}, paper.Printable(text), room, smallest))
	p.text(p.short(text, room), x, y)
}

// short cuts a text to a width in the face that is set.
func (p *press) short(text string, width float64) string {
	text = paper.Printable(text)
	if p.pdf.GetStringWidth(text) <= width {
		return text
	}
	runes := []rune(text)
	for n := len(runes) - 1; n > 0; n-- {
		if s := strings.TrimRight(string(runes[:n]), " ") + "…"; p.pdf.GetStringWidth(s) <= width {
			return s
		}
	}
	return ""
}

// wrap breaks a text into lines of a width. Runs of blanks and line ends are
// how a file is written, and count as one blank.
func (p *press) wrap(font paper.Font, size float64, text string, width float64) []string {
	return p.pdf.Wrap(paper.Face{Font: font, Size: size}, strings.Fields(paper.Printable(text)), width)
}
