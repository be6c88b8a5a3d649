package transcript

import (
	"strings"

	"linehand/transcript/internal/link"
)

// firstLink is what the header links to.
var firstLink = strings.Repeat("0", link.Digits)

const linkSize = link.Size

// chain appends to body its link to the line before, the closing brace and
// the line end, and moves before on.
func chain(body []byte, before *string) []byte {
	c := link.From(*before)
	line := c.Append(body)
	*before = c.At()
	return line
}
