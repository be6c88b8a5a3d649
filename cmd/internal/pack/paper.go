package pack

import (
	"strings"

	"linehand/cmd/internal/paper"
	"linehand/transcript"
)

// Measures of the paper in mm: A4 (ISO 216).
const (
	paperWide = 210.0
	paperHigh = 297.0
	margin    = 17.0
	inner     = paperWide - 2*margin
	bottom    = paperHigh - 19.0 // below it is the page's number
)

var (
	plain  = paper.Face{Font: paper.Regular, Size: 9}
	bold   = paper.Face{Font: paper.Bold, Size: 9}
	tiny   = paper.Face{Font: paper.Regular, Size: 7.5}
	code   = paper.Face{Font: paper.Mono, Size: 8}
	tinier = paper.Face{Font: paper.Mono, Size: 7}
	title  = paper.Face{Font: paper.Bold, Size: 20}
	second = paper.Face{Font: paper.Bold, Size: 13}
	third  = paper.Face{Font: paper.Bold, Size: 10.5}
)

// blanks are those that no line breaks at; on paper they are as others.
var blanks = strings.NewReplacer("\u202f", " ", "\u00a0", " ")

// printable is what a unit or a profile says as the paper shows it. It says
// no more of characters that steer a terminal than the page does.
func printable(text string) string {
	return paper.Printable(blanks.Replace(transcript.Printable(strings.ToValidUTF8(text, "\uFFFD"))))
}

// wrap breaks text into lines of a width. Line ends and runs of blanks, which
// a unit's own words are set out with, are kept.
func wrap(d *paper.Document, f paper.Face, text string, width float64) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		lines = append(lines, d.Wrap(f, strings.Split(printable(paragraph), " "), width)...)
	}
	return lines
}
