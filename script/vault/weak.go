package vault

import (
	"strings"
	"unicode"
)

// commonWords are of our own compilation: what people write when they must
// write something. They are compared after fold.
var commonWords = func() map[string]bool {
	words := make(map[string]bool)
	for w := range strings.FieldsSeq(`
		password passwort passwd pass passphrase pass-word secret secret-word letmein let-me-in welcome welcome-home
		admin administrator root superuser toor guest user operator supervisor manager service support default
		changeme change-me change-it replace-me temp temporary test testing tester demo example sample setup install
		login logon signin enter access open opensesame master monkey dragon sunshine princess football baseball
		iloveyou trustno1 whatever nothing none qwerty qwertz azerty asdfgh zxcvbn abc abcd abcdef
		system network switch router server storage console factory initial private public community
		spring summer autumn winter january monday company office house correct-horse correct-horse-battery-staple`) {
		words[fold(w)] = true
	}
	return words
}()

// common refuses a value that is a common word, alone or with digits and marks
// around it, or twice.
func (k *check) common() {
	core := strings.TrimFunc(strings.ToLower(k.value), func(c rune) bool { return !unicode.IsLetter(c) })
	half := k.folded[:len(k.folded)/2]
	if commonWords[k.folded] || commonWords[fold(core)] || commonWords[half] && half+half == k.folded {
		k.find("error", "%s is on the list of common values, with or without digits around it", sourceBlock, "make a new one")
	}
}

// fold makes alike what people take as alike: capitals, usual replacements,
// and marks in between.
func fold(s string) string {
	var b strings.Builder
	for _, c := range strings.ToLower(s) {
		switch c {
		case '0':
			c = 'o'
		case '1', '!', '|':
			c = 'i'
		case '3':
			c = 'e'
		case '4', '@':
			c = 'a'
		case '5', '$':
			c = 's'
		case '7', '+':
			c = 't'
		}
		if unicode.IsLetter(c) || unicode.IsDigit(c) {
			b.WriteRune(c)
		}
	}
	return b.String()
}

// weakRun is how many characters in a row make a repeat or a sequence.
const weakRun = 4

// patterns finds repeats (aaaa), sequences (1234, dcba), rows of the keyboard
// and blocks written again and again. Where they make up half of the value it
// is refused.
func (k *check) patterns() {
	chars := []rune(strings.ToLower(k.value))
	if len(chars) < weakRun {
		return
	}
	covered := inRuns(chars)
	switch {
	case covered*2 >= len(chars):
		k.find("error", "%s is mostly repeats or sequences", sourceBlock, "make a new one")
	case repeatsBlock(chars):
		k.find("error", "%s is one short piece again and again", sourceBlock, "make a new one")
	case covered > 0:
		k.find("warning", "%s holds a repeat or a sequence", sourceBlock, "take it out, unless chance made it: in a generated value it takes nothing from its entropy")
	}
}

// inRuns counts the characters that stand in a repeat or a sequence of at
// least weakRun.
func inRuns(chars []rune) int {
	in := make([]bool, len(chars))
	for _, follows := range []func(a, b rune) bool{
		func(a, b rune) bool { return a == b },
		func(a, b rune) bool { return sameKind(a, b) && b == a+1 },
		func(a, b rune) bool { return sameKind(a, b) && b == a-1 },
		func(a, b rune) bool { return keyAfter(a, b) },
		func(a, b rune) bool { return keyAfter(b, a) },
	} {
		start := 0
		for i := 1; i <= len(chars); i++ {
			if i < len(chars) && follows(chars[i-1], chars[i]) {
				continue
			}
			if i-start >= weakRun {
				for j := start; j < i; j++ {
					in[j] = true
				}
			}
			start = i
		}
	}
	n := 0
	for _, b := range in {
		if b {
			n++
		}
	}
	return n
}

func sameKind(a, b rune) bool {
	return unicode.IsLetter(a) && unicode.IsLetter(b) || unicode.IsDigit(a) && unicode.IsDigit(b)
}

// keyAfter says whether b stands right of a on common keyboards.
func keyAfter(a, b rune) bool {
	for _, row := range [...]string{"1234567890", "qwertyuiop", "qwertzuiop", "azertyuiop", "asdfghjkl", "qsdfghjklm", "zxcvbnm", "yxcvbnm", "wxcvbn"} {
		if i := strings.IndexRune(row, a); i >= 0 && i+1 < len(row) && rune(row[i+1]) == b {
			return true
		}
	}
	return false
}

// repeatsBlock says whether the whole is a piece of at most a third of it,
// again and again.
func repeatsBlock(chars []rune) bool {
	for size := 1; size <= len(chars)/3; size++ {
		same := true
		for i := size; i < len(chars) && same; i++ {
			same = chars[i] == chars[i-size]
		}
		if same {
			return true
		}
	}
	return false
}
