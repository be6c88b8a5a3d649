package vault

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"math"
	"math/big"
	randv2 "math/rand/v2"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func told(findings []Finding) string {
	var lines []string
	for _, f := range findings {
		lines = append(lines, f.Severity+": "+f.What)
	}
	return strings.Join(lines, "\n")
}

// The lengths of NIST SP 800-63B-4 (15 and 8, as quoted), its block list, the
// repeats aaaaaa and 1234abcd and the context words of 63B 5.1.1.2, and the
// factory values of SP 800-53 IA-5 and ETSI EN 303 645 5.1.
func TestCheck(t *testing.T) {
	c := Context{Name: "shelf-admin", Factory: []string{"fitter-1st"}, Others: map[string]string{"deep-join": "mv7Q-kk2w-TT9x-hhe4", "shelf-admin": "Xk4p-vm7q-Rt9w-hhe6"},
		Words: []string{"deep-1", "Skerrymore Acoustics Laboratory", "brackwater-s24"}}
	for _, tt := range []struct {
		value string
		rules Rules
		want  string
	}{
		{"Xk4p-vm7q-Rt9w-hhe6", Rules{}, ""},
		{"Xk4pvm7qRt9whh6", Rules{}, ""}, // 15
		{"Xk4pvm7qRt9whh", Rules{}, "warning: shelf-admin is shorter than 15 characters"},
		{"Xk4pvm7q", Rules{Multi: true}, ""},
		{"Xk4pvm7", Rules{Multi: true}, "error: shelf-admin is shorter than 8 characters"},
		{"Xk4pvm7", Rules{}, "error: shelf-admin is shorter than 8 characters"},
		{"Xk4pvm7qRt9w", Rules{MaxLen: 12}, "warning: shelf-admin is shorter than 15 characters, and the unit takes at most 12"},
		{"582934", Rules{MaxLen: 6, Allowed: Digits}, "warning: shelf-admin is shorter than 15 characters, and the unit takes at most 6"},
		{"Xk4pvm7qRt9wz", Rules{MaxLen: 12}, "error: shelf-admin is longer than the 12 characters that the unit takes"},
		{"Xk4pvm7qRt9whh6", Rules{MinLen: 16}, "error: shelf-admin is shorter than the 16 characters that the unit asks for"},
		{"", Rules{}, "error: shelf-admin is empty"},
		{"éàüöñç-ßþðøåæœ-x", Rules{Allowed: "éàüöñçßþðøåæœ-x"}, ""}, // each character counts once
		{" Xk4pvm7qRt9whh6", Rules{}, "error: shelf-admin starts or ends with a blank"},
		{"Xk4pvm7qRt9whh6 ", Rules{}, "error: shelf-admin starts or ends with a blank"},
		{"Xk4p vm7q Rt9w hh6", Rules{}, ""},
		{"Xk4p#vm7q-Rt9w-hhe6", Rules{Allowed: Lower + Upper + Digits + "-"}, "error: character 5 of shelf-admin is one that the unit's console does not take"},
		{"Xk4pévm7q-Rt9w-hhe6", Rules{}, "error: character 5 of shelf-admin is one that the unit's console does not take"},
		{"xkrp-vmtq-rtqw-hhem", Rules{Need: []string{Upper, Digits, "%!"}}, "error: shelf-admin lacks a character of set 1 of 3, one of which the unit wants: a capital\n" +
			"error: shelf-admin lacks a character of set 2 of 3, one of which the unit wants: a digit\n" +
			"error: shelf-admin lacks a character of set 3 of 3, one of which the unit wants: any of %!"},
		{"Fitter-1ST", Rules{Multi: true}, "error: shelf-admin is a factory value"},
		{"mv7Q-kk2w-TT9x-hhe4", Rules{}, "error: shelf-admin is the same as deep-join"},
		{"password", Rules{Multi: true}, "error: shelf-admin is on the list of common values, with or without digits around it"},
		{"P@ssw0rd2026!", Rules{Multi: true}, "error: shelf-admin is on the list of common values, with or without digits around it"},
		{"letmeinletmein", Rules{Multi: true}, "error: shelf-admin is on the list of common values, with or without digits around it"},
		{"aaaaaaaaaaaaaaaa", Rules{}, "error: shelf-admin is mostly repeats or sequences"},
		{"1234abcd", Rules{Multi: true}, "error: shelf-admin is on the list of common values, with or without digits around it\nerror: shelf-admin is mostly repeats or sequences"},
		{"dcba98765432zyxw", Rules{}, "error: shelf-admin is mostly repeats or sequences"},
		{"xqwertyuiopasdfgh", Rules{}, "error: shelf-admin is mostly repeats or sequences"},
		{"mk7mk7mk7mk7mk7mk7", Rules{}, "error: shelf-admin is one short piece again and again"},
		{"Xk4pvm7qRt9whh6-5678", Rules{}, "warning: shelf-admin holds a repeat or a sequence"},
		{"mv7Q-Brackwat3r-kk2", Rules{}, "error: shelf-admin holds a name of the unit, its kind or the site"},
		{"mv7Q-skerrymore-kk2", Rules{}, "error: shelf-admin holds a name of the unit, its kind or the site"},
	} {
		findings := tt.rules.Check(tt.value, c)
		if got := told(findings); got != tt.want {
			t.Errorf("%q:\ngot  %s\nwant %s", tt.value, got, tt.want)
		}
		for _, f := range findings {
			if f.Why == "" || f.Mend == "" || f.Of != "shelf-admin" {
				t.Errorf("%q: %+v", tt.value, f)
			}
		}
	}
}

