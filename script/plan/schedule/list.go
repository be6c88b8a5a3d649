package schedule

import (
	"cmp"
	"container/heap"
	"slices"
	"time"
)

// A list schedule never lets a technician or a line stand idle while there is
// work that could start: at every moment it starts what is first on its list
// among what can start. Whatever the list, its makespan C is bounded:
//
//	C <= K + WL/L + WT/T
//
// where K is the longest unit with those that it comes after, WL the lines'
// work, WT the technicians'. Proof, after Graham 1966: go back from the unit
// that is ready last. Its session started at S and could have from r on; all
// the time from r to S every line or every technician was busy, else it would
// have started. At r ended either the ready time of a unit it comes after,
// from which one goes on in the same way, or its unwatched boot; its hands
// began when a technician was first free. So at each moment before C a part
// of one path through the batch goes on, or all lines are busy, or all
// technicians are. The three times are at most K, WL/L and WT/T, none of them
// longer than the shortest schedule: C is at most three times as long, and
// less where lines or technicians never hold a unit up.

// guarantee is the ratio that the best of the list schedules cannot exceed.
func (w *work) guarantee() (ratio float64, proof string) {
	technicians, waits, boots, after := false, false, false, false
	for i, u := range w.units {
		technicians = technicians || u.Hands > 0 || w.move(i) > 0
		waits = waits || u.Wait > 0
		boots = boots || w.unwatched(i) > 0
		after = after || len(u.readyBefore) > 0
	}
	lines := float64(w.Lines)
	switch {
	case !technicians && !waits && !boots && !after:
		return 4./3 - 1/(3*lines), "longest first on equal lines: 4/3 - 1/(3L), Graham 1969 (from memory)"
	case !technicians && !waits && !boots:
		return 2 - 1/lines, "any list on equal lines with an order to keep: 2 - 1/L, Graham 1966 (from memory)"
	case !technicians:
		return 2, "no time passes but on a path or with all lines busy: 2, after Graham 1966"
	case w.Lines == len(w.units):
		return 2, "no time passes but on a path or with all technicians busy: 2, after Graham 1966"
	}
	return 3, "no time passes but on a path, with all lines busy or with all technicians busy: 3, after Graham 1966"
}

// rule is a list: what comes first among what can start.
type rule struct {
	hands    func(w *work, i int) time.Duration // the largest first
	sessions func(w *work, i int) time.Duration
	between  func(hands, session time.Duration) bool // whether the work by hand comes before a session
}

func longestHands(w *work, i int) time.Duration     { return w.unwatched(i) + w.tail[i] }
func longestSession(w *work, i int) time.Duration   { return w.tail[i] }
func shortestHands(w *work, i int) time.Duration    { return -w.units[i].Hands - w.unwatched(i) }
func sessionsFirst(_, _ time.Duration) bool         { return false }
func handsFirst(_, _ time.Duration) bool            { return true }
func longerFirst(hands, session time.Duration) bool { return hands > session }

// rules are tried in this order; of equal schedules the first is kept. The
// first is longest-first wherever only lines count.
var rules = [...]rule{
	{longestHands, longestSession, sessionsFirst},
	{longestHands, longestSession, longerFirst},
	{longestHands, longestSession, handsFirst},
	{twoMachines, longestSession, sessionsFirst},
	{shortestHands, longestSession, sessionsFirst},
}

// twoMachines ranks units as is best for two machines in a row (Johnson
// 1954, from memory): those that are done by hand sooner than on the line
// come first, the quickest by hand leading; the others follow, the quickest
// on the line at the end.
func twoMachines(w *work, i int) time.Duration {
	if byHand := w.units[i].Hands + w.unwatched(i); byHand <= w.tail[i] {
		return longest - byHand
	}
	return w.tail[i] - longest
}

// placement says when each unit's two pieces of a technician's work start,
// and who and what serves it.
type placement struct {
	handsAt, connectAt       []time.Duration
	handsBy, connectBy, line []int
	makespan                 time.Duration
}

func newPlacement(n int) placement {
	nobody := func() []int { return slices.Repeat([]int{-1}, n) }
	return placement{make([]time.Duration, n), make([]time.Duration, n), nobody(), nobody(), nobody(), 0}
}

// bestList is the shortest of the list schedules; none is tried after one
// that meets the bound.
func (w *work) bestList(bound time.Duration) placement {
	var best placement
	for k, r := range rules {
		p := w.list(r)
		if k == 0 || p.makespan < best.makespan {
			best = p
		}
		if best.makespan == bound {
			break
		}
	}
	return best
}

// lister makes one list schedule. Its cost is n log n: each piece of work
// goes through a heap or two, each moment on which something ends is
// looked at once.
type lister struct {
	*work
	placement
	rule               rule
	now                time.Duration
	technicians, lines queue           // by when they are free
	hands, ready       queue           // by rule: what could start if someone were free
	coming             queue           // sessions by when they can start
	open               []int           // what each session still has to wait for
	release            []time.Duration // until when, as far as known
}

