package transcript

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"unicode/utf16"
)

// shortest is the length in bytes from which a secret is looked for in what
// is heard. A shorter one would be found in every other word.
const shortest = 4

// forms are the spellings in which a secret may show: as it is, in JSON (RFC
// 8259), in an address (RFC 3986), in base 64 and base 16 (RFC 4648), and in
// UTF-16.
func forms(value string) []string {
	if len(value) < shortest {
		return nil
	}
	list := []string{value}
	list = append(list, jsonForms(value)...)
	list = append(list, urlForms(value)...)
	list = append(list, base64Forms(value)...)
	digits := hex.EncodeToString([]byte(value))
	list = append(list, digits, strings.ToUpper(digits))
	list = append(list, utf16Forms(value)...)
	return list
}

func jsonForms(value string) []string {
	var plain strings.Builder
	enc := json.NewEncoder(&plain)
	enc.SetEscapeHTML(false)
	if enc.Encode(value) != nil { // a string always encodes
		return nil
	}
	bare := strings.TrimSuffix(strings.TrimPrefix(plain.String(), `"`), "\"\n")
	html, _ := json.Marshal(value)
	list := []string{bare, string(html[1 : len(html)-1]), strings.ReplaceAll(bare, "/", `\/`)}
	for _, verb := range []string{`\u%04x`, `\u%04X`} {
		var ascii strings.Builder
		for _, r := range bare {
			if r < 0x80 {
				ascii.WriteRune(r)
				continue
			}
			for _, unit := range utf16.Encode([]rune{r}) {
				fmt.Fprintf(&ascii, verb, unit)
			}
		}
		list = append(list, ascii.String())
	}
	return list
}

func urlForms(value string) []string {
	query := url.QueryEscape(value)
	list := []string{query, url.PathEscape(value), strings.ReplaceAll(query, "+", "%20"), (&url.URL{Path: value}).EscapedPath()}
	for _, form := range list {
		list = append(list, lowerPercent(form))
	}
	return list
}

// lowerPercent writes the digits of percent escapes in lower case.
func lowerPercent(s string) string {
	p := []byte(s)
	for i := 0; i+2 < len(p); i++ {
		if p[i] == '%' {
			copy(p[i+1:i+3], strings.ToLower(s[i+1:i+3]))
		}
	}
	return string(p)
}

// base64Forms are the characters that value alone decides, for each of the
// three ways it can lie across groups of three bytes, and the whole text
// when value stands by itself.
func base64Forms(value string) []string {
	var list []string
	for _, enc := range []*base64.Encoding{base64.StdEncoding, base64.URLEncoding} {
		list = append(list, enc.EncodeToString([]byte(value)))
		raw := enc.WithPadding(base64.NoPadding)
		list = append(list, raw.EncodeToString([]byte(value)))
		for before := range 3 {
			text := raw.EncodeToString(append(make([]byte, before), value...))
			from := (8*before + 5) / 6
			list = append(list, text[from:8*(before+len(value))/6])
		}
	}
	return list
}

func utf16Forms(value string) []string {
	var little, big []byte
	for _, unit := range utf16.Encode([]rune(value)) {
		little = append(little, byte(unit), byte(unit>>8))
		big = append(big, byte(unit>>8), byte(unit))
	}
	return []string{string(little), string(big)}
}
