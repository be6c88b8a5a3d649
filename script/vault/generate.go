package vault

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"strings"
)

// What Generate makes where the rules leave it room.
const (
	wantedChars = 16 // drawn, without the hyphens between groups
	groupSize   = 4
	// easy has no character that is taken for another on a worn label or a
	// narrow screen: no l, o, I, O, 0, 1.
	easy = "abcdefghijkmnpqrstuvwxyz" + "ABCDEFGHJKLMNPQRSTUVWXYZ" + "23456789"
	// alike are left out also where the rules ask for more than easy.
	alike = "lo|I1O0`'\"., :;"
)

// language is the set of values that Generate draws from, all equally likely:
// strings over an alphabet with at least one of each set, and hyphens at fixed
// places.
type language struct {
	alphabet []rune
	need     []string // sets, as far as hyphens do not meet them
	length   int      // drawn characters
	grouped  bool
}

// Generate makes a value that the rules accept and a person can type: groups
// of four with hyphens between where the unit takes those, without characters
// that look alike. Bits is its entropy: the base-2 logarithm of the number of
// values that it could have been, all equally likely. Random is a source such
// as crypto/rand.Reader.
func Generate(r Rules, random io.Reader) (value string, bits float64, err error) {
	l, err := r.language()
	if err != nil {
		return "", 0, fmt.Errorf("make a secret: %w", err)
	}
	bits = log2(l.count())
	for range 100_000 {
		chars, err := l.draw(random)
		if err != nil {
			return "", 0, fmt.Errorf("make a secret: the random source: %w", err)
		}
		if l.meets(chars) {
			return l.written(chars), bits, nil
		}
	}
	return "", 0, errors.New("make a secret: the random source gives nothing that the rules accept; is it random?")
}

// Generator is Generate for Vault.Rotate.
func (r Rules) Generator(random io.Reader) func() (string, error) {
	return func() (string, error) {
		value, _, err := Generate(r, random)
		return value, err
	}
}

// language chooses the alphabet and the length.
func (r Rules) language() (language, error) {
	if r.MinLen < 0 || r.MaxLen < 0 || r.MaxLen > 0 && r.MinLen > r.MaxLen {
		return language{}, fmt.Errorf("the unit takes %d to %d characters; mend its rules", r.MinLen, r.MaxLen)
	}
	l := language{need: r.Need, length: max(wantedChars, r.MinLen)}
	hyphens := (l.length - 1) / groupSize
	l.grouped = strings.ContainsRune(r.allowed(), '-') && (r.MaxLen == 0 || l.length+hyphens <= r.MaxLen)
	if l.grouped {
		l.need = withoutHyphen(l.need)
	} else if r.MaxLen > 0 {
		l.length = min(l.length, r.MaxLen)
	}
	l.alphabet = alphabet(r.allowed(), l.need)
	if len(l.alphabet) < 2 {
		return language{}, errors.New("the unit takes fewer than two characters; mend its rules")
	}
	if l.length > MaxBytes/2 {
		return language{}, fmt.Errorf("the unit asks for %d characters, and a secret has at most %d bytes; mend its rules", r.MinLen, MaxBytes)
	}
	if len(l.need) > 8 {
		return language{}, fmt.Errorf("the rules need characters of %d sets, and 8 are the most; mend them", len(l.need))
	}
	if l.count().Sign() == 0 {
		return language{}, fmt.Errorf("no value of %d characters has one of each set that the unit needs, of the characters that it takes; mend its rules", l.length)
	}
	return l, nil
}

func withoutHyphen(need []string) []string {
	var rest []string
	for _, set := range need {
		if !strings.ContainsRune(set, '-') {
			rest = append(rest, set)
		}
	}
	return rest
}

// alphabet is what is easy to read of what is allowed, and of each set that
// would be left without any, what is allowed. Where nothing is left that is
// easy, all that is allowed is taken.
func alphabet(allowed string, need []string) []rune {
	allowed = dropped(allowed, " ")
	a := kept(easy, allowed)
	for _, set := range need {
		if kept(set, a) != "" {
			continue
		}
		more := dropped(kept(set, allowed), alike+"-")
		if more == "" {
			more = kept(set, allowed)
		}
		a += dropped(more, a)
	}
	if len([]rune(a)) < 2 {
		a = allowed
	}
	var once []rune
	for _, c := range a {
		if !strings.ContainsRune(string(once), c) {
			once = append(once, c)
		}
	}
	return once
}

// kept gives the characters of s that are in set.
func kept(s, set string) string {
	return strings.Map(func(c rune) rune {
		if strings.ContainsRune(set, c) {
			return c
		}
		return -1
	}, s)
}

// dropped gives the characters of s that are not in set.
func dropped(s, set string) string {
	return strings.Map(func(c rune) rune {
		if strings.ContainsRune(set, c) {
			return -1
		}
		return c
	}, s)
}

// count is how many values the language has: by inclusion and exclusion over
// the sets, those strings that miss none.
func (l language) count() *big.Int {
	total, n := new(big.Int), big.NewInt(int64(l.length))
	for missing := range 1 << len(l.need) {
		left, odd := 0, false
		for i := range l.need {
			odd = odd != (missing>>i&1 == 1)
		}
		for _, c := range l.alphabet {
			if !l.inAny(c, missing) {
				left++
			}
		}
		term := new(big.Int).Exp(big.NewInt(int64(left)), n, nil)
		if odd {
			total.Sub(total, term)
		} else {
			total.Add(total, term)
		}
	}
	return total
}

// inAny says whether c is in any of the sets that the bits name.
func (l language) inAny(c rune, sets int) bool {
	for i, set := range l.need {
		if sets>>i&1 == 1 && strings.ContainsRune(set, c) {
			return true
		}
	}
	return false
}

func log2(n *big.Int) float64 {
	fraction := new(big.Float)
	exponent := new(big.Float).SetInt(n).MantExp(fraction)
	f, _ := fraction.Float64()
	return math.Log2(f) + float64(exponent)
}

// draw takes characters, each equally likely: numbers at the end of a range
// that the alphabet does not divide are thrown away.
func (l language) draw(random io.Reader) ([]rune, error) {
	size := len(l.alphabet)
	end := 1 << 16 / size * size
	chars := make([]rune, 0, l.length)
	for tries := 0; len(chars) < l.length; tries++ {
		if tries > 100*l.length { // at most half of all numbers are thrown away
			return nil, errors.New("it gives the same again and again")
		}
		var b [2]byte
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return nil, err
		}
		if n := int(b[0])<<8 | int(b[1]); n < end {
			chars = append(chars, l.alphabet[n%size])
		}
	}
	return chars, nil
}

func (l language) meets(chars []rune) bool {
	for _, set := range l.need {
		if !strings.ContainsAny(string(chars), set) {
			return false
		}
	}
	return true
}

func (l language) written(chars []rune) string {
	var b strings.Builder
	for i, c := range chars {
		if l.grouped && i > 0 && i%groupSize == 0 {
			b.WriteByte('-')
		}
		b.WriteRune(c)
	}
	return b.String()
}
