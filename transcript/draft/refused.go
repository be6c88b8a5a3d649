package draft

import (
	"regexp"
	"slices"
	"strings"
)

var refusal = regexp.MustCompile(`(?i)\b(?:refused|wrong|incorrect|invalid|error|differ|do(?:es)? not match|did not match|not the same|denied|fail(?:ed|ure)?|not admitted|too (?:short|simple|long|weak)|bad|must|try again|not (?:a )?valid|out of range)\b`)

// withoutRefused finds answers that were given again after words of refusal.
// What comes after is kept, with those words.
func withoutRefused(turns []turn) []turn {
	for i := 0; i < len(turns); i++ {
		for n := 1; n <= 3 && i+2*n <= len(turns); n++ {
			words := refusedWith(turns[i+n-1])
			if words == "" || !samePrompts(turns[i:i+n], turns[i+n:i+2*n]) || commandLike(turns[i].prompt) {
				continue
			}
			last := &turns[i+2*n-1]
			last.refused = append(last.refused, append(turns[i+n-1].refused, words)...)
			turns = slices.Delete(turns, i, i+n)
			i, n = max(i-1, 0), 0
		}
	}
	return turns
}

func refusedWith(t turn) string {
	for _, line := range t.reply {
		if refusal.MatchString(line) {
			return strings.TrimSpace(line)
		}
	}
	return ""
}

func samePrompts(a, b []turn) bool {
	return slices.EqualFunc(a, b, func(x, y turn) bool { return x.prompt == y.prompt && x.press == y.press })
}

func commandLike(prompt string) bool {
	return strings.HasSuffix(prompt, "#") || strings.HasSuffix(prompt, "$") || strings.HasSuffix(prompt, ">") || strings.HasSuffix(prompt, "%")
}

// refusedBy is the words of a refusal without what may change.
func refusedBy(words string) string {
	if i := strings.IndexAny(words, ":."); i > 8 {
		words = words[:i]
	}
	if i := digits.FindStringIndex(words); i != nil && i[0] > 8 {
		words = words[:i[0]]
	}
	return strings.TrimSpace(words)
}
