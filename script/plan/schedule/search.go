package schedule

import (
	"cmp"
	"slices"
	"time"
)

// searcher goes through all schedules in which each piece of work starts as
// early as it can, but not before the piece started last. Among them is a
// shortest one: take a shortest schedule and start its pieces again in the
// order of their starts; none then starts later than before.
type searcher struct {
	*work
	best    placement
	found   []piece // of the best
	bound   time.Duration
	left    int // steps
	path    []piece
	seen    map[[2]uint][][]time.Duration
	follows []int // units, most after their session first
}

// piece is a piece of a technician's work: by hand, or moving a cable and the
// session that goes with it.
type piece struct {
	unit    int
	session bool
	start   time.Duration
}

// state is what the pieces so far have left.
type state struct {
	now                time.Duration // start of the last piece
	hands, sessions    uint          // bit i: unit i's piece is placed
	technicians, lines []time.Duration
	release            []time.Duration // earliest start of the session, as far as known
	ready              []time.Duration
	makespan           time.Duration
}

// search looks for a schedule shorter than best until there is none, the
// bound is met, or it has taken so many steps. It tells whether the result is
// the shortest.
func (w *work) search(best placement, bound time.Duration, steps int) (placement, bool) {
	n := len(w.units)
	s := &searcher{work: w, best: best, bound: bound, left: steps, seen: make(map[[2]uint][][]time.Duration), follows: slices.Clone(w.order)}
	slices.SortStableFunc(s.follows, func(a, b int) int { return cmp.Compare(w.tail[b]-w.session(b), w.tail[a]-w.session(a)) })
	start := state{
		technicians: make([]time.Duration, w.Technicians), lines: make([]time.Duration, w.Lines),
		release: make([]time.Duration, n), ready: make([]time.Duration, n),
	}
	for i, u := range w.units {
		if u.Hands == 0 {
			start.hands |= 1 << i
			start.release[i] = w.unwatched(i)
		}
	}
	s.settle(&start)
	s.branch(start)
	if s.found != nil {
		best = w.replay(s.found)
	}
	return best, s.left >= 0 || best.makespan == bound
}

func (s *searcher) branch(at state) {
	if s.left--; s.left < 0 {
		return
	}
	if at.sessions == 1<<len(s.units)-1 {
		if at.makespan < s.best.makespan {
			s.best.makespan = at.makespan
			s.found = slices.Clone(s.path)
		}
		return
	}
	if s.hopeless(at) || s.dominated(at) {
		return
	}
	for _, p := range s.next(at) {
		if s.best.makespan == s.bound {
			return
		}
		s.path = append(s.path, p)
		s.branch(s.place(at, p))
		s.path = s.path[:len(s.path)-1]
	}
}

// next lists the pieces that can come next, the earliest first.
func (s *searcher) next(at state) []piece {
	var pieces []piece
	someone, line := slices.Min(at.technicians), slices.Min(at.lines)
	for i, u := range s.units {
		bit := uint(1) << i
		switch {
		case at.hands&bit == 0:
			if !s.twinBefore(i, at.hands, nil) {
				pieces = append(pieces, piece{i, false, max(at.now, someone)})
			}
		case at.sessions&bit == 0 && s.allReady(u, at) && !s.twinBefore(i, at.sessions|^at.hands, at.release):
			start := max(at.now, line, s.released(i, at))
			if s.MoveCable > 0 {
				start = max(start, someone)
			}
			pieces = append(pieces, piece{i, true, start})
		}
	}
	pieces = s.withoutGaps(pieces)
	slices.SortStableFunc(pieces, func(a, b piece) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(s.tail[b.unit], s.tail[a.unit]))
	})
	return pieces
}

// withoutGaps leaves out the pieces that start no earlier than another could
// be over: that one would do no harm in the gap.
func (s *searcher) withoutGaps(pieces []piece) []piece {
	soonest := longest
	for _, p := range pieces {
		takes := s.units[p.unit].Hands
		if p.session {
			takes = s.session(p.unit)
		}
		soonest = min(soonest, p.start+takes)
	}
	return slices.DeleteFunc(pieces, func(p piece) bool { return p.start >= soonest })
}

func (s *searcher) allReady(u Unit, at state) bool {
	for _, before := range u.readyBefore {
		if at.sessions>>before&1 == 0 {
			return false
		}
	}
	return true
}

// released is when a unit's session can start by what is placed so far.
func (s *searcher) released(i int, at state) time.Duration {
	release := at.release[i]
	for _, before := range s.units[i].readyBefore {
		release = max(release, at.ready[before])
	}
	return release
}

// twinBefore tells whether an equal unit should have its turn first: of units
// that differ in nothing it is enough to try one order. Placed units have
// had their turn; of the others the one released first is first.
func (s *searcher) twinBefore(i int, placed uint, release []time.Duration) bool {
	for k := range s.units {
		if k == i || placed>>k&1 == 1 || !s.twins(i, k) {
			continue
		}
		if release == nil || release[k] == release[i] {
			if k < i {
				return true
			}
		} else if release[k] < release[i] {
			return true
		}
	}
	return false
}

