package disk

import (
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strings"
)

// Size is a number of bytes.
type Size int64

// String gives the size in powers of 1000 and of 1024: "120 TB (109.14 TiB)".
func (s Size) String() string { return s.Decimal(2) + " (" + s.Binary(2) + ")" }

// Decimal writes the size in powers of 1000 (kB, MB, GB, TB, PB, EB: the SI
// prefixes) with at most so many places after the point.
func (s Size) Decimal(places int) string {
	return s.in(1000, [...]string{"B", "kB", "MB", "GB", "TB", "PB", "EB"}, places)
}

// Binary writes the size in powers of 1024 (KiB, MiB, GiB, TiB, PiB, EiB:
// IEC 80000-13) with at most so many places after the point.
func (s Size) Binary(places int) string {
	return s.in(1024, [...]string{"B", "KiB", "MiB", "GiB", "TiB", "PiB", "EiB"}, places)
}

// in picks the largest unit in which the rounded number is at least one.
// The digits are exact, half rounded away from zero.
func (s Size) in(base int64, units [7]string, places int) string {
	places = min(max(places, 0), 18)
	magnitude := new(big.Rat).Abs(new(big.Rat).SetInt64(int64(s)))
	number, unit := "", ""
	next := big.NewRat(base, 1)
	divisor := big.NewRat(1, 1)
	for _, unit = range units {
		scaled := new(big.Rat).Quo(magnitude, divisor)
		number = scaled.FloatString(places)
		if rounded, _ := new(big.Rat).SetString(number); rounded.Cmp(next) < 0 {
			break
		}
		divisor.Mul(divisor, next)
	}
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	if s < 0 {
		number = "-" + number
	}
	return number + " " + unit
}

var (
	sizeForm    = regexp.MustCompile(`^([0-9]{1,30}|[0-9]{1,3}(?:,[0-9]{3}){1,9})(?:\.([0-9]{1,9}))?\s*([A-Za-z]*)$`)
	sizeLetters = "kmgtpezy" // each a further power
)

// ParseSize reads a size such as "16 TB", "14.55 TiB", "512GiB" or
// "1,000,204,886,016", to the nearest byte. It reads what a dialogue's
// comparison of sizes reads: kB, MB, GB, TB are powers of 1000 and KiB, MiB,
// GiB, TiB of 1024 (IEC 80000-13), in any case; a letter alone is refused,
// because makers differ in what it stands for.
func ParseSize(text string) (Size, error) {
	m := sizeForm.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return 0, fmt.Errorf("%.40q is not a size such as 16 TB or 14.55 TiB", text)
	}
	unit, ok := sizeUnit(strings.ToLower(m[3]))
	if !ok {
		return 0, fmt.Errorf("%.40q has the unit %.10q: write B, kB, MB, GB, TB, PB or KiB, MiB, GiB, TiB, PiB", text, m[3])
	}
	digits := strings.ReplaceAll(m[1], ",", "")
	if m[2] != "" {
		digits += "." + m[2]
	}
	number, _ := new(big.Rat).SetString(digits)
	number.Add(number.Mul(number, unit), big.NewRat(1, 2))
	whole := new(big.Int).Quo(number.Num(), number.Denom())
	if !whole.IsInt64() {
		return 0, fmt.Errorf("%.40q is more than the 9.2 EB (8 EiB) that can be reckoned with", text)
	}
	return Size(whole.Int64()), nil
}

func sizeUnit(word string) (*big.Rat, bool) {
	switch word {
	case "", "b", "byte", "bytes":
		return big.NewRat(1, 1), true
	}
	power := 1 + strings.IndexByte(sizeLetters, word[0])
	base := map[string]int64{"b": 1000, "ib": 1024}[word[1:]]
	if power == 0 || base == 0 {
		return nil, false
	}
	return new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(base), big.NewInt(int64(power)), nil)), true
}

// StandardSectors is the number of sectors, of 512 or 4096 bytes, of a drive
// that is sold as having so many GB (IDEMA LBA1-03, for 50 GB and more).
func StandardSectors(gb int64, sector int) (int64, error) {
	first, each := int64(97_696_368), int64(1_953_504)
	switch sector {
	case 512:
	case 4096:
		first, each = 12_212_046, 244_188
	default:
		return 0, fmt.Errorf("sectors of %d bytes: IDEMA LBA1-03 knows 512 and 4096", sector)
	}
	if gb < 50 || gb > math.MaxInt64/1_000_000_000/2 {
		return 0, fmt.Errorf("a drive of %d GB: IDEMA LBA1-03 begins at 50 GB", gb)
	}
	return first + each*(gb-50), nil
}

// StandardSize is what a drive really holds that is sold as having so many
// GB: a little more (IDEMA LBA1-03).
func StandardSize(gb int64) (Size, error) {
	sectors, err := StandardSectors(gb, 512)
	return Size(sectors * 512), err
}
