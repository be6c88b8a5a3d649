package vault

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// The least lengths of NIST SP 800-63B-4 3.1.1.2 (2025, as quoted), in
// characters.
const (
	SoleFactorLen = 15 // of a password that is the only factor
	MultiLen      = 8  // of one that is part of multi-factor
)

// Sources of the rules.
const (
	sourceLength  = "NIST SP 800-63B-4 3.1.1.2, as quoted: 15 characters where the password is the only factor, 8 as part of multi-factor; its rules bind who verifies, and a unit's own firmware may set others"
	sourceBlock   = "NIST SP 800-63B 5.1.1.2 and 63B-4 3.1.1.2: compare with a list of common values, repeats, sequences and words of the context"
	sourceFactory = "NIST SP 800-53 rev. 5 IA-5 e and IA-5(5): change default authenticators before first use; ETSI EN 303 645 5.1"
	sourceShared  = "a secret that is known for one purpose opens the other; common practice, and NIST SP 800-53 rev. 5 IA-5 g"
	sourceUnit    = "the unit's own limit"
)

// Rules say what a unit takes as a secret. The zero Rules take all printing
// ASCII and the blank, of any length, as NIST SP 800-63B asks of a verifier.
type Rules struct {
	MinLen, MaxLen int    // characters that the unit takes; 0: no limit stated
	Allowed        string // characters that the unit and its console take; "": printing ASCII and the blank
	// Need lists sets of characters, of each of which the unit wants one.
	// (SP 800-63B advises against such rules; some units have them.)
	Need []string
	// Multi says that the secret is only a part of multi-factor
	// authentication: 8 characters do in place of 15.
	Multi bool
}

// The sets that Rules.Need and Rules.Allowed are usually made of.
const (
	Lower  = "abcdefghijklmnopqrstuvwxyz"
	Upper  = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	Digits = "0123456789"
	Marks  = "!\"#$%&'()*+,-./:;<=>?@[\\]^_`{|}~"
)

const printing = Lower + Upper + Digits + Marks + " "

func (r Rules) allowed() string {
	if r.Allowed == "" {
		return printing
	}
	return r.Allowed
}

// Context is what a value is compared with.
type Context struct {
	Name    string            // of the secret, for the findings
	Factory []string          // factory values of the kind of unit
	Others  map[string]string // values of the other secrets, by name
	Words   []string          // names of unit, site, kind, customer
}

// Finding is something to mend. It never shows any of the value. Of names the
// secret; Why has the source.
type Finding struct {
	Severity string // "error", "warning" or "note"
	Of       string
	What     string
	Why      string
	Mend     string
}

// Check compares a value with the rules and its context, and reports all that
// is wrong.
func (r Rules) Check(value string, c Context) []Finding {
	k := &check{value: value, folded: fold(value), context: c}
	k.length(r)
	k.characters(r)
	k.known()
	k.common()
	k.patterns()
	k.words()
	return k.findings
}

type check struct {
	value, folded string
	context       Context
	findings      []Finding
}

// find puts the name of the secret in the place of the first %s.
func (k *check) find(severity, what, why, mend string) {
	name := k.context.Name
	if name == "" {
		name = "the secret"
	}
	k.findings = append(k.findings, Finding{severity, k.context.Name, strings.Replace(what, "%s", name, 1), why, mend})
}

// length checks the unit's limits first, and then says where they, or the
// value, fall short of what SP 800-63B asks for.
func (k *check) length(r Rules) {
	n := utf8.RuneCountInString(k.value)
	want := SoleFactorLen
	if r.Multi {
		want = MultiLen
	}
	long := fmt.Sprintf("choose one of %d characters or more", max(want, r.MinLen))
	if r.MaxLen > 0 && r.MaxLen < want {
		long = fmt.Sprintf("choose one of %d characters, the most that the unit takes, and keep others off its network", r.MaxLen)
	}
	switch {
	case n == 0:
		k.find("error", "%s is empty", sourceUnit, long)
	case n < r.MinLen:
		k.find("error", fmt.Sprintf("%%s is shorter than the %d characters that the unit asks for", r.MinLen), sourceUnit, long)
	case r.MaxLen > 0 && n > r.MaxLen:
		k.find("error", fmt.Sprintf("%%s is longer than the %d characters that the unit takes", r.MaxLen), sourceUnit+"; some units cut off the rest unsaid", fmt.Sprintf("choose one of at most %d characters", r.MaxLen))
	case n < MultiLen && (r.MaxLen == 0 || r.MaxLen >= MultiLen):
		k.find("error", fmt.Sprintf("%%s is shorter than %d characters", MultiLen), sourceLength, long)
	case n < want && r.MaxLen > 0 && r.MaxLen < want:
		k.find("warning", fmt.Sprintf("%%s is shorter than %d characters, and the unit takes at most %d", want, r.MaxLen), sourceLength, long)
	case n < want:
		k.find("warning", fmt.Sprintf("%%s is shorter than %d characters", want), sourceLength, long)
	}
}

// characters names places, not what stands there.
func (k *check) characters(r Rules) {
	if strings.TrimFunc(k.value, unicode.IsSpace) != k.value {
		k.find("error", "%s starts or ends with a blank", "a console or a form may cut it off unseen; common practice, no source", "take the blank out")
	}
	place := 0
	for _, c := range k.value {
		place++
		if !strings.ContainsRune(r.allowed(), c) || unicode.IsControl(c) {
			k.find("error", fmt.Sprintf("character %d of %%s is one that the unit's console does not take", place), sourceUnit, "use only the characters that it takes")
			break
		}
	}
	for i, set := range r.Need {
		if !strings.ContainsAny(k.value, set) {
			k.find("error", fmt.Sprintf("%%s lacks a character of set %d of %d, one of which the unit wants: %s", i+1, len(r.Need), setName(set)), sourceUnit, "put one in")
		}
	}
}

func setName(set string) string {
	for s, name := range map[string]string{Lower: "a small letter", Upper: "a capital", Digits: "a digit", Marks: "a mark"} {
		if s == set {
			return name
		}
	}
	return "any of " + set
}

// known compares with factory values and with the other secrets.
func (k *check) known() {
	for _, f := range k.context.Factory {
		if f != "" && strings.EqualFold(f, k.value) {
			k.find("error", "%s is a factory value", sourceFactory, "make a new one")
			break
		}
	}
	same := ""
	for name, other := range k.context.Others {
		if name != k.context.Name && other == k.value && other != "" && (same == "" || name < same) {
			same = name
		}
	}
	if same != "" {
		k.find("error", fmt.Sprintf("%%s is the same as %s", same), sourceShared, "make a new one for one of the two")
	}
}

// words looks for names that an attacker would try first.
func (k *check) words() {
	for _, w := range k.context.Words {
		for part := range strings.FieldsFuncSeq(w, func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) }) {
			if part := fold(part); len(part) >= 4 && strings.Contains(k.folded, part) {
				k.find("error", "%s holds a name of the unit, its kind or the site", sourceBlock, "make one without such names")
				return
			}
		}
	}
}