func (s *searcher) twins(i, k int) bool {
	a, b := &s.units[i], &s.units[k]
	return a.Hands == b.Hands && a.Boot == b.Boot && a.BootWatched == b.BootWatched && a.Dialogue == b.Dialogue &&
		a.Wait == b.Wait && len(a.neededBefore)+len(b.neededBefore) == 0 && slices.Equal(a.readyBefore, b.readyBefore)
}

// place gives the state after one more piece.
func (s *searcher) place(at state, p piece) state {
	u := s.units[p.unit]
	at.now = p.start
	at.release, at.ready = slices.Clone(at.release), slices.Clone(at.ready)
	if !p.session {
		at.hands |= 1 << p.unit
		at.technicians = occupied(at.technicians, p.start+u.Hands)
		at.release[p.unit] = p.start + u.Hands + s.unwatched(p.unit)
		s.settle(&at)
		return at
	}
	at.sessions |= 1 << p.unit
	at.lines = occupied(at.lines, p.start+s.session(p.unit))
	if s.MoveCable > 0 {
		at.technicians = occupied(at.technicians, p.start+s.MoveCable)
	}
	at.ready[p.unit] = p.start + s.session(p.unit) + u.Wait
	at.makespan = max(at.makespan, at.ready[p.unit])
	s.settle(&at)
	return at
}

// settle gives the units that need no line their ready time as soon as it is
// known: there is nothing to choose.
func (s *searcher) settle(at *state) {
	for _, i := range s.order {
		if at.sessions>>i&1 == 0 && at.hands>>i&1 == 1 && s.session(i) == 0 && s.allReady(s.units[i], *at) {
			at.sessions |= 1 << i
			at.ready[i] = s.released(i, *at) + s.units[i].Wait
			at.makespan = max(at.makespan, at.ready[i])
		}
	}
}

// occupied takes the one that is free first until a moment.
func occupied(free []time.Duration, until time.Duration) []time.Duration {
	free = slices.Clone(free)
	slices.Sort(free)
	free[0] = until
	return free
}

// mostSeen limits what is kept of each set of placed pieces: forgetting costs
// time, never the result.
const mostSeen = 300

// dominated tells whether another order of the same pieces left everything at
// least as early; if not, it keeps this one.
func (s *searcher) dominated(at state) bool {
	left := append(notBefore(at.technicians, at.now), notBefore(at.lines, at.now)...)
	for i := range s.units {
		if at.hands>>i&1 == 1 && at.sessions>>i&1 == 0 {
			left = append(left, max(at.release[i], at.now))
		}
		if at.sessions>>i&1 == 1 && len(s.units[i].neededBefore) > 0 {
			left = append(left, max(at.ready[i], at.now))
		}
	}
	left = append(left, at.makespan)
	key := [2]uint{at.hands, at.sessions}
	for _, other := range s.seen[key] {
		if noneLater(other, left) {
			return true
		}
	}
	kept := slices.DeleteFunc(s.seen[key], func(other []time.Duration) bool { return noneLater(left, other) })
	if len(kept) < mostSeen {
		kept = append(kept, left)
	}
	s.seen[key] = kept
	return false
}

func noneLater(a, b []time.Duration) bool {
	for k := range a {
		if a[k] > b[k] {
			return false
		}
	}
	return true
}

// replay gives the pieces found their technicians and lines.
func (w *work) replay(pieces []piece) placement {
	p := newPlacement(len(w.units))
	technicians, lines := make([]time.Duration, w.Technicians), make([]time.Duration, w.Lines)
	for _, s := range pieces {
		i := s.unit
		if !s.session {
			p.handsAt[i] = s.start
			p.handsBy[i] = take(technicians, s.start+w.units[i].Hands)
			continue
		}
		p.connectAt[i] = s.start
		p.line[i] = take(lines, s.start+w.session(i))
		if w.MoveCable > 0 {
			p.connectBy[i] = take(technicians, s.start+w.MoveCable)
		}
	}
	ready := make([]time.Duration, len(w.units))
	for _, i := range w.order {
		if w.session(i) == 0 {
			p.connectAt[i] = p.handsAt[i] + w.units[i].Hands + w.unwatched(i)
			for _, before := range w.units[i].readyBefore {
				p.connectAt[i] = max(p.connectAt[i], ready[before])
			}
		}
		ready[i] = p.connectAt[i] + w.session(i) + w.units[i].Wait
		p.makespan = max(p.makespan, ready[i])
	}
	return p
}

// take occupies the one that is free first, and gives its number.
func take(free []time.Duration, until time.Duration) int {
	first := 0
	for k, t := range free {
		if t < free[first] {
			first = k
		}
	}
	free[first] = until
	return first
}
