package worksheet

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// The faces of a sheet: the Go fonts, which go into the document so that it
// looks the same everywhere and its text can be searched.
const (
	regular = "go"
	bold    = "go-bold"
	mono    = "go-mono"
)

// faces knows which characters can be printed.
type faces struct {
	fonts map[string]*sfnt.Font
	buf   sfnt.Buffer
	has   map[rune]bool
}

func loadFaces(pdf *fpdf.Fpdf) (*faces, error) {
	f := &faces{fonts: make(map[string]*sfnt.Font), has: make(map[rune]bool)}
	for _, face := range []struct {
		name string
		data []byte
	}{{regular, goregular.TTF}, {bold, gobold.TTF}, {mono, gomono.TTF}} {
		// The library writes into the bytes that it is given.
		pdf.AddUTF8FontFromBytes(face.name, "", bytes.Clone(face.data))
		font, err := sfnt.Parse(face.data)
		if err != nil {
			return nil, fmt.Errorf("read the face %s: %w", face.name, err)
		}
		f.fonts[face.name] = font
	}
	return f, pdf.Error()
}

// printable writes a character that no face has, and one that cannot be seen,
// as its number, such as U+202E: nothing is lost, and nothing is hidden.
func (f *faces) printable(text string) string {
	clean := true
	for _, r := range text {
		if !f.prints(r) {
			clean = false
			break
		}
	}
	if clean {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		if f.prints(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "<U+%04X>", r)
		}
	}
	return b.String()
}

func (f *faces) prints(r rune) bool {
	if r >= ' ' && r < 0x7F {
		return true
	}
	known, ok := f.has[r]
	if !ok {
		known = r <= 0xFFFF && unicode.IsPrint(r) && f.inAll(r)
		f.has[r] = known
	}
	return known
}

func (f *faces) inAll(r rune) bool {
	for _, font := range f.fonts {
		if i, err := font.GlyphIndex(&f.buf, r); err != nil || i == 0 {
			return false
		}
	}
	return true
}

func (p *press) face(name string, size float64) { p.pdf.SetFont(name, "", size) }

func (p *press) text(text string, x, y float64) { p.pdf.Text(x, y, p.faces.printable(text)) }

// smallest is the least size of type, in points.
const smallest = 6.0

// fitting sets a text as large as its room allows, up to a size; only what
// does not fit in the least size is cut.
func (p *press) fitting(name string, size float64, text string, room, x, y float64) {
	p.face(name, size)
	if w := p.pdf.GetStringWidth(p.faces.printable(text)); w > room {
		p.face(name, max(smallest, size*room/w*0.99))
	}
	p.text(p.short(text, room), x, y)
}

// short cuts a text to a width in the face that is set.
func (p *press) short(text string, width float64) string {
	text = p.faces.printable(text)
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

// wrap breaks a text into lines of a width, between words where it can and
// within one where it must.
func (p *press) wrap(face string, size float64, text string, width float64) []string {
	p.face(face, size)
	var lines []string
	line := ""
	for _, word := range strings.Fields(p.faces.printable(text)) {
		joined := word
		if line != "" {
			joined = line + " " + word
		}
		if p.pdf.GetStringWidth(joined) <= width {
			line = joined
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for p.pdf.GetStringWidth(word) > width {
			n := p.fits(word, width)
			lines = append(lines, word[:n])
			word = word[n:]
		}
		line = word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// fits is how many bytes of a word, one character at least, go into a width.
func (p *press) fits(word string, width float64) int {
	end := 0
	for i, r := range word {
		next := i + len(string(r))
		if end > 0 && p.pdf.GetStringWidth(word[:next]) > width {
			break
		}
		end = next
	}
	return end
}
