package yamlwalk

import "strings"

// Nearest returns the known word that a mistyped one most likely stood for:
// at most a third of its letters changed, and two for a short word. Capitals
// do not count. The first of equals wins.
func Nearest(word string, known []string) (string, bool) {
	best, least := "", max(2, len(word)/3)+1
	if len(word) <= 3 {
		least = 2
	}
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k), least); d < least {
			best, least = k, d
		}
	}
	return best, best != ""
}

// distance counts the letters to put in, take out, change or swap with their
// neighbour to make b of a. From limit on it only says "limit".
func distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := last[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(last[j]+1, row[j-1]+1, change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return min(last[len(b)], limit)
}