// No finding repeats the value.
func TestFindingsDoNotShowTheValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.StringMatching(`[QZXJ]{3}[ -~]{1,20}`).Draw(t, "value")
		rules := Rules{MinLen: rapid.IntRange(0, 30).Draw(t, "min"), Allowed: rapid.SampledFrom([]string{"", Digits}).Draw(t, "allowed"), Need: []string{Digits, Marks}}
		for _, f := range rules.Check(value, Context{Factory: []string{value}, Others: map[string]string{"other": value}, Words: []string{value}}) {
			if strings.Contains(fmt.Sprint(f), value) || strings.Contains(fmt.Sprint(f), value[:3]) {
				t.Fatalf("%q shows in %+v", value, f)
			}
		}
	})
}

func TestCommonListIsOurs(t *testing.T) {
	if n := len(commonWords); n < 36 || n > 120 {
		t.Errorf("%d words: a few dozen were meant", n)
	}
}

// Counted by writing all values out: small languages against their formula.
func TestCountByEnumeration(t *testing.T) {
	for _, l := range []language{
		{alphabet: []rune("ab"), length: 3},
		{alphabet: []rune("abc"), length: 4, need: []string{"a"}},
		{alphabet: []rune("abcd"), length: 5, need: []string{"ab", "c"}},
		{alphabet: []rune("abcd"), length: 4, need: []string{"ab", "bc", "d"}},
		{alphabet: []rune("ab"), length: 2, need: []string{"a", "b", "x"}},
	} {
		n := int64(0)
		l.each(nil, func(chars []rune) {
			if l.meets(chars) {
				n++
			}
		})
		if got := l.count(); got.Cmp(big.NewInt(n)) != 0 {
			t.Errorf("%+v: %v, written out %d", l, got, n)
		}
	}
}

func (l language) each(chars []rune, do func([]rune)) {
	if len(chars) == l.length {
		do(chars)
		return
	}
	for _, c := range l.alphabet {
		l.each(append(chars, c), do)
	}
}

// Entropy against figures worked out by hand: log2 of the number of values.
func TestEntropy(t *testing.T) {
	for _, tt := range []struct {
		rules Rules
		want  float64
	}{
		{Rules{}, 16 * math.Log2(56)}, // 24 + 24 letters and 8 digits
		{Rules{Allowed: Digits, MaxLen: 6}, 6 * math.Log2(8)},
		{Rules{Allowed: "01", MaxLen: 8}, 8},
		{Rules{MaxLen: 12}, 12 * math.Log2(56)},
		// One digit at least: 56^16 less 48^16.
		{Rules{Need: []string{Digits}}, math.Log2(math.Pow(56, 16) - math.Pow(48, 16))},
		// A mark is met by the hyphens.
		{Rules{Need: []string{Marks}}, 16 * math.Log2(56)},
	} {
		_, bits, err := Generate(tt.rules, rand.Reader)
		if err != nil || math.Abs(bits-tt.want) > 1e-9 {
			t.Errorf("%+v: %v bits, %v; want %v", tt.rules, bits, err, tt.want)
		}
	}
	if got := log2(new(big.Int).Lsh(big.NewInt(1), 3000)); got != 3000 {
		t.Errorf("log2 of 2^3000 = %v", got)
	}
}

