package site

import (
	"fmt"
	"math/big"
	"net/netip"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"linehand/script/internal/yamlwalk"
)

// Auto stands where an address is to be allotted.
const Auto = "auto"

var (
	lengthForm     = regexp.MustCompile(`^(?:[1-9][0-9]{0,3}-)?[1-9][0-9]{0,3}$`)
	sizeForm       = regexp.MustCompile(`^([0-9]{1,9}(?:\.[0-9]{1,6})?) (k|M|G|T|P|Ki|Mi|Gi|Ti|Pi)B$`)
	unreadableForm = regexp.MustCompile(`^1 in 10\^([1-9]|1[0-9]|2[0-9])$`)
	decimalForm    = regexp.MustCompile(`^(0|[1-9][0-9]{0,8})(\.[0-9]{1,9})?$`)
)

func anyKey(s string) (what, mend string) { return checkAnyText(s) }

func checkAutoOrAddress(s string) (what, mend string) {
	if s == Auto {
		return "", ""
	}
	what, mend = checkAddress(s)
	if near, ok := yamlwalk.Nearest(s, []string{Auto}); ok && what != "" {
		return what, fmt.Sprintf("did you mean %q?", near)
	}
	return what, mend
}

func checkWord(words []string) check {
	return func(s string) (what, mend string) {
		if slices.Contains(words, s) {
			return "", ""
		}
		if near, ok := yamlwalk.Nearest(s, words); ok && len(s) > 3 { // C13 is as near to C14 as to C15
			return fmt.Sprintf("%q is none of the words that may stand here", s), fmt.Sprintf("did you mean %q?", near)
		}
		return fmt.Sprintf("%q is none of the words that may stand here", s), "write one of " + list(words)
	}
}

const longestTime = 7 * 24 * time.Hour

func checkDuration(s string) (what, mend string) {
	d, err := time.ParseDuration(s)
	if err != nil || d < 0 || d > longestTime || s == "0" || strings.HasPrefix(s, "+") {
		return fmt.Sprintf("%q is not a time of at most 7 days", s), "write a number and its unit, as in 90s, 12m or 1h30m"
	}
	return "", ""
}

// checkSize takes decimal and binary prefixes (IEC 80000-13). A bare "20 T"
// is refused: some makers mean a power of 1000 by it and some of 1024.
func checkSize(s string) (what, mend string) {
	if n, ok := sizeOf(s); !ok || n <= 0 {
		return fmt.Sprintf("%q is not a size", s), "write a number, a blank and its unit, as in 20 TB or 18.19 TiB"
	}
	return "", ""
}

// checkUnreadable takes a rate of read errors as data sheets state it.
func checkUnreadable(s string) (what, mend string) {
	if !unreadableForm.MatchString(s) {
		return fmt.Sprintf("%q is not a rate of unreadable bits", s), "write it as data sheets do, as in 1 in 10^15 (bits read)"
	}
	return "", ""
}

func sizeOf(s string) (int64, bool) {
	m := sizeForm.FindStringSubmatch(s)
	if m == nil {
		return 0, false
	}
	base, power := int64(1000), strings.IndexByte("kMGTP", m[2][0])+1
	if len(m[2]) == 2 {
		base, power = 1024, strings.IndexByte("KMGTP", m[2][0])+1
	}
	n, _ := new(big.Rat).SetString(m[1])
	n.Mul(n, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(base), big.NewInt(int64(power)), nil)))
	whole := new(big.Int).Quo(n.Num(), n.Denom())
	return whole.Int64(), whole.IsInt64()
}

func checkLength(s string) (what, mend string) {
	if least, most := lengthOf(s); most == 0 || least > most {
		return fmt.Sprintf("%q is not a length", s), "write the most characters, as in 15, or least and most, as in 8-32"
	}
	return "", ""
}

// lengthOf reads "15" as 1 to 15, and "8-32"; most is 0 when it is neither.
func lengthOf(s string) (least, most int) {
	if !lengthForm.MatchString(s) {
		return 0, 0
	}
	low, high, both := strings.Cut(s, "-")
	if !both {
		low, high = "1", s
	}
	least, _ = strconv.Atoi(low)
	most, _ = strconv.Atoi(high)
	return least, most
}

func checkLetters(s string) (what, mend string) {
	if lettersOf(s) == nil {
		return fmt.Sprintf("%q has a range that runs backwards", s), "write characters and ranges, as in a-z0-9-"
	}
	return "", ""
}

// lettersOf reads characters and ranges; nil when a range runs backwards.
func lettersOf(s string) (ranges [][2]rune) {
	runes := []rune(s)
	for i := 0; i < len(runes); i++ {
		r := [2]rune{runes[i], runes[i]}
		if i+2 < len(runes) && runes[i+1] == '-' {
			r[1] = runes[i+2]
			i += 2
		}
		if r[0] > r[1] {
			return nil
		}
		ranges = append(ranges, r)
	}
	return ranges
}

func checkTableFile(s string) (what, mend string) {
	switch strings.ToLower(filepath.Ext(s)) {
	case ".csv", ".xlsx":
		return "", ""
	}
	return fmt.Sprintf("%q is neither a .csv nor an .xlsx file", s), "save the worksheet as one of the two"
}

// Range is addresses from one to another, both included.
type Range struct {
	Text
	First, Last netip.Addr
}

// Contains reports whether an address lies in the range.
func (r Range) Contains(a netip.Addr) bool {
	return a.BitLen() == r.First.BitLen() && r.First.Compare(a) <= 0 && a.Compare(r.Last) <= 0
}

func checkRange(s string) (what, mend string) {
	first, last, ok := rangeOf(s)
	const how = "write FIRST-LAST, such as 192.0.2.1-192.0.2.19, one address, or a prefix such as 192.0.2.240/28"
	switch {
	case !ok:
		return fmt.Sprintf("%q is not a range of addresses", s), how
	case first.Compare(last) > 0:
		return fmt.Sprintf("the range %s runs backwards", s), fmt.Sprintf("write %s-%s", last, first)
	}
	return "", ""
}

func rangeOf(s string) (first, last netip.Addr, ok bool) {
	if p, err := netip.ParsePrefix(s); err == nil {
		return p.Addr(), LastOf(p), p == p.Masked() && !p.Addr().Is4In6()
	}
	low, high, both := strings.Cut(s, "-")
	if !both {
		high = low
	}
	for _, end := range []string{low, high} {
		if what, _ := checkAddress(strings.TrimSpace(end)); what != "" {
			return first, last, false
		}
	}
	first, last = netip.MustParseAddr(strings.TrimSpace(low)), netip.MustParseAddr(strings.TrimSpace(high))
	return first, last, first.BitLen() == last.BitLen()
}

// LastOf is the last address of a subnet: for IPv4 up to /30 its broadcast
// address.
func LastOf(p netip.Prefix) netip.Addr {
	b := p.Masked().Addr().AsSlice()
	for i := p.Bits(); i < len(b)*8; i++ {
		b[i/8] |= 1 << (7 - i%8)
	}
	last, _ := netip.AddrFromSlice(b)
	return last
}
