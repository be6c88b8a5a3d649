package sums

import (
	"fmt"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/power"
	"linehand/script/site"
)

// supply follows each cord through outlet strips to its feed.
type supply struct {
	*work
	feed  map[string]*site.Feed
	end   map[string]end // of strips, by name
	taken map[string]int // outlets, by strip

	folded map[string]*plan.Unit // by name in small letters, made when first needed
}

// end is where a cord comes to.
type end struct {
	feed  string
	pair  string
	strip string // the first one on the way; "": none
	known bool
}

// power puts all units on their feeds.
func (w *work) power() {
	all := 0.0
	corded := false
	for _, u := range w.plan.Units {
		all += float64(u.Facts.Watts.Value)
		corded = corded || len(u.Cords) > 0
	}
	w.sums.Air = w.air(all)
	if !corded || len(w.plan.Feeds) == 0 {
		if all > 0 {
			w.leaveOpen("no feed or no cord is planned: currents were not reckoned; list feeds: and say cords: of each unit")
		}
		return
	}
	s := &supply{work: w, feed: make(map[string]*site.Feed, len(w.plan.Feeds)), end: make(map[string]end), taken: make(map[string]int)}
	for i := range w.plan.Feeds {
		s.feed[w.plan.Feeds[i].Name.Value] = &w.plan.Feeds[i]
	}
	s.check()
}

func (s *supply) check() {
	var units, onStrips []power.Unit
	for _, u := range s.plan.Units {
		one, two, ok := s.consumer(u)
		if !ok {
			continue
		}
		units = append(units, one)
		if len(two.Cords) > 0 {
			onStrips = append(onStrips, two)
		}
	}
	feeds := make([]power.Feed, len(s.plan.Feeds))
	for i := range s.plan.Feeds {
		feeds[i] = feedOf(&s.plan.Feeds[i])
	}
	report := power.Check(feeds, units)
	for _, f := range report.Findings {
		s.finding(f)
	}
	s.sums.Power = &report
	s.plugs(onStrips)
}

func feedOf(f *site.Feed) power.Feed {
	phases := f.Phases.Value
	if phases == 0 {
		phases = 1
	}
	return power.Feed{Name: f.Name.Value, Volts: float64(f.Volts.Value), Phases: phases, Breaker: f.BreakerA.Value, Code: power.Code(f.Code.Value)}
}

// consumer gives a unit on its feeds, and the same on the strips that its
// cords go to.
func (s *supply) consumer(u *plan.Unit) (onFeeds, onStrips power.Unit, ok bool) {
	if len(u.Cords) < u.Facts.Supplies.Value {
		s.missing(u)
	}
	if len(u.Cords) == 0 {
		return onFeeds, onStrips, false
	}
	if u.Facts.Watts.Value == 0 {
		s.leaveOpen("the watts of kind %s are not stated: its currents were not reckoned; write watts: from the maker's sheet", u.Kind)
	}
	onFeeds = power.Unit{Name: u.Name, Watts: float64(u.Facts.Watts.Value), Factor: u.Facts.PowerFactor.Value, Strip: u.Facts.Outlets.Value > 0}
	onStrips = power.Unit{Name: u.Name, Watts: onFeeds.Watts, Factor: onFeeds.Factor, Strip: true}
	for i, cord := range u.Cords {
		to := s.follow(u, i, nil)
		if !to.known {
			return onFeeds, onStrips, false
		}
		onFeeds.Cords = append(onFeeds.Cords, power.Cord{Feed: to.feed, Inlet: u.Facts.Inlet.Value, Pair: power.Pair(to.pair)})
		if to.strip != "" {
			s.take(to.strip, cord)
			s.after(u.Name, to.strip)
			onStrips.Cords = append(onStrips.Cords, power.Cord{Feed: to.strip})
		}
	}
	return onFeeds, onStrips, u.Facts.Watts.Value > 0
}

// byName finds a unit by its name, capitals or not (RFC 1035 2.3.1).
func (s *supply) byName(name string) *plan.Unit {
	if u := s.unit[name]; u != nil {
		return u
	}
	if s.folded == nil {
		s.folded = make(map[string]*plan.Unit, len(s.plan.Units))
		for _, u := range s.plan.Units {
			s.folded[strings.ToLower(u.Name)] = u
		}
	}
	return s.folded[strings.ToLower(name)]
}

// missing reports supplies that no cord is planned for.
func (s *supply) missing(u *plan.Unit) {
	have := make(map[int]bool, len(u.Cords))
	pos := placeOf(u)
	for i, c := range u.Cords {
		have[c.Supply] = true
		if i == 0 {
			pos = c.Pos
		}
	}
	for n := 1; n <= u.Facts.Supplies.Value; n++ {
		if !have[n] {
			s.report(plan.Warning, pos, fmt.Sprintf("no cord is planned for supply %d of %s", n, u.Name), "a supply without a cord carries nothing when the other feed fails; common practice, no source",
				fmt.Sprintf("write %d: with a feed or an outlet strip under cords:", n))
		}
	}
}

