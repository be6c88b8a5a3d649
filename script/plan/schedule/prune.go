package schedule

import (
	"slices"
	"time"
)

// hopeless tells whether no schedule that goes on from here is shorter than
// the best: by the longest path, the technicians' work or the lines' work.
func (s *searcher) hopeless(at state) bool {
	if at.makespan >= s.best.makespan {
		return true
	}
	starts := s.starts(at)
	first := longest
	for i, start := range starts {
		if at.sessions>>i&1 == 0 {
			if start+s.tail[i] >= s.best.makespan {
				return true
			}
			if s.session(i) > 0 {
				first = min(first, start)
			}
		}
	}
	return s.overworked(at, first) || s.tooLate(at, starts)
}

// tooLate shares the lines out among the sessions that cannot start before
// the latest of all, then before the one before it, and so on.
func (s *searcher) tooLate(at state, starts []time.Duration) bool {
	for i, start := range starts {
		if at.sessions>>i&1 == 1 || s.session(i) == 0 {
			continue
		}
		var sum time.Duration
		least := longest
		for k, other := range starts {
			if at.sessions>>k&1 == 0 && other >= start {
				if session := s.session(k); session > 0 {
					sum += session
					least = min(least, s.tail[k]-session)
				}
			}
		}
		if level(notBefore(at.lines, start), sum)+least >= s.best.makespan {
			return true
		}
	}
	return false
}

// overworked shares out the work that is left, as Bounds do: first the
// sessions that most must follow, then more and more of them.
func (s *searcher) overworked(at state, first time.Duration) bool {
	technicians, lines := notBefore(at.technicians, at.now), notBefore(at.lines, first)
	var byHand, onLine time.Duration
	least := longest // that follows any of the work by hand
	for _, i := range s.follows {
		if at.sessions>>i&1 == 1 {
			continue
		}
		session := s.session(i)
		onLine += session
		if session > 0 && level(lines, onLine)+s.tail[i]-session >= s.best.makespan {
			return true
		}
		if at.hands>>i&1 == 0 {
			byHand += s.units[i].Hands
			least = min(least, s.unwatched(i)+s.tail[i])
		}
		if move := s.move(i); move > 0 {
			byHand += move
			least = min(least, s.tail[i]-move)
		}
		if least < longest && level(technicians, byHand)+least >= s.best.makespan {
			return true
		}
	}
	return false
}

// notBefore gives the times, none before first, in ascending order.
func notBefore(times []time.Duration, first time.Duration) []time.Duration {
	later := make([]time.Duration, len(times))
	for k, t := range times {
		later[k] = max(t, first)
	}
	slices.Sort(later)
	return later
}

// level is how early work can be over that is poured over those that are free
// from these times on, as water finds its level.
func level(free []time.Duration, work time.Duration) time.Duration {
	lowest := longest
	for k, t := range free {
		work += t
		lowest = min(lowest, share(work, k+1))
	}
	return lowest
}

// starts gives the earliest start of each session that is still to come.
func (s *searcher) starts(at state) []time.Duration {
	starts := make([]time.Duration, len(s.units))
	someone, line := max(at.now, slices.Min(at.technicians)), max(at.now, slices.Min(at.lines))
	for _, i := range s.order {
		if at.sessions>>i&1 == 1 {
			continue
		}
		if at.hands>>i&1 == 0 {
			starts[i] = someone + s.units[i].Hands + s.unwatched(i)
		}
		starts[i] = max(starts[i], at.release[i])
		if s.session(i) > 0 {
			starts[i] = max(starts[i], line)
		}
		for _, before := range s.units[i].readyBefore {
			ready := at.ready[before]
			if at.sessions>>before&1 == 0 {
				ready = starts[before] + s.session(before) + s.units[before].Wait
			}
			starts[i] = max(starts[i], ready)
		}
	}
	return starts
}
