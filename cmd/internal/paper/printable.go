package paper

import (
	"fmt"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/image/font/sfnt"
)

// Printable writes a character that a font lacks, and one that cannot be
// seen, as its number, such as ‹U+202E›: nothing is lost, nothing is hidden,
// and nothing looks like another. What is not UTF-8 becomes U+FFFD.
func Printable(text string) string {
	var b strings.Builder
	for _, r := range text {
		if prints(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "‹U+%04X›", r)
		}
	}
	return b.String()
}

// prints tells whether a character can be seen in every font. The library
// prints nothing beyond U+FFFF.
func prints(r rune) bool {
	if r >= ' ' && r < 0x7F {
		return true
	}
	if r > 0xFFFF || !unicode.IsPrint(r) {
		return false
	}
	list, err := fonts()
	if err != nil {
		return false // a number can be read in any case
	}
	for _, font := range list {
		if i, err := font.GlyphIndex(new(sfnt.Buffer), r); err != nil || i == 0 {
			return false
		}
	}
	return true
}

// fonts are read once; after that they are only looked into.
var fonts = sync.OnceValues(func() ([]*sfnt.Font, error) {
	var list []*sfnt.Font
	for name, data := range data() {
		font, err := sfnt.Parse(data)
		if err != nil {
			return nil, fmt.Errorf("read the font %s: %w", name, err)
		}
		list = append(list, font)
	}
	return list, nil
})
