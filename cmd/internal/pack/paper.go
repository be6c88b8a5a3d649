package pack

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"

	"linehand/transcript"
)

// Measures of the paper in mm: A4 (ISO 216).
const (
	paperWide = 210.0
	paperHigh = 297.0
	margin    = 17.0
	inner     = paperWide - 2*margin
	bottom    = paperHigh - 19.0 // below it is the page's number
	point     = 25.4 / 72
)

// face is one of the fonts.
type face struct {
	family, style string
	size          float64 // points
}

var (
	plain  = face{"go", "", 9}
	bold   = face{"go", "B", 9}
	tiny   = face{"go", "", 7.5}
	code   = face{"mono", "", 8}
	tinier = face{"mono", "", 7}
	title  = face{"go", "B", 20}
	second = face{"go", "B", 13}
	third  = face{"go", "B", 10.5}
)

// line is the height of a line of a face, in mm.
func (f face) line() float64 { return f.size * point * 1.28 }

// newPaper begins a PDF whose bytes depend on nothing but what is put on it.
func newPaper(about string, at time.Time) *fpdf.Fpdf {
	pdf := fpdf.New("P", "mm", "A4", "")
	for _, f := range []struct {
		family, style string
		bytes         []byte
	}{{"go", "", goregular.TTF}, {"go", "B", gobold.TTF}, {"mono", "", gomono.TTF}} {
		pdf.AddUTF8FontFromBytes(f.family, f.style, bytes.Clone(f.bytes)) // it writes into what it is given
	}
	if at.IsZero() {
		at = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // no record, no date
	}
	pdf.SetCreationDate(at.UTC())
	pdf.SetModificationDate(at.UTC())
	pdf.SetCatalogSort(true)
	pdf.SetProducer("linehand", true)
	pdf.SetTitle(about, true)
	pdf.SetLang("en")
	pdf.SetMargins(0, 0, 0)
	pdf.SetCellMargin(0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetLineWidth(0.2)
	return pdf
}

// glyphs tells which characters the fonts have.
var glyphs = sync.OnceValue(func() *sfnt.Font {
	f, err := sfnt.Parse(gomono.TTF) // it has the fewest
	if err != nil {
		return nil
	}
	return f
})

// printable is text that the fonts can show. A character that they do not
// have is told by its number, so that nothing is lost or looks like another.
func printable(text string) string {
	f, buffer := glyphs(), new(sfnt.Buffer)
	var out strings.Builder
	for _, r := range transcript.Printable(strings.ToValidUTF8(text, "\uFFFD")) {
		switch i, err := f.GlyphIndex(buffer, r); {
		case r == '\u202f' || r == '\u00a0':
			out.WriteByte(' ')
		case err != nil || i == 0 || r > 0xFFFF:
			fmt.Fprintf(&out, "‹U+%04X›", r)
		default:
			out.WriteRune(r)
		}
	}
	return out.String()
}

func set(pdf *fpdf.Fpdf, f face) { pdf.SetFont(f.family, f.style, f.size) }

// wrap breaks text into lines of a width: at blanks, and in words that are
// too long anywhere.
func wrap(pdf *fpdf.Fpdf, f face, text string, width float64) []string {
	set(pdf, f)
	var lines []string
	for _, paragraph := range strings.Split(text, "\n") {
		line := ""
		for _, word := range strings.Split(printable(paragraph), " ") {
			if joined := line + " " + word; line != "" && pdf.GetStringWidth(joined) <= width {
				line = joined
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			var full []string
			full, line = chop(pdf, word, width)
			lines = append(lines, full...)
		}
		lines = append(lines, line)
	}
	return lines
}

// chop cuts a word that is wider than a line.
func chop(pdf *fpdf.Fpdf, word string, width float64) (full []string, rest string) {
	for pdf.GetStringWidth(word) > width {
		n := 0
		for i := range word {
			if i > 0 && pdf.GetStringWidth(word[:i]) > width {
				break
			}
			n = i
		}
		if n == 0 {
			return full, word // not even one character fits
		}
		full, word = append(full, word[:n]), word[n:]
	}
	return full, word
}

// fit is a size, no larger than that of the face, in which text is no wider
// than a width.
func fit(pdf *fpdf.Fpdf, f face, text string, width float64) face {
	set(pdf, f)
	if wide := pdf.GetStringWidth(text); wide > width && width > 0 {
		f.size *= width / wide
	}
	return f
}