func (w *work) list(r rule) placement {
	n := len(w.units)
	l := lister{work: w, placement: newPlacement(n), rule: r, open: make([]int, n), release: make([]time.Duration, n)}
	for k := range w.Technicians {
		l.technicians = append(l.technicians, entry{0, k})
	}
	for k := range w.Lines {
		l.lines = append(l.lines, entry{0, k})
	}
	for i, u := range w.units {
		l.open[i] = len(u.readyBefore) + 1 // one for its own hands and boot
	}
	for i, u := range w.units {
		if u.Hands > 0 {
			heap.Push(&l.hands, entry{-r.hands(w, i), i})
		} else {
			l.opened(i, w.unwatched(i))
		}
	}
	for l.startOne() || l.advance() {
	}
	return l.placement
}

// opened notes that one thing the session of a unit had to wait for is over
// from a moment on.
func (l *lister) opened(i int, from time.Duration) {
	l.release[i] = max(l.release[i], from)
	if l.open[i]--; l.open[i] > 0 {
		return
	}
	if l.session(i) == 0 {
		l.begin(i, l.release[i])
		return
	}
	heap.Push(&l.coming, entry{l.release[i], i})
}

// startOne starts the first piece of work that can start now.
func (l *lister) startOne() bool {
	for len(l.coming) > 0 && l.coming[0].key <= l.now {
		i := heap.Pop(&l.coming).(entry).number
		heap.Push(&l.ready, entry{-l.rule.sessions(l.work, i), i})
	}
	someone := l.technicians[0].key <= l.now
	canHands := len(l.hands) > 0 && someone
	canConnect := len(l.ready) > 0 && l.lines[0].key <= l.now && (someone || l.MoveCable == 0)
	switch {
	case canHands && (!canConnect || l.rule.between(-l.hands[0].key, -l.ready[0].key)):
		l.startHands(heap.Pop(&l.hands).(entry).number)
	case canConnect:
		l.connect(heap.Pop(&l.ready).(entry).number)
	}
	return canHands || canConnect
}

func (l *lister) startHands(i int) {
	l.handsAt[i] = l.now
	l.handsBy[i] = l.technicians.occupy(l.now + l.units[i].Hands)
	l.opened(i, l.now+l.units[i].Hands+l.unwatched(i))
}

func (l *lister) connect(i int) {
	l.line[i] = l.lines.occupy(l.now + l.session(i))
	if l.MoveCable > 0 {
		l.connectBy[i] = l.technicians.occupy(l.now + l.MoveCable)
	}
	l.begin(i, l.now)
}

// begin notes a session's start and what hangs on it.
func (l *lister) begin(i int, at time.Duration) {
	l.connectAt[i] = at
	ready := at + l.session(i) + l.units[i].Wait
	l.makespan = max(l.makespan, ready)
	for _, next := range l.units[i].neededBefore {
		l.opened(next, ready)
	}
}

// advance goes on to the next moment at which something can start.
func (l *lister) advance() bool {
	next := time.Duration(-1)
	sooner := func(t time.Duration) {
		if next < 0 || t < next {
			next = t
		}
	}
	if len(l.hands) > 0 {
		sooner(l.technicians[0].key)
	}
	if len(l.ready) > 0 {
		free := l.lines[0].key
		if l.MoveCable > 0 {
			free = max(free, l.technicians[0].key)
		}
		sooner(free)
	}
	if len(l.coming) > 0 {
		sooner(l.coming[0].key)
	}
	l.now = max(l.now, next)
	return next >= 0
}

// entry is a unit, a line or a technician in a queue.
type entry struct {
	key    time.Duration
	number int
}

// queue is a heap by key, then by number: equal entries have one order.
type queue []entry

func (q queue) Len() int           { return len(q) }
func (q queue) Less(i, j int) bool { return compareEntries(q[i], q[j]) < 0 }
func (q queue) Swap(i, j int)      { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)        { *q = append(*q, x.(entry)) }
func (q *queue) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}

// occupy takes the first of the queue until a moment, and gives its number.
func (q queue) occupy(until time.Duration) int {
	number := q[0].number
	q[0].key = until
	heap.Fix(&q, 0)
	return number
}

func compareEntries(a, b entry) int {
	return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.number, b.number))
}

// schedule writes a placement out, phase by phase.
func (w *work) schedule(p placement) Schedule {
	s := Schedule{Makespan: p.makespan}
	for i, u := range w.units {
		a := Assignment{Unit: u.Name, Line: p.line[i] + 1, HandsBy: p.handsBy[i] + 1, ConnectBy: p.connectBy[i] + 1}
		a.Hands = Span{p.handsAt[i], p.handsAt[i] + u.Hands}
		a.Connect = Span{p.connectAt[i], p.connectAt[i] + w.move(i)}
		a.Boot = Span{a.Hands.End, a.Hands.End + u.Boot}
		talk := a.Connect.End
		if u.BootWatched {
			a.Boot = Span{a.Connect.End, a.Connect.End + u.Boot}
			talk = a.Boot.End
		}
		a.Dialogue = Span{talk, talk + u.Dialogue}
		a.Wait = Span{a.Dialogue.End, a.Dialogue.End + u.Wait}
		s.Assignments = append(s.Assignments, a)
		if u.Hands > 0 {
			s.Steps = append(s.Steps, Step{Technician: a.HandsBy, Unit: u.Name, Span: a.Hands})
		}
		if w.move(i) > 0 {
			s.Steps = append(s.Steps, Step{Technician: a.ConnectBy, Unit: u.Name, Line: a.Line, Span: a.Connect})
		}
	}
	slices.SortStableFunc(s.Steps, func(a, b Step) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Technician, b.Technician), cmp.Compare(a.Line, b.Line))
	})
	return s
}
