// Package draw makes the drawings of a plan: the addresses of a subnet, the
// front and rear of a rack, the load of feeds, disk layouts side by side, and
// a schedule.
//
// Each is a Picture of plain shapes, which SVG writes out. A shape says with a
// class what it stands for; colours and hatching are the page's, so that one
// picture serves light and dark, colour and grey. Nothing is told by colour
// alone: every class has a letter, a label or a hatching of its own. The
// package opens no file and reads no clock, and the same input always gives
// the same bytes.
package draw

import (
	"html"
	"html/template"
	"strconv"
	"strings"
	"unicode"
)

// Picture is one drawing. Lengths are in CSS pixels at its natural size.
type Picture struct {
	ID            string // of the page's element; letters, digits and hyphens
	Title         string // what it shows, in a few words
	Desc          string // what a person who does not see it is told
	Width, Height float64
	Shapes        []Shape
}

// Form is what a shape is.
type Form int

// The forms.
const (
	Box  Form = iota // X, Y, W, H
	Line             // from X, Y by W, H
	Word             // Text at X on the baseline Y
)

// Anchor says which part of a word stands at its X.
type Anchor string

// The anchors.
const (
	Start  Anchor = ""
	Middle Anchor = "middle"
	End    Anchor = "end"
)

// Shape is one stroke of a drawing.
type Shape struct {
	Form       Form
	Class      string // one or more, parted by blanks
	X, Y, W, H float64
	Text       string
	Anchor     Anchor
	Tip        string // shown when pointed at; "" for none
}

func (p *Picture) box(class string, x, y, w, h float64, tip string) {
	p.Shapes = append(p.Shapes, Shape{Form: Box, Class: class, X: x, Y: y, W: w, H: h, Tip: tip})
}

func (p *Picture) line(class string, x, y, w, h float64) {
	p.Shapes = append(p.Shapes, Shape{Form: Line, Class: class, X: x, Y: y, W: w, H: h})
}

// word puts text at a place, shortened to a width where that is above 0.
func (p *Picture) word(class, text string, x, y, width float64, anchor Anchor) {
	short, size := text, sizeOf(class)
	if strings.HasSuffix(class, " strong") {
		size *= 1.08 // bold is wider
	}
	if width > 0 {
		short = Shorten(text, width, size)
	}
	if short == "" {
		return
	}
	s := Shape{Form: Word, Class: class, X: x, Y: y, W: Width(short, size), Text: short, Anchor: anchor}
	if short != text {
		s.Tip = text
	}
	p.Shapes = append(p.Shapes, s)
}

// Type sizes of the classes of words, in CSS pixels. The page's style sheet
// has the same.
const (
	Large = 13.0
	Plain = 11.0
	Small = 9.5
)

func sizeOf(class string) float64 {
	switch first, _, _ := strings.Cut(class, " "); first {
	case "big":
		return Large
	case "fine":
		return Small
	}
	return Plain
}

// Width is about how wide a text is in a sans-serif face: rather too wide
// than too narrow.
func Width(text string, size float64) float64 {
	em := 0.0
	for _, r := range text {
		em += advance(r)
	}
	return em * size
}

func advance(r rune) float64 {
	switch {
	case r >= 0x1100:
		return 1.05
	case strings.ContainsRune("ijl.,:;|!'` ", r):
		return 0.33
	case strings.ContainsRune("mwMW@%—…", r):
		return 0.98
	case unicode.IsUpper(r):
		return 0.72
	}
	return 0.6
}

// Shorten cuts a text to a width. The ellipsis stands in its middle, because
// names often differ in how they end; "" where not even that fits.
func Shorten(text string, width, size float64) string {
	if Width(text, size) <= width {
		return text
	}
	room := width - Width("…", size)
	if room < 0 {
		return ""
	}
	runes := []rune(text)
	tail := len(runes)
	for used := 0.0; tail > 0; tail-- {
		if used += advance(runes[tail-1]) * size; used > room*0.4 {
			break
		}
	}
	end := string(runes[tail:])
	room -= Width(end, size)
	head := 0
	for used := 0.0; head < tail; head++ {
		if used += advance(runes[head]) * size; used > room {
			break
		}
	}
	return strings.TrimRight(string(runes[:head]), " ") + "…" + end
}

// SVG is the picture as an element to stand in a page.
func (p *Picture) SVG() template.HTML {
	var b strings.Builder
	b.WriteString(`<svg class="drawing" role="img" viewBox="0 0 ` + number(p.Width) + ` ` + number(p.Height) + `"`)
	b.WriteString(` width="` + number(p.Width) + `" height="` + number(p.Height) + `"`)
	b.WriteString(` aria-labelledby="` + p.ID + `-t ` + p.ID + `-d">` + "\n")
	b.WriteString(`<title id="` + p.ID + `-t">` + escape(p.Title) + `</title>` + "\n")
	b.WriteString(`<desc id="` + p.ID + `-d">` + escape(p.Desc) + `</desc>` + "\n")
	for _, s := range p.Shapes {
		s.write(&b)
	}
	b.WriteString("</svg>\n")
	return template.HTML(b.String()) // every text went through escape
}

func (s Shape) write(b *strings.Builder) {
	switch s.Form {
	case Box:
		b.WriteString(`<rect class="` + escape(s.Class) + `" x="` + number(s.X) + `" y="` + number(s.Y) + `" width="` + number(s.W) + `" height="` + number(s.H) + `"`)
		s.end(b, "rect", "")
	case Line:
		b.WriteString(`<line class="` + escape(s.Class) + `" x1="` + number(s.X) + `" y1="` + number(s.Y) + `" x2="` + number(s.X+s.W) + `" y2="` + number(s.Y+s.H) + `"`)
		s.end(b, "line", "")
	case Word:
		b.WriteString(`<text class="` + escape(s.Class) + `" x="` + number(s.X) + `" y="` + number(s.Y) + `"`)
		if s.Anchor != Start {
			b.WriteString(` text-anchor="` + string(s.Anchor) + `"`)
		}
		s.end(b, "text", s.Text)
	}
}

func (s Shape) end(b *strings.Builder, name, text string) {
	if text == "" && s.Tip == "" {
		b.WriteString("/>\n")
		return
	}
	b.WriteString(">")
	if s.Tip != "" {
		b.WriteString("<title>" + escape(s.Tip) + "</title>")
	}
	b.WriteString(escape(text) + "</" + name + ">\n")
}

// escape makes text harmless in an element and in a quoted attribute, and
// takes out what XML does not allow.
func escape(text string) string {
	clean := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' || r == 0xFFFE || r == 0xFFFF {
			return unicode.ReplacementChar
		}
		return r
	}, text)
	return html.EscapeString(clean)
}

func number(v float64) string {
	return strconv.FormatFloat(float64(int64(v*100+0.5))/100, 'f', -1, 64)
}
