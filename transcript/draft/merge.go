package draft

import (
	"fmt"
	"slices"
	"strings"

	"linehand/script"
)

// merge lays the items of one more session beside those of the others: what
// both have in the same order is one exchange.
func merge(all, more []*item, session int) []*item {
	for _, it := range more {
		it.seen = []int{session}
	}
	var out []*item
	i, j := 0, 0
	for _, pair := range append(alike(all, more), [2]int{len(all), len(more)}) {
		out = append(out, between(all[i:pair[0]], more[j:pair[1]])...)
		if pair[0] < len(all) {
			join(all[pair[0]], more[pair[1]])
			out = append(out, all[pair[0]])
		}
		i, j = pair[0]+1, pair[1]+1
	}
	return out
}

// alike is the longest common run of items, not necessarily next to each
// other.
func alike(a, b []*item) [][2]int {
	length := make([][]int, len(a)+1)
	for i := range length {
		length[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			length[i][j] = max(length[i+1][j], length[i][j+1])
			if a[i].key() == b[j].key() {
				length[i][j] = max(length[i][j], length[i+1][j+1]+1)
			}
		}
	}
	var pairs [][2]int
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch {
		case a[i].key() == b[j].key() && length[i][j] == length[i+1][j+1]+1:
			pairs = append(pairs, [2]int{i, j})
			i, j = i+1, j+1
		case length[i+1][j] >= length[i][j+1]:
			i++
		default:
			j++
		}
	}
	return pairs
}

// between takes what stands between two exchanges that both sessions have.
// Items with the same answer and nearly the same prompt are one in two
// wordings.
func between(a, b []*item) []*item {
	if len(a) == len(b) {
		for i := range a {
			p, ok := unify(a[i].raw, b[i].raw)
			if ok && a[i].class == b[i].class && a[i].press == "" && a[i].ans.template == b[i].ans.template && !a[i].ans.literal {
				a[i].prompts[0] = p
				join(a[i], b[i])
				b = slices.Delete(slices.Clone(b), i, i+1)
				return append(a[:i+1:i+1], between(a[i+1:], b[i:])...)
			}
		}
	}
	return append(slices.Clone(a), b...)
}

// join makes one exchange of two: what both may mean is what is meant.
func join(a, b *item) {
	a.seen = append(a.seen, b.seen...)
	a.times, a.some, a.atOnce = max(a.times, b.times), a.some || b.some, a.atOnce || b.atOnce
	a.doubts(b)
	for _, words := range b.refused {
		if !slices.Contains(a.refused, words) {
			a.refused = append(a.refused, words)
		}
	}
	for _, r := range b.reads {
		if !slices.ContainsFunc(a.reads, func(x read) bool { return x.what == r.what }) {
			a.reads = append(a.reads, r)
		}
	}
	if a.when != b.when {
		a.when = ""
	}
	if a.needed != b.needed {
		a.needed = ""
	}
}

// doubts settles what the answer means, and keeps the doubts of both but
// those that the other session has cleared.
func (a *item) doubts(b *item) {
	if a.ans.template != b.ans.template {
		both := slices.DeleteFunc(slices.Clone(a.ans.exprs), func(e string) bool { return !slices.Contains(b.ans.exprs, e) })
		switch {
		case len(both) > 0:
			a.ans.template, a.ans.exprs = both[0], both
		case a.ans.literal && !b.ans.literal && a.secret == "":
			a.mark("%q in one session, and %s in another: which is it?", a.shown, b.ans.template)
		default:
			a.mark("%q in one session, and %q in another: what is the rule?", a.shown, b.shown)
		}
	}
	// Typed alike twice: it is the same for all, and was read rightly.
	alike := a.ans.template == b.ans.template
	cleared := func(m string) bool {
		return alike && (strings.HasPrefix(m, readOff) || strings.HasSuffix(m, forEvery) && a.shown == b.shown) || !alike && strings.HasSuffix(m, forEvery)
	}
	a.marks = slices.DeleteFunc(a.marks, cleared)
	for _, m := range b.marks {
		if !cleared(m) {
			a.mark("%s", m)
		}
	}
}

// settle decides about items that not every session has.
func settle(items []*item, sessions []Session) {
	modes := make([]string, len(sessions))
	for i, s := range sessions {
		c, _ := s.Unit.Values["cluster"].(script.ClusterValues)
		modes[i] = c.Mode
	}
	for _, it := range items {
		if len(it.seen) == len(sessions) {
			continue
		}
		mode := modeOf(it.seen, modes)
		switch {
		case mode != "" && (it.question || it.when != ""):
			it.when, it.needed, it.some = fmt.Sprintf("cluster.mode == %q", mode), "", true
		case mode != "":
			it.needed = fmt.Sprintf("cluster.mode == %q", mode)
		case it.class == commands:
			it.mark("%q was typed in %d of %d sessions: is it needed?", it.shown, len(it.seen), len(sessions))
		default:
			it.some, it.needed = true, ""
		}
	}
	if len(sessions) == 1 {
		soleMode(items, modes[0])
	}
}

// modeOf is the cluster mode that exactly the sessions seen have; "" when it
// is not that what tells them from the others.
func modeOf(seen []int, modes []string) string {
	mode := modes[seen[0]]
	for i, m := range modes {
		if (m == mode) != slices.Contains(seen, i) {
			return ""
		}
	}
	return mode
}

// soleMode says that only one way was seen.
func soleMode(items []*item, mode string) {
	other := map[string]string{"start": "joins", "join": "starts"}[mode]
	if other == "" {
		return
	}
	for _, it := range items {
		if it.when != "" {
			it.mark("only a unit with cluster.mode %q was seen: what does one that %s a cluster ask?", mode, other)
			return
		}
	}
}