// All values of a small language come, equally often: chi-square has a mean of
// its degrees of freedom and a variance of twice that (textbook; from memory),
// and stays within four standard deviations. The seed is fixed.
func TestUniform(t *testing.T) {
	rules := Rules{Allowed: "abcd", MaxLen: 3, Need: []string{"ab", "c"}}
	l, err := rules.language()
	if err != nil {
		t.Fatal(err)
	}
	seen := make(map[string]int)
	l.each(nil, func(chars []rune) {
		if l.meets(chars) {
			seen[string(chars)] = 0
		}
	})
	const each = 400
	draws := each * len(seen)
	random := randv2.NewChaCha8([32]byte{63, 4})
	for range draws {
		value, _, err := Generate(rules, random)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := seen[value]; !ok {
			t.Fatalf("%q is not in the language", value)
		}
		seen[value]++
	}
	chi := 0.0
	for _, n := range seen {
		chi += float64((n-each)*(n-each)) / each
	}
	freedom := float64(len(seen) - 1)
	if limit := freedom + 4*math.Sqrt(2*freedom); chi > limit {
		t.Errorf("chi-square %v over %d values, at most %v expected", chi, len(seen), limit)
	}
	t.Logf("%d values, chi-square %.1f", len(seen), chi)
}

// Whatever a unit takes, the value made is one that it takes, of the easy
// characters where it can be, and its check finds no error.
func TestGeneratedIsAccepted(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := Rules{MinLen: rapid.IntRange(0, 40).Draw(rt, "min"), Multi: rapid.Bool().Draw(rt, "multi"),
			Allowed: rapid.SampledFrom([]string{"", Lower + Digits, Lower + Upper + Digits, Lower + Upper + Digits + "-", Digits, Lower + Upper + Digits + "!#%"}).Draw(rt, "allowed")}
		if rapid.Bool().Draw(rt, "limited") {
			r.MaxLen = max(r.MinLen, 6) + rapid.IntRange(0, 20).Draw(rt, "room")
		}
		for _, set := range []string{Lower, Upper, Digits, Marks} {
			if strings.ContainsAny(r.allowed(), set) && rapid.Bool().Draw(rt, "need") {
				r.Need = append(r.Need, set)
			}
		}
		value, bits, err := Generate(r, rand.Reader)
		if err != nil {
			rt.Fatal(err)
		}
		for _, f := range r.Check(value, Context{}) {
			if f.Severity == "error" && f.What != "the secret is shorter than 8 characters" && f.What != "the secret is mostly repeats or sequences" {
				rt.Fatalf("%q by %+v: %+v", value, r, f)
			}
		}
		if n := utf8.RuneCountInString(value); n < r.MinLen || r.MaxLen > 0 && n > r.MaxLen || bits <= 0 {
			rt.Fatalf("%q by %+v: %d characters, %v bits", value, r, n, bits)
		}
		if strings.ContainsAny(value, "lo|I1O0") {
			rt.Fatalf("%q has characters that look alike", value)
		}
	})
}

func TestGroups(t *testing.T) {
	value, _, err := Generate(Rules{}, rand.Reader)
	if err != nil || len(value) != 19 || value[4] != '-' || value[9] != '-' || value[14] != '-' {
		t.Errorf("%q, %v", value, err)
	}
	if value, _, _ = Generate(Rules{MaxLen: 18}, rand.Reader); len(value) != 16 || strings.Contains(value, "-") {
		t.Errorf("no room for groups: %q", value)
	}
}

func TestRulesThatNothingMeets(t *testing.T) {
	for _, tt := range []struct {
		rules Rules
		want  string
	}{
		{Rules{MinLen: 9, MaxLen: 8}, "make a secret: the unit takes 9 to 8 characters; mend its rules"},
		{Rules{Allowed: Lower, Need: []string{Digits}}, "make a secret: no value of 16 characters has one of each set that the unit needs, of the characters that it takes; mend its rules"},
		{Rules{MaxLen: 1, Need: []string{Lower, Digits}}, "make a secret: no value of 1 characters has one of each set that the unit needs, of the characters that it takes; mend its rules"},
		{Rules{Allowed: "x"}, "make a secret: the unit takes fewer than two characters; mend its rules"},
		{Rules{MinLen: 600}, "make a secret: the unit asks for 600 characters, and a secret has at most 1024 bytes; mend its rules"},
	} {
		if value, _, err := Generate(tt.rules, rand.Reader); err == nil || err.Error() != tt.want {
			t.Errorf("%+v: %q, %v", tt.rules, value, err)
		}
	}
}

func TestBadRandomSources(t *testing.T) {
	for name, random := range map[string]interface{ Read([]byte) (int, error) }{
		"short": bytes.NewReader([]byte("abc")), "failing": iotest.ErrReader(iotest.ErrTimeout), "all ones": same(0xff),
	} {
		if value, _, err := Generate(Rules{}, random); err == nil {
			t.Errorf("%s: %q", name, value)
		}
	}
	if value, _, err := Generate(Rules{Need: []string{Digits}}, same(0)); err == nil {
		t.Errorf("all zeros: %q", value)
	}
}

type same byte

func (s same) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(s)
	}
	return len(p), nil
}
