package schedule

import (
	"cmp"
	"slices"
	"time"
)

// bounds works out times that no schedule can be shorter than.
func (w *work) bounds() Bounds {
	earliest := w.earliest()
	b := Bounds{Technicians: w.technicianBound()}
	for i, start := range earliest {
		b.Unit = max(b.Unit, start+w.tail[i])
	}
	starts := w.lineStarts(earliest)
	b.Lines = max(w.lineBoundByTail(starts), w.lineBoundByStart(earliest))
	return b
}

// earliest is when each session could start if nothing were ever busy.
func (w *work) earliest() []time.Duration {
	at := make([]time.Duration, len(w.units))
	for _, i := range w.order {
		at[i] = max(at[i], w.units[i].Hands+w.unwatched(i))
		for _, next := range w.units[i].neededBefore {
			at[next] = max(at[next], at[i]+w.session(i)+w.units[i].Wait)
		}
	}
	return at
}

// technicianBound: all work that at least q must follow is over by C - q, so
// for every q the sum of that work is at most T (C - q).
func (w *work) technicianBound() time.Duration {
	type piece struct{ takes, tail time.Duration }
	pieces := make([]piece, 0, 2*len(w.units))
	for i, u := range w.units {
		pieces = append(pieces, piece{u.Hands, w.unwatched(i) + w.tail[i]}, piece{w.move(i), w.tail[i] - w.move(i)})
	}
	slices.SortFunc(pieces, func(a, b piece) int { return cmp.Compare(b.tail, a.tail) })
	var bound, sum time.Duration
	for _, p := range pieces {
		sum += p.takes
		if p.takes > 0 {
			bound = max(bound, share(sum, w.Technicians)+p.tail)
		}
	}
	return bound
}

// lineStarts are moments before which the first, second, ... of the sessions
// cannot start, whichever they are: it has that many units' work by hand
// behind it, and with one technician the moving of the cables before.
func (w *work) lineStarts(earliest []time.Duration) []time.Duration {
	var heads, hands []time.Duration
	boot := longest
	for i, u := range w.units {
		if w.session(i) > 0 {
			heads = append(heads, earliest[i])
			hands = append(hands, u.Hands)
			boot = min(boot, w.unwatched(i))
		}
	}
	slices.Sort(heads)
	slices.Sort(hands)
	var sum time.Duration
	starts := heads[:min(w.Lines, len(heads))]
	for k := range starts {
		sum += hands[k]
		starts[k] = max(starts[k], share(sum, w.Technicians)+boot)
		if w.Technicians == 1 {
			starts[k] = max(starts[k], sum+time.Duration(k)*w.MoveCable)
		}
	}
	return starts
}

// lineBoundByTail: the k sessions that most must follow, at least q, are over
// by C - q on at most min(k, L) lines, none of which was taken before its
// start.
func (w *work) lineBoundByTail(starts []time.Duration) time.Duration {
	units := w.onLine()
	follows := func(i int) time.Duration { return w.tail[i] - w.session(i) }
	slices.SortFunc(units, func(a, b int) int { return cmp.Compare(follows(b), follows(a)) })
	var bound, sum time.Duration
	for k, i := range units {
		sum += w.session(i)
		if k < len(starts) {
			sum += starts[k]
		}
		bound = max(bound, share(sum, min(k+1, w.Lines))+follows(i))
	}
	return bound
}

// lineBoundByStart: the sessions that cannot start before r share the lines
// from r on.
func (w *work) lineBoundByStart(earliest []time.Duration) time.Duration {
	units := w.onLine()
	slices.SortFunc(units, func(a, b int) int { return cmp.Compare(earliest[b], earliest[a]) })
	var bound, sum time.Duration
	least := longest
	for _, i := range units {
		sum += w.session(i)
		least = min(least, w.tail[i]-w.session(i))
		bound = max(bound, earliest[i]+share(sum, w.Lines)+least)
	}
	return bound
}

// onLine lists the units that need a line.
func (w *work) onLine() []int {
	return slices.DeleteFunc(slices.Clone(w.order), func(i int) bool { return w.session(i) == 0 })
}

// share divides work up, rounded up to a nanosecond: times are whole.
func share(work time.Duration, by int) time.Duration {
	n := time.Duration(by)
	return work/n + min(work%n, 1)
}
