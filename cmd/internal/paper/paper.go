// Package paper begins a PDF and breaks text into lines on it, the same for
// every document that is printed: the Go fonts, which go into the document so
// that it looks the same everywhere and its text can be searched, and bytes
// that depend on nothing but what is put on the page.
//
// Nothing is lost on the way: a character that the fonts lack is printed as
// its number, and a word that is wider than its line goes on in the next.
package paper

import (
	"bytes"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
)

// Font is one of the fonts of a document.
type Font string

// The fonts.
const (
	Regular Font = "go"
	Bold    Font = "go-bold"
	Mono    Font = "go-mono"
)

// data has the fonts' files.
func data() map[Font][]byte {
	return map[Font][]byte{Regular: goregular.TTF, Bold: gobold.TTF, Mono: gomono.TTF}
}

// Point is the length of a point, 1/72 in, in mm.
const Point = 25.4 / 72

// Face is a font in a size.
type Face struct {
	Font Font
	Size float64 // points
}

// Line is the height of a line of a face, in mm.
func (f Face) Line() float64 { return f.Size * Point * 1.28 }

// Document is a PDF. It is measured in mm, has no margins and breaks no page
// by itself.
type Document struct{ *fpdf.Fpdf }

// New begins a document on paper of a size, "A4" or "Letter". PDF asks for a
// date: at, or an invented one that never changes where at is zero. What goes
// wrong, now or later, the document's Error tells.
func New(size, title string, at time.Time) *Document {
	d := &Document{fpdf.New("P", "mm", size, "")}
	files := data()
	for _, font := range []Font{Regular, Bold, Mono} {
		// The library writes into the bytes that it is given.
		d.AddUTF8FontFromBytes(string(font), "", bytes.Clone(files[font]))
	}
	if at.IsZero() {
		at = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	d.SetCreationDate(at.UTC())
	d.SetModificationDate(at.UTC())
	d.SetCatalogSort(true)
	d.SetProducer("linehand", true)
	d.SetTitle(title, true)
	d.SetLang("en")
	d.SetMargins(0, 0, 0)
	d.SetCellMargin(0)
	d.SetAutoPageBreak(false, 0)
	d.SetLineWidth(0.2)
	return d
}

// Set makes a face that of the text which comes next.
func (d *Document) Set(f Face) { d.SetFont(string(f.Font), "", f.Size) }

// Fit is a face, no larger than f and no smaller than least points, in which a
// text is no wider than a width in mm, unless least forbids it. The face that
// is set afterwards is f.
func (d *Document) Fit(f Face, text string, width, least float64) Face {
	d.Set(f)
	if wide := d.GetStringWidth(text); wide > width && width > 0 {
		f.Size = max(least, f.Size*width/wide*(1-1e-9)) // a hair less: widths are sums of fractions
	}
	return f
}

// Wrap breaks words into lines of a width in mm, between words where it can
// and within one where it must. Only a character that is wider than the line
// by itself sticks out. Words are as Printable gives them; an empty one stands
// for one more blank, and no words give no lines.
func (d *Document) Wrap(f Face, words []string, width float64) []string {
	if len(words) == 0 {
		return nil
	}
	d.Set(f)
	var lines []string
	line := ""
	for _, word := range words {
		if joined := line + " " + word; line != "" && d.GetStringWidth(joined) <= width {
			line = joined
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for {
			n := d.chop(word, width)
			if n == len(word) {
				break
			}
			lines, word = append(lines, word[:n]), word[n:]
		}
		line = word
	}
	return append(lines, line)
}

// chop is how many bytes of a word, one character at least, go into a width.
func (d *Document) chop(word string, width float64) int {
	if d.GetStringWidth(word) <= width {
		return len(word)
	}
	end := 0
	for i, r := range word {
		next := i + len(string(r))
		if end > 0 && d.GetStringWidth(word[:next]) > width {
			break
		}
		end = next
	}
	return end
}
