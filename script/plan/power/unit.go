package power

import "fmt"

// unit puts a unit's load onto its feeds, for the normal state and for each
// failure of one of them.
func (c *checker) unit(u *Unit) {
	if !c.checkUnit(u) {
		return
	}
	factor := u.Factor
	if factor == 0 {
		factor = AssumedFactor
		c.find("note", u.Name, fmt.Sprintf("the power factor of %s is not stated: reckoned with %g", u.Name, AssumedFactor), "cautious for supplies of today; common practice, no source", "take it from the maker's sheet")
	}
	va := u.Watts / factor
	c.watts += u.Watts
	c.va += va
	live := c.liveCords(u)
	if len(live) == 0 {
		return
	}
	needs := max(u.Needs, 1)
	if len(u.Cords) < needs {
		c.find("error", u.Name, fmt.Sprintf("%s needs %s and has %s", u.Name, counted(needs, "live supply"), counted(len(u.Cords), "cord")), "", "give it more cords, or check what it needs")
	}
	c.redundancy(u, live, needs)
	c.share(u, live, va)
}

func (c *checker) checkUnit(u *Unit) bool {
	switch {
	case !positive(u.Watts):
		c.find("error", u.Name, fmt.Sprintf("%s draws %g W", u.Name, u.Watts), "", "write a number above 0, from the maker's sheet")
	case !(u.Factor >= 0 && u.Factor <= 1):
		c.find("error", u.Name, fmt.Sprintf("%s has a power factor of %g", u.Name, u.Factor), "", "write a number above 0, at most 1")
	case u.Needs < 0:
		c.find("error", u.Name, fmt.Sprintf("%s needs %d live supplies", u.Name, u.Needs), "", "write 1 or more")
	case len(u.Cords) == 0:
		c.find("error", u.Name, fmt.Sprintf("%s has no cord", u.Name), "", "say which feed each of its cords goes to")
	default:
		return true
	}
	return false
}

// plugged is a cord whose feed is known.
type plugged struct {
	cord *Cord
	feed int
}

func (c *checker) liveCords(u *Unit) []plugged {
	var live []plugged
	for i := range u.Cords {
		cord := &u.Cords[i]
		n, ok := c.byName[cord.Feed]
		switch {
		case !ok:
			c.findCord(i, "error", u.Name, fmt.Sprintf("cord %d of %s goes to feed %q, which is not in the plan", i+1, u.Name, cord.Feed), "", "name a feed of the plan, or add it")
			continue
		case !c.loads[n].usable:
			continue // its feed was reported
		case c.loads[n].feed.Phases == 1 && cord.Pair != "":
			c.findCord(i, "error", u.Name, fmt.Sprintf("cord %d of %s is between %s, and feed %s has one phase", i+1, u.Name, cord.Pair, cord.Feed), "", "leave the pair out")
			continue
		case c.loads[n].feed.Phases == 3 && cord.Pair.index() < 0:
			c.findCord(i, "error", u.Name, fmt.Sprintf("cord %d of %s does not say between which lines of feed %s it is", i+1, u.Name, cord.Feed), "", "write one of L1-L2, L2-L3, L3-L1, L1-N, L2-N, L3-N, as the outlet is marked")
			continue
		}
		live = append(live, plugged{cord, n})
	}
	return live
}

// redundancy warns of a unit that one feed's failure takes down. A unit with a
// cord that was reported is left out: it is not known where that one goes.
func (c *checker) redundancy(u *Unit, live []plugged, needs int) {
	if !c.dual || u.Strip || len(live) < needs || len(live) < len(u.Cords) {
		return
	}
	if len(u.Cords) == 1 {
		c.find("warning", u.Name, fmt.Sprintf("%s has a single cord, to feed %s, where there is more than one feed", u.Name, c.loads[live[0].feed].feed.Name),
			"it goes dark with that feed; common practice, no source", "plan for that, give it a transfer switch, or choose a unit with two supplies")
		return
	}
	on := make(map[int]int, 2)
	for _, p := range live {
		on[p.feed]++
	}
	for _, p := range live {
		if on[p.feed] > 0 && len(live)-on[p.feed] < needs {
			c.find("warning", u.Name, fmt.Sprintf("%s goes dark when feed %s fails: %s would be live and it needs %d", u.Name, c.loads[p.feed].feed.Name, counted(len(live)-on[p.feed], "supply"), needs),
				"supplies that share a feed share its failure; common practice, no source", "spread its cords over the feeds")
		}
		on[p.feed] = 0
	}
}

// share divides the load among the cords, and again among those that are left
// when a feed has failed. A unit that should stop then counts as going on.
func (c *checker) share(u *Unit, live []plugged, va float64) {
	on := make(map[int]int, 2)
	for _, p := range live {
		on[p.feed]++
	}
	most := make([]float64, len(live)) // VA of each cord in its worst state
	all := float64(len(live))
	for i, p := range live {
		l := &c.loads[p.feed]
		l.normal.add(p.cord.Pair, l.part(p.cord.Pair, u, va, 1/all))
		most[i] = va / all
		for failed, n := range on {
			if failed == p.feed {
				continue
			}
			left := float64(len(live) - n)
			l.change(failed, p.cord.Pair, l.part(p.cord.Pair, u, va, 1/left-1/all))
			most[i] = max(most[i], va/left)
		}
	}
	for i, p := range live {
		c.inlet(u, p, most[i]/c.loads[p.feed].feed.pairVolts(p.cord.Pair))
	}
}

// part is a part of a unit's load on one outlet pair.
func (l *load) part(pair Pair, u *Unit, va, part float64) drawn {
	d := drawn{amps: va * part / l.feed.pairVolts(pair), va: va * part, watts: u.Watts * part}
	if !u.Short {
		d.continuous = d.amps
	}
	return d
}

func (l *load) change(failed int, pair Pair, d drawn) {
	if l.changes == nil {
		l.changes = make(map[int]currents)
	}
	now := l.changes[failed]
	now.add(pair, d)
	l.changes[failed] = now
}

func counted(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case what == "supply", what == "live supply":
		return fmt.Sprintf("%d %sies", n, what[:len(what)-1])
	}
	return fmt.Sprintf("%d %ss", n, what)
}
