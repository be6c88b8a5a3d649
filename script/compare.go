package script

import (
	"fmt"
	"math/big"
	"math/bits"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// Compare tells whether what a unit printed is the planned value, compared
// as the kind says:
//
//   - text: the same characters, blanks at the ends aside.
//   - name: the same letters without regard to case (RFC 1035 2.3.1); a dot
//     at the end does not count.
//   - address: the same address however it is written (RFC 4291 2.2; RFC
//     5952). An IPv4 address mapped into IPv6 is the IPv4 address.
//   - mask: the same prefix length, out of a dotted mask, a hexadecimal one
//     (0xffffff00) or a length (24, /24).
//   - number: the same decimal number.
//   - size: the same number of bytes within the precision that is printed;
//     kB, MB, GB, TB are powers of 1000 and KiB, MiB, GiB, TiB of 1024 (IEC
//     80000-13). A planned size in round units is met within one per cent at
//     most: a 1 TB drive is not met by one of 960 GB.
//   - names: the same set of names, each compared as name; blanks, commas and
//     semicolons stand between them, and neither order nor repeats count.
//
// A time is compared with the clock: see CompareTime.
//
// A value that is not of the kind is an error that says which of the two.
func Compare(kind ValueKind, got, want string) (bool, error) {
	got, want = strings.TrimSpace(got), strings.TrimSpace(want)
	switch kind {
	case AsText, "":
		return got == want, nil
	case AsName:
		return strings.EqualFold(strings.TrimSuffix(got, "."), strings.TrimSuffix(want, ".")), nil
	case AsAddress:
		return compared(got, want, parseAddress, func(a, b netip.Addr) bool { return a == b })
	case AsMask:
		return compared(got, want, parseMask, func(a, b int) bool { return a == b })
	case AsNumber:
		return compared(got, want, parseNumber, func(a, b *big.Rat) bool { return a.Cmp(b) == 0 })
	case AsSize:
		return compared(got, want, parseSize, sameSize)
	case AsNames:
		return slices.Equal(nameSet(got), nameSet(want)), nil
	}
	return false, fmt.Errorf("no kind of value is called %q", kind)
}

// nameSet is the names of a list, in one case and order.
func nameSet(text string) []string {
	names := strings.FieldsFunc(strings.ToLower(text), func(c rune) bool {
		return unicode.IsSpace(c) || c == ',' || c == ';'
	})
	for i := range names {
		names[i] = strings.TrimSuffix(names[i], ".")
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func compared[T any](got, want string, parse func(string) (T, error), equal func(got, want T) bool) (bool, error) {
	w, err := parse(want)
	if err != nil {
		return false, fmt.Errorf("the planned value %q %w", clip(want), err)
	}
	g, err := parse(got)
	if err != nil {
		return false, fmt.Errorf("what the unit printed, %q, %w", clip(got), err)
	}
	return equal(g, w), nil
}

func parseAddress(text string) (netip.Addr, error) {
	addr, err := netip.ParseAddr(text)
	if err != nil {
		why := err.Error()
		if i := strings.LastIndex(why, ": "); i >= 0 {
			why = why[i+2:]
		}
		return addr, fmt.Errorf("is not an address: %s", why)
	}
	return addr.Unmap(), nil
}

func parseMask(text string) (int, error) {
	if digits := strings.TrimPrefix(text, "/"); isDigits(digits) {
		n, err := strconv.Atoi(digits)
		if err != nil || n > 128 || strconv.Itoa(n) != digits {
			return 0, fmt.Errorf("is not a prefix length from 0 to 128")
		}
		return n, nil
	}
	var mask uint32
	if hex, ok := strings.CutPrefix(strings.ToLower(text), "0x"); ok && len(hex) == 8 {
		n, err := strconv.ParseUint(hex, 16, 32)
		if err != nil {
			return 0, fmt.Errorf("is not a mask")
		}
		mask = uint32(n)
	} else {
		addr, err := netip.ParseAddr(text)
		if err != nil || !addr.Is4() {
			return 0, fmt.Errorf("is not a mask such as 255.255.255.0, /24 or 24")
		}
		b := addr.As4()
		mask = uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])
	}
	length := bits.LeadingZeros32(^mask)
	if mask<<length != 0 { // RFC 4632 5.1: the ones stand together on the left
		return 0, fmt.Errorf("is not a mask: its ones are not all on the left")
	}
	return length, nil
}

func isDigits(text string) bool {
	return text != "" && strings.Trim(text, "0123456789") == ""
}

// numberForm keeps numbers short: an exponent could make one that fills the
// memory.
var numberForm = regexp.MustCompile(`^[+-]?[0-9]{1,40}(?:\.[0-9]{1,20})?$`)

func parseNumber(text string) (*big.Rat, error) {
	if !numberForm.MatchString(text) {
		return nil, fmt.Errorf("is not a decimal number")
	}
	n, _ := new(big.Rat).SetString(text)
	return n, nil
}

// size is a number of bytes and how finely it was printed.
type size struct {
	bytes *big.Rat
	place *big.Rat // worth of the last printed digit in bytes; zero for plain bytes
	round bool     // no digits after the point
}

var (
	sizeForm    = regexp.MustCompile(`^([0-9]{1,30}|[0-9]{1,3}(?:,[0-9]{3}){1,9})(?:\.([0-9]{1,9}))?\s*([A-Za-z]*)$`)
	sizeLetters = "kmgtpezy" // each a further power
)

func parseSize(text string) (size, error) {
	m := sizeForm.FindStringSubmatch(text)
	if m == nil {
		return size{}, fmt.Errorf("is not a size such as 16 TB or 14.55 TiB")
	}
	unit, plain, err := sizeUnit(m[3])
	if err != nil {
		return size{}, err
	}
	digits := strings.ReplaceAll(m[1], ",", "")
	s := size{place: new(big.Rat), round: m[2] == ""}
	if !s.round {
		digits += "." + m[2]
	}
	number, _ := new(big.Rat).SetString(digits)
	s.bytes = number.Mul(number, unit)
	if !plain {
		last, _ := new(big.Rat).SetString("1e-" + strconv.Itoa(len(m[2])))
		s.place = last.Mul(last, unit)
	}
	return s, nil
}

// sizeUnit gives the bytes of a unit. A letter alone (16 T) is refused: it
// stands for a power of 1000 with some makers and of 1024 with others.
func sizeUnit(word string) (bytes *big.Rat, plain bool, err error) {
	switch lower := strings.ToLower(word); lower {
	case "", "b", "byte", "bytes":
		return big.NewRat(1, 1), true, nil
	default:
		power := 1 + strings.IndexByte(sizeLetters, lower[0])
		base := map[string]int64{"b": 1000, "ib": 1024}[lower[1:]]
		if power == 0 || base == 0 {
			return nil, false, fmt.Errorf("has the unit %q: write B, kB, MB, GB, TB, PB or KiB, MiB, GiB, TiB, PiB", clip(word))
		}
		n := new(big.Int).Exp(big.NewInt(base), big.NewInt(int64(power)), nil)
		return new(big.Rat).SetInt(n), false, nil
	}
}

// sameSize asks whether the two stretches of values meet that would have
// been printed so.
func sameSize(got, want size) bool {
	half := big.NewRat(1, 2)
	below := new(big.Rat).Mul(got.place, half)
	above := below
	if !got.round {
		above = got.place // a unit may cut digits off instead of rounding
	}
	slack := new(big.Rat).Mul(want.place, half)
	if percent := new(big.Rat).Mul(want.bytes, big.NewRat(1, 100)); slack.Cmp(percent) > 0 {
		slack = percent
	}
	lowest := new(big.Rat).Sub(got.bytes, below)
	highest := new(big.Rat).Add(got.bytes, above)
	return lowest.Cmp(new(big.Rat).Add(want.bytes, slack)) <= 0 &&
		highest.Cmp(new(big.Rat).Sub(want.bytes, slack)) >= 0
}
