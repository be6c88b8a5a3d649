package pack

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"

	"linehand/cmd/internal/paper"
	"linehand/transcript"
	"linehand/transcript/handover"
)

// LabelSize is the size of one label in mm. A sheet holds as many as fit on
// A4, without space between them.
type LabelSize struct{ Wide, High float64 }

// UsualLabels are three columns of eight.
var UsualLabels = LabelSize{70, 37}

// String is the size as ParseLabelSize reads it.
func (s LabelSize) String() string { return fmt.Sprintf("%gx%g", s.Wide, s.High) }

// ParseLabelSize reads WIDTHxHEIGHT in mm, such as "63.5x38.1".
func ParseLabelSize(text string) (LabelSize, error) {
	w, h, ok := strings.Cut(text, "x")
	wide, err1 := strconv.ParseFloat(w, 64)
	high, err2 := strconv.ParseFloat(h, 64)
	switch {
	case !ok || err1 != nil || err2 != nil:
		return LabelSize{}, fmt.Errorf("%q is no size of a label: write WIDTHxHEIGHT in mm, such as %s", text, UsualLabels)
	case !(wide >= 50 && wide <= paperWide && high >= 25 && high <= paperHigh):
		return LabelSize{}, fmt.Errorf("a label of %q mm cannot be made: it takes 50x25 to %gx%g", text, paperWide, paperHigh)
	}
	return LabelSize{wide, high}, nil
}

// labels makes the sheets of labels.
func (w *writer) labels(b *bytes.Buffer) error {
	d, size := w.content.Document, w.content.Labels
	pdf := paper.New("A4", "Labels: "+printable(or(d.Site.Title, d.Site.Name)), d.Until)
	columns, rows := int(paperWide/size.Wide), int(paperHigh/size.High)
	left, top := (paperWide-float64(columns)*size.Wide)/2, (paperHigh-float64(rows)*size.High)/2
	for i, u := range d.Units {
		at := i % (columns * rows)
		if at == 0 {
			pdf.AddPage()
		}
		l := label{pdf, left + float64(at%columns)*size.Wide, top + float64(at/columns)*size.High, size}
		if err := l.put(d.Site, u); err != nil {
			return fmt.Errorf("label of %s: %w", u.Name, err)
		}
	}
	if len(d.Units) == 0 {
		pdf.AddPage()
	}
	return pdf.Output(b)
}

type label struct {
	*paper.Document
	x, y float64
	size LabelSize
}

// Measures of a label, in mm where nothing else is said.
const (
	labelEdge  = 3.0
	labelSpace = 1.5
	smallest   = 5.0 // points: what is longer is cut
)

func (l label) put(s handover.Site, u handover.Installed) error {
	l.corners()
	side := min(l.size.High-2*labelEdge, l.size.Wide*0.45)
	if err := l.code(AssetText(s, u), l.x+l.size.Wide-labelEdge-side, l.y+(l.size.High-side)/2, side); err != nil {
		return err
	}
	wide := l.size.Wide - 2*labelEdge - labelSpace - side
	lines := []printedLine{{second, u.Name}, {tiny, or(u.KindTitle, u.Kind)}}
	if serial := or(u.SerialRead, u.Serial); serial != "" {
		lines = append(lines, printedLine{code, "S/N " + serial})
	}
	if len(u.Ports) > 0 {
		lines = append(lines, printedLine{code, u.Ports[0].Address})
	}
	if u.Rack != "" {
		lines = append(lines, printedLine{tiny, place(u.Unit)})
	}
	lines = append(lines, printedLine{paper.Face{Font: paper.Regular, Size: 6.5}, or(s.Title, s.Name)})
	l.text(lines, wide)
	return nil
}

// text sets the lines one below the other, each in a size in which it fits.
func (l label) text(lines []printedLine, wide float64) {
	high := 0.0
	for i := range lines {
		text, f := lines[i].text, lines[i].face
		for n := min(60, len([]rune(text))); ; n-- {
			lines[i].text = printable(firstRunes(text, n))
			if lines[i].face = l.Fit(f, lines[i].text, wide, 0); lines[i].face.Size >= smallest || n <= 4 {
				break
			}
		}
		high += lines[i].face.Line()
	}
	shrink := min(1, (l.size.High-2*labelEdge)/high)
	y := l.y + (l.size.High-high*shrink)/2
	for _, line := range lines {
		line.face.Size *= shrink
		l.Set(line.face)
		l.Text(l.x+labelEdge, y+line.face.Line()*0.76, line.text)
		y += line.face.Line()
	}
}

// corners mark where to cut a sheet that is not cut already.
func (l label) corners() {
	const long = 2.0
	l.SetDrawColor(190, 190, 190)
	l.SetLineWidth(0.1)
	right, low := l.x+l.size.Wide, l.y+l.size.High
	for _, c := range [][4]float64{{l.x, l.y, 1, 1}, {right, l.y, -1, 1}, {l.x, low, 1, -1}, {right, low, -1, -1}} {
		l.Line(c[0], c[1], c[0]+c[2]*long, c[1])
		l.Line(c[0], c[1], c[0], c[1]+c[3]*long)
	}
}

// quiet is the margin that a QR code needs: four modules (ISO/IEC 18004).
const quiet = 4

// code draws a QR code with its margin into a square.
func (l label) code(text string, x, y, side float64) error {
	c, err := qr.Encode(text, qr.M, qr.Unicode)
	if err != nil {
		return fmt.Errorf("make a QR code: %w", err)
	}
	n := c.Bounds().Dx()
	module := side / float64(n+2*quiet)
	l.SetFillColor(0, 0, 0)
	for row := range n {
		for from := 0; from < n; from++ {
			to := from
			for to < n && dark(c, to, row) {
				to++
			}
			if to > from { // a run of dark modules in one go: no hairlines between them
				l.Rect(x+float64(from+quiet)*module, y+float64(row+quiet)*module, float64(to-from)*module, module, "F")
				from = to
			}
		}
	}
	return nil
}

func dark(c barcode.Barcode, x, y int) bool {
	r, _, _, _ := c.At(x, y).RGBA()
	return r == 0
}

// AssetText is what a label's QR code says: a line for each of what is known
// of the unit, as plain text. It holds nothing that a reader could follow.
func AssetText(s handover.Site, u handover.Installed) string {
	var b strings.Builder
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%s: %s\n", name, firstRunes(transcript.Printable(value), 60))
		}
	}
	line("unit", u.Name)
	line("kind", u.Kind)
	line("serial", or(u.SerialRead, u.Serial))
	if len(u.Ports) > 0 {
		line("address", u.Ports[0].Address)
		line("address6", u.Ports[0].Address6)
	}
	if u.Rack != "" {
		line("place", place(u.Unit))
	}
	line("site", s.Name)
	return strings.TrimSuffix(b.String(), "\n")
}

func firstRunes(text string, n int) string {
	runes := []rune(text)
	if len(runes) <= n {
		return text
	}
	return string(runes[:n-1]) + "…"
}
