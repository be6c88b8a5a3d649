package draft

import (
	"net/netip"
	"regexp"
	"slices"
	"strings"
)

// pattern is a prompt as the file writes it.
type pattern struct {
	text   string
	regexp bool
}

// span is a part of a line that another unit would show otherwise.
type span struct {
	from, to int
	as       string
}

var (
	dotted   = regexp.MustCompile(`\b\d{1,3}(?:\.\d{1,3}){3}\b`)
	ranges   = regexp.MustCompile(`[(\[]\d+ ?(?:-|to) ?\d+[)\]]`)
	number   = regexp.MustCompile(`\d+`)
	many     = regexp.MustCompile(`( +)(\\d\+)`)
	counted  = regexp.MustCompile(`^\d+ ([a-z]{3,}?)s?\b`)
	spelling = regexp.MustCompile(`[A-Za-z0-9_]`)
)

// generalise makes a pattern of a line: numbers, addresses, and the unit's
// own names and values in it may be others next time.
func generalise(line string, k *known) pattern {
	spans := names(line, k)
	for _, at := range dotted.FindAllStringIndex(line, -1) {
		spans = append(spans, span{at[0], at[1], `[0-9.]+`})
	}
	kept := ranges.FindAllStringIndex(line, -1)
	for _, at := range number.FindAllStringIndex(line, -1) {
		if !letterBeside(line, at[0], at[1]) && !slices.ContainsFunc(kept, func(r []int) bool { return at[0] >= r[0] && at[1] <= r[1] }) {
			spans = append(spans, numberSpan(line, at[0], at[1]))
		}
	}
	return pieces(line, spans)
}

// numberSpan takes the word that is counted along: one member, two members.
func numberSpan(line string, from, to int) span {
	if m := counted.FindStringSubmatchIndex(line[from:]); m != nil {
		return span{from, from + m[1], `\d+ ` + line[from+m[2]:from+m[3]] + `s?`}
	}
	return span{from, to, `\d+`}
}

func letterBeside(line string, from, to int) bool {
	return from > 0 && spelling.MatchString(line[from-1:from]) || to < len(line) && spelling.MatchString(line[to:to+1])
}

// names finds the plan's own values in a line.
func names(line string, k *known) []span {
	var spans []span
	for _, v := range k.list {
		user := v.expr == "factory.user"
		if len(v.text) < 3 || v.expr == "site.domain" || strings.HasSuffix(v.expr, "network.name") || digits.FindString(v.text) == v.text {
			continue
		}
		for at := 0; ; {
			i := strings.Index(line[at:], v.text)
			if i < 0 {
				break
			}
			from, to := at+i, at+i+len(v.text)
			at = to
			if letterBeside(line, from, to) || user && !strings.HasPrefix(line[to:], "@") {
				continue
			}
			as := `\S+`
			if a, err := netip.ParseAddr(v.text); err == nil && a.Is4() {
				as = `[0-9.]+`
			}
			spans = append(spans, span{from, to, as})
		}
	}
	return spans
}

// pieces puts a pattern together; of spans that overlap the first counts.
func pieces(line string, spans []span) pattern {
	slices.SortStableFunc(spans, func(a, b span) int {
		if a.from != b.from {
			return a.from - b.from
		}
		return b.to - a.to
	})
	var out strings.Builder
	at := 0
	for _, s := range spans {
		if s.from < at {
			continue
		}
		out.WriteString(regexp.QuoteMeta(line[at:s.from]))
		out.WriteString(s.as)
		at = s.to
	}
	if at == 0 {
		return pattern{text: line}
	}
	out.WriteString(regexp.QuoteMeta(line[at:]))
	return pattern{many.ReplaceAllString(out.String(), ` +$2`), true}
}

// unify makes one pattern of two wordings that have as many words.
func unify(a, b string) (pattern, bool) {
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) != len(y) || len(x) < 2 {
		return pattern{}, false
	}
	same := 0
	for i := range x {
		if x[i] == y[i] {
			x[i] = regexp.QuoteMeta(x[i])
			same++
			continue
		}
		x[i] = `\S+` + regexp.QuoteMeta(commonEnd(x[i], y[i]))
	}
	return pattern{strings.Join(x, " +"), true}, same*2 >= len(x)
}

func commonEnd(a, b string) string {
	n := 0
	for n < len(a) && n < len(b) && a[len(a)-1-n] == b[len(b)-1-n] {
		n++
	}
	return a[len(a)-n:]
}
