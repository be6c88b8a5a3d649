package power

import (
	"fmt"
	"maps"
	"slices"
)

const (
	necSource = "NEC 210.19, 210.20(A) and 215.3, as quoted: a load of 3 hours or more at most 80 % of the breaker; section numbers move between editions, defer to local code"
	iecSource = "IEC countries use 16 A and 32 A devices without this blanket rule (from memory); 80 % is common practice, defer to local code"
)

// feed works out a feed's states and compares the worst with its breaker.
func (c *checker) feed(l *load) {
	l.result.Feed = l.feed
	if !l.usable {
		return
	}
	r := &l.result
	r.Normal = l.normal.state(l.feed.Phases, "")
	r.Worst = r.Normal
	for _, failed := range slices.Sorted(maps.Keys(l.changes)) {
		s := l.normal.plus(l.changes[failed]).state(l.feed.Phases, c.loads[failed].feed.Name)
		r.Failures = append(r.Failures, s)
		if s.Amps > r.Worst.Amps {
			r.Worst = s
		}
	}
	r.Allowed = l.feed.Breaker * ContinuousPart
	if l.feed.FullRated {
		r.Allowed = l.feed.Breaker
	}
	r.Part = r.Worst.Amps / l.feed.Breaker
	c.breaker(r)
	c.feedPlug(r)
	c.unbalance(r)
}

// breaker compares every state, and reports the worst one that is too much.
func (c *checker) breaker(r *FeedLoad) {
	f := r.Feed
	required := r.Normal
	for _, s := range r.Failures {
		if s.Required > required.Required {
			required = s
		}
	}
	switch over := past(r.Worst.Amps, f.Breaker); {
	case over:
		c.find("error", f.Name, fmt.Sprintf("feed %s carries %.1f A%s and its breaker is %g A", f.Name, r.Worst.Amps, r.Worst.when(), f.Breaker), "above its rating a breaker trips, sooner or later", "move units to other feeds, or have a larger circuit built")
	case f.FullRated || !past(required.Required, f.Breaker):
	case f.Code == IEC:
		c.find("warning", f.Name, fmt.Sprintf("feed %s carries %.1f A%s, %.0f %% of its breaker of %g A", f.Name, required.Amps, required.when(), 100*required.Amps/f.Breaker, f.Breaker), iecSource, "leave more room, or see what the local code says")
	default:
		c.find("error", f.Name, fmt.Sprintf("feed %s carries %.1f A%s, which asks for a breaker of %.1f A and it has %g A", f.Name, required.Amps, required.when(), required.Required, f.Breaker), necSource, "move units to other feeds, or have a larger circuit built")
	}
}

// past compares with room for what floating point leaves of equal numbers.
func past(value, limit float64) bool { return value > limit*(1+1e-9) }

func (s State) when() string {
	if s.Failed == "" {
		return ""
	}
	return " with feed " + s.Failed + " failed"
}

// feedPlug compares the plug of the strip with the worst line.
func (c *checker) feedPlug(r *FeedLoad) {
	f := r.Feed
	if f.Plug == "" {
		return
	}
	p, ok := CouplerNamed(f.Plug)
	if !ok {
		c.find("warning", f.Name, fmt.Sprintf("the plug %q of feed %s is not known here: its rating was not checked", f.Plug, f.Name), "", "compare its rating with the current by hand")
		return
	}
	amps := p.Amps(f.Code)
	if past(r.Worst.Amps, amps) {
		c.find("error", f.Name, fmt.Sprintf("feed %s carries %.1f A%s through its %s, rated %g A", f.Name, r.Worst.Amps, r.Worst.when(), p.Name, amps), p.Source, "move units to other feeds, or use a plug of a higher rating")
	}
	if past(f.Volts, p.Volts) {
		c.find("error", f.Name, fmt.Sprintf("feed %s has %g V and its %s is rated %g V", f.Name, f.Volts, p.Name, p.Volts), p.Source, "use a plug of a higher rating")
	}
	if past(f.Breaker, amps) {
		c.find("warning", f.Name, fmt.Sprintf("the breaker of feed %s, %g A, lets more through than its %s, rated %g A", f.Name, f.Breaker, p.Name, amps), p.Source, "see that the strip has a breaker of its own that fits")
	}
}

// unbalance warns where the lines of a feed differ much.
func (c *checker) unbalance(r *FeedLoad) {
	if r.Feed.Phases != 3 || r.Normal.Amps == 0 {
		return
	}
	mean := (r.Normal.Lines[0] + r.Normal.Lines[1] + r.Normal.Lines[2]) / 3
	if off := r.Normal.Amps/mean - 1; off > .2 {
		c.find("warning", r.Feed.Name, fmt.Sprintf("the fullest line of feed %s carries %.0f %% more than the mean of the three (%.1f, %.1f and %.1f A)", r.Feed.Name, 100*off, r.Normal.Lines[0], r.Normal.Lines[1], r.Normal.Lines[2]),
			"the fullest line decides what the feed can carry; 20 % is a measure of our own", "spread the cords over the outlet pairs")
	}
}

// inlet compares a unit's inlet with what its cord carries at worst.
func (c *checker) inlet(u *Unit, p plugged, worst float64) {
	f := c.loads[p.feed].feed
	if p.cord.Inlet == "" {
		return
	}
	k, ok := CouplerNamed(p.cord.Inlet)
	switch {
	case !ok:
		c.find("warning", u.Name, fmt.Sprintf("the inlet %q of %s is not known here: its rating was not checked", p.cord.Inlet, u.Name), "", "compare its rating with the current by hand")
	case past(worst, k.Amps(f.Code)):
		c.find("error", u.Name, fmt.Sprintf("%s draws up to %.1f A through its %s on feed %s, rated %g A", u.Name, worst, k.Name, f.Name, k.Amps(f.Code)), k.Source, "use more cords or a higher voltage, or check the watts")
	case past(f.pairVolts(p.cord.Pair), k.Volts):
		c.find("error", u.Name, fmt.Sprintf("%s has %s inlets, rated %g V, on %.0f V of feed %s", u.Name, k.Name, k.Volts, f.pairVolts(p.cord.Pair), f.Name), k.Source, "take an outlet pair of a lower voltage")
	}
}
