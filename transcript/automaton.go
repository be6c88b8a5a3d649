package transcript

// automaton finds every form of every secret in one pass (Aho and Corasick,
// "Efficient string matching", CACM 18(6), 1975), as a table with one row a
// state. Bytes that no form holds share a column.
type automaton struct {
	class [256]int32
	width int32

	next    []int32 // row offset of the next state, by row offset + class
	depth   []int32 // by state: how many of the last bytes begin some form
	match   []int32 // by state: length of the longest form that ends here, 0 for none
	matched []int32 // by state: whose form that is
	owner   []int32 // by state: whose form begins so
	names   []string

	quiet int64 // how many held bytes may be let go when the line is quiet
}

// build makes the automaton of the secrets' forms. Of two secrets with one
// form, the first gives the name.
func build(secrets []secret) *automaton {
	a := &automaton{width: 1}
	var all [][]string
	shortestForm := 0
	for _, s := range secrets {
		list := forms(s.value)
		all = append(all, list)
		a.names = append(a.names, s.name)
		for _, form := range list {
			a.classify(form)
			if shortestForm == 0 || len(form) < shortestForm {
				shortestForm = len(form)
			}
		}
	}
	a.quiet = int64(min(2, shortestForm/4))
	a.addState(0, 0)
	for i, list := range all {
		for _, form := range list {
			a.insert(form, int32(i))
		}
	}
	a.link()
	return a
}

func (a *automaton) classify(form string) {
	for _, c := range []byte(form) {
		if a.class[c] == 0 {
			a.class[c] = a.width
			a.width++
		}
	}
}

func (a *automaton) addState(depth, owner int32) int32 {
	at := int32(len(a.next))
	a.next = append(a.next, make([]int32, a.width)...)
	a.depth = append(a.depth, depth)
	a.match = append(a.match, 0)
	a.matched = append(a.matched, 0)
	a.owner = append(a.owner, owner)
	return at
}

func (a *automaton) insert(form string, owner int32) {
	at := int32(0)
	for i, c := range []byte(form) {
		to := a.next[at+a.class[c]]
		if to == 0 {
			to = a.addState(int32(i+1), owner)
			a.next[at+a.class[c]] = to
		}
		at = to
	}
	if s := at / a.width; a.match[s] == 0 {
		a.match[s], a.matched[s] = int32(len(form)), owner
	}
}

// link turns the tree into a table without failures, in order of depth.
func (a *automaton) link() {
	fail := make([]int32, len(a.depth)) // row offset, by state
	queue := []int32{0}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		back := fail[at/a.width]
		if s := at / a.width; a.match[s] == 0 {
			a.match[s], a.matched[s] = a.match[back/a.width], a.matched[back/a.width]
		} else if a.isLeaf(at) { // the form is complete: what may go on begins later
			a.depth[s], a.owner[s] = a.depth[back/a.width], a.owner[back/a.width]
		}
		for c := range a.width {
			to := a.next[at+c]
			switch {
			case to == 0 && at != 0:
				a.next[at+c] = a.next[back+c]
			case to != 0:
				if at != 0 {
					fail[to/a.width] = a.next[back+c]
				}
				queue = append(queue, to)
			}
		}
	}
}

func (a *automaton) isLeaf(at int32) bool {
	for _, to := range a.next[at : at+a.width] {
		if to != 0 {
			return false
		}
	}
	return true
}