// follow goes from a unit's cord to its feed. by are the strips passed.
func (s *supply) follow(u *plan.Unit, i int, by []string) end {
	cord := u.Cords[i]
	if s.feed[cord.To.Value] != nil {
		return end{feed: cord.To.Value, pair: cord.Pair, known: true}
	}
	strip := s.byName(cord.To.Value)
	if strip == nil {
		return end{} // the plan was not made with it
	}
	if known, ok := s.end[strip.Name]; ok {
		known.strip = strip.Name
		return known
	}
	for _, name := range by {
		if name == strip.Name {
			s.report(plan.Error, cord.To.Pos, fmt.Sprintf("the cord of %s leads through outlet strips back to %s: no feed is at its end", u.Name, strip.Name), "", "let one of the strips go to a feed")
			return end{}
		}
	}
	to := end{}
	if len(strip.Cords) == 0 {
		s.report(plan.Error, first(strip.Place.Pos, strip.Sources["unit.name"]), fmt.Sprintf("%s has units on its outlets and no cord of its own", strip.Name), "", "say under cords: which feed it goes to")
	} else {
		to = s.follow(strip, 0, append(by, strip.Name))
	}
	to.strip = strip.Name
	s.end[strip.Name] = to
	return to
}

// after notes that a unit has no power before a strip is in its place.
func (s *supply) after(unit, strip string) {
	if s.work.strips == nil {
		s.work.strips = make(map[string][]string)
	}
	if !slices.Contains(s.work.strips[unit], strip) {
		s.work.strips[unit] = append(s.work.strips[unit], strip)
	}
}

// take counts outlets, and reports the first cord that finds none.
func (s *supply) take(strip string, cord site.Cord) {
	s.taken[strip]++
	if outlets := s.unit[strip].Facts.Outlets.Value; s.taken[strip] == outlets+1 {
		s.report(plan.Error, cord.Pos, fmt.Sprintf("%s has %d outlets, and more cords go to it", strip, outlets), "", "let this cord go to another outlet strip or feed")
	}
}

// plugs reckons the current through each strip's own plug.
func (s *supply) plugs(units []power.Unit) {
	var feeds []power.Feed
	for _, u := range s.plan.Units {
		to, ok := s.end[u.Name]
		if !ok || !to.known {
			continue
		}
		volts := feedOf(s.feed[to.feed]).Volts
		if len(to.pair) > 0 && to.pair[len(to.pair)-1] == 'N' {
			volts /= sqrt3
		}
		feeds = append(feeds, power.Feed{Name: u.Name, Volts: volts, Phases: 1, Breaker: 1e6})
	}
	for _, load := range power.Check(feeds, units).Feeds {
		u := s.unit[load.Feed.Name]
		to := s.end[u.Name]
		out := Strip{Name: u.Name, Feed: to.feed, Outlets: u.Facts.Outlets.Value, Taken: s.taken[u.Name], Inlet: u.Facts.Inlet.Value, Amps: load.Worst.Amps}
		if k, ok := power.CouplerNamed(out.Inlet); ok {
			out.Rated = k.Amps(power.Code(s.feed[to.feed].Code.Value))
			if out.Amps > out.Rated*(1+1e-9) {
				s.report(plan.Error, cordPos(u, 0), fmt.Sprintf("%.1f A go through the %s of %s%s, rated %g A", out.Amps, k.Name, u.Name, when(load.Worst), out.Rated), k.Source, "move units to another strip")
			}
		}
		s.sums.Strips = append(s.sums.Strips, out)
	}
}

const sqrt3 = 1.7320508075688772

func when(state power.State) string {
	if state.Failed == "" {
		return ""
	}
	return " with " + state.Failed + " dead"
}

func (s *supply) finding(f power.Finding) {
	if f.Severity == "note" {
		s.leaveOpen("%s: %s", f.What, f.Mend)
		return
	}
	var pos script.Pos
	if u := s.unit[f.Of]; u != nil {
		pos = cordPos(u, max(f.Cord-1, 0))
	} else if feed := s.feed[f.Of]; feed != nil {
		pos = first(feed.BreakerA.Pos, feed.Pos)
	}
	s.report(plan.Severity(f.Severity), pos, f.What, f.Why, f.Mend)
}

func cordPos(u *plan.Unit, i int) script.Pos {
	if i < len(u.Cords) {
		return u.Cords[i].Pos
	}
	return placeOf(u)
}
