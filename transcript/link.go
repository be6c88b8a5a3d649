package transcript

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// firstLink is what the header links to.
var firstLink = strings.Repeat("0", 2*sha256.Size)

const (
	linkName = `,"link":"`
	linkEnd  = `"}`
	linkSize = len(linkName) + 2*sha256.Size + len(linkEnd)
)

// seal appends to body its link to the line before, the closing brace and
// the line end, and moves link on.
func seal(body []byte, link *string) []byte {
	*link = nextLink(*link, body)
	body = append(append(body, linkName...), *link...)
	return append(append(body, linkEnd...), '\n')
}

// nextLink is the SHA-256 digest (FIPS 180-4) of the link before, a line feed
// and the line up to its own link, in lower-case hexadecimal.
func nextLink(before string, body []byte) string {
	h := sha256.New()
	h.Write([]byte(before))
	h.Write([]byte{'\n'})
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// cutLink splits a line (without its line end) into what is linked and the
// link. ok is false for a line that does not end in one.
func cutLink(line []byte) (body []byte, link string, ok bool) {
	if len(line) < linkSize {
		return nil, "", false
	}
	body, tail := line[:len(line)-linkSize], line[len(line)-linkSize:]
	tail, ok1 := bytes.CutPrefix(tail, []byte(linkName))
	tail, ok2 := bytes.CutSuffix(tail, []byte(linkEnd))
	return body, string(tail), ok1 && ok2
}
