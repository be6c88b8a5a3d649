package pack

import (
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/paper"
)

// ink is how a class of shapes looks on paper: greys only.
type ink struct {
	fill   int // -1: none
	stroke int // -1: none
	wide   float64
	hatch  bool
	dashed bool
}

// inks has the classes of the drawings that a pack holds.
var inks = map[string]ink{
	"hair": {-1, 200, 0.15, false, false}, "outline": {-1, 0, 0.35, false, false}, "rail": {175, 90, 0.15, false, false},
	"unit": {228, 0, 0.25, false, false}, "empty": {255, 205, 0.15, false, false}, "free": {255, 205, 0.15, false, false},
	"gateway": {200, 60, 0.2, false, false}, "port": {232, 60, 0.2, false, false}, "cluster": {218, 60, 0.2, false, false},
	"server": {245, 60, 0.2, false, false}, "edge": {185, 60, 0.2, false, false}, "reserved": {255, 120, 0.15, false, true},
	"usable": {110, 0, 0.2, false, false}, "given": {255, 0, 0.2, true, false}, "chosen": {248, 0, 0.4, false, false},
}

// picture draws a picture with its upper left corner at x, y; scale is in mm
// for each of its pixels.
func (p *printer) picture(picture *draw.Picture, x, y, scale float64) {
	for _, s := range picture.Shapes {
		left, top := x+s.X*scale, y+s.Y*scale
		switch s.Form {
		case draw.Box:
			p.shape(inkOf(s.Class), left, top, s.W*scale, s.H*scale)
		case draw.Line:
			i := inkOf(s.Class)
			p.SetDrawColor(max(i.stroke, 0), max(i.stroke, 0), max(i.stroke, 0))
			p.SetLineWidth(i.wide)
			p.Line(left, top, left+s.W*scale, top+s.H*scale)
		case draw.Word:
			p.word(s, left, top, scale)
		}
	}
	p.SetLineWidth(0.2)
	p.SetDrawColor(0, 0, 0)
}

func inkOf(class string) ink {
	for _, name := range strings.Fields(class) {
		if i, ok := inks[name]; ok {
			return i
		}
	}
	return ink{-1, 0, 0.2, false, false}
}

func (p *printer) shape(i ink, x, y, w, h float64) {
	if w <= 0 || h <= 0 {
		return
	}
	if i.fill >= 0 {
		p.SetFillColor(i.fill, i.fill, i.fill)
		p.Rect(x, y, w, h, "F")
	}
	if i.hatch {
		p.hatch(x, y, w, h)
	}
	if i.stroke < 0 {
		return
	}
	p.SetDrawColor(i.stroke, i.stroke, i.stroke)
	p.SetLineWidth(i.wide)
	if i.dashed {
		p.SetDashPattern([]float64{0.5, 0.5}, 0)
	}
	p.Rect(x, y, w, h, "D")
	if i.dashed {
		p.SetDashPattern(nil, 0)
	}
}

func (p *printer) hatch(x, y, w, h float64) {
	p.ClipRect(x, y, w, h, false)
	p.SetDrawColor(120, 120, 120)
	p.SetLineWidth(0.3)
	for at := x - h; at < x+w; at += 1.3 {
		p.Line(at, y+h, at+h, y)
	}
	p.ClipEnd()
}

// word puts a word no wider than the drawing reckons with.
func (p *printer) word(s draw.Shape, x, y, scale float64) {
	f := plain
	f.Size = draw.Plain * scale / paper.Point
	for _, class := range strings.Fields(s.Class) {
		switch class {
		case "big":
			f.Size = draw.Large * scale / paper.Point
		case "fine":
			f.Size = draw.Small * scale / paper.Point
		case "strong":
			f.Font = paper.Bold
		}
	}
	text := printable(s.Text)
	f = p.Fit(f, text, s.W*scale, 0)
	p.Set(f)
	wide := p.GetStringWidth(text)
	switch s.Anchor {
	case draw.Middle:
		x -= wide / 2
	case draw.End:
		x -= wide
	}
	p.Text(x, y, text)
}
