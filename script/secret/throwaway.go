package secret

import (
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"io"
	randv2 "math/rand/v2"
	"strings"

	"linehand/script/site"
)

// The letters of a throwaway secret: none that is taken for another on a
// worn label or a narrow screen.
const (
	small    = "abcdefghijkmnpqrstuvwxyz"
	capitals = "ABCDEFGHJKLMNPQRSTUVWXYZ"
	digits   = "23456789"
)

// Throwaway makes up a secret for each name, for rehearsals: the store knows
// no reference, so it cannot open a real secret. Seed 0 takes the system's
// random source; any other seed gives the same secrets again, whichever other
// names there are.
//
// A secret is three groups of four with a capital, a small letter and a digit
// in it, 14 characters in all: 12 of an alphabet of 56, about 69 bits.
func Throwaway(names []string, seed uint64) *Store {
	s := Open(nil, Options{})
	for _, name := range names {
		var source io.Reader = rand.Reader
		if seed != 0 {
			source = randv2.NewChaCha8(sha256.Sum256(fmt.Appendf(nil, "%d\n%s", seed, name)))
		}
		value := made(source)
		e := &entry{ref: site.Secret{Name: site.Text{Value: name}}, value: func() string { return value }}
		e.once.Do(func() {})
		s.entries[name] = e
	}
	return s
}

// made draws until each kind of character is there: nearly always at once.
func made(source io.Reader) string {
	for {
		text := drawn(source)
		if strings.ContainsAny(text, small) && strings.ContainsAny(text, capitals) && strings.ContainsAny(text, digits) {
			return text[:4] + "-" + text[4:8] + "-" + text[8:]
		}
	}
}

func drawn(source io.Reader) string {
	const alphabet = small + capitals + digits
	out := make([]byte, 0, 12)
	var b [1]byte
	for len(out) < cap(out) {
		// Both sources fill the buffer or the program ends: crypto/rand never
		// fails, and ChaCha8 has no error.
		if _, err := io.ReadFull(source, b[:]); err != nil {
			panic("random source: " + err.Error())
		}
		if i := int(b[0]) & 63; i < len(alphabet) { // the rest is thrown away, so that all are equally likely
			out = append(out, alphabet[i])
		}
	}
	return string(out)
}
