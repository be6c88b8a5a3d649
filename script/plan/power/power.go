// Package power reckons the current of each feed, as it is and with any one
// feed failed, against the breaker, plugs and couplers; and the heat and air
// of a site.
//
// Power is shared equally among a unit's live cords; apparent power (VA) is
// added up plainly, which is never too little; three-phase line currents are
// the exact sum of the currents of the outlet pairs as vectors, each taken to
// lag its own voltage by the same angle. Every result carries its caution.
// The package opens no file and keeps no state.
package power

import (
	"fmt"
	"math"
)

// Caution belongs beside every result of this package.
const Caution = "Plan figures from stated values, not a design of the installation: mains power can kill. Measure before and after; have work on circuits done by those licensed for it; defer to local codes and licensed practice."

// AssumedFactor is the power factor of a unit that states none: cautious for
// supplies of today; common practice, no source.
const AssumedFactor = 0.9

// ContinuousPart is the part of a breaker that a load of 3 hours or more may
// use (NEC 210.19, 210.20(A) and 215.3, as quoted; section numbers move
// between editions): the breaker is at least 125 % of it.
const ContinuousPart = 0.8

// Code is the body of rules that an installation follows.
type Code string

// The codes. The empty Code is NEC, the stricter of the two here.
const (
	NEC Code = "NEC"
	IEC Code = "IEC"
)

// Pair is what a cord or outlet lies between. The empty Pair is that of a
// feed with one phase.
type Pair string

// The outlet pairs of a three-phase feed.
const (
	L1L2 Pair = "L1-L2"
	L2L3 Pair = "L2-L3"
	L3L1 Pair = "L3-L1"
	L1N  Pair = "L1-N"
	L2N  Pair = "L2-N"
	L3N  Pair = "L3-N"
)

// Feed is one supply circuit, with its own breaker.
type Feed struct {
	Name    string  `json:"name"`
	Volts   float64 `json:"volts"`   // between the two conductors of an outlet; with three phases between two lines
	Phases  int     `json:"phases"`  // 1 or 3
	Breaker float64 `json:"breaker"` // A
	Plug    string  `json:"plug"`    // of the strip on the feed, as Couplers names it; "" where it is wired
	Code    Code    `json:"code"`
	// FullRated says that the breaker and what it stands in are listed for
	// continuous use at 100 % (from memory: NEC 210.20(A), exception).
	FullRated bool `json:"full_rated"`
}

// Cord is one power cord of a unit.
type Cord struct {
	Feed  string `json:"feed"`
	Inlet string `json:"inlet"` // of the unit, as Couplers names it; "" where not stated
	Pair  Pair   `json:"pair"`  // on a three-phase feed
}

// Unit is one consumer, with a cord for each of its supplies.
type Unit struct {
	Name   string  `json:"name"`
	Watts  float64 `json:"watts"`  // drawn from the mains, at most
	Factor float64 `json:"factor"` // power factor, above 0 to 1; 0: not stated
	Cords  []Cord  `json:"cords"`
	Needs  int     `json:"needs"` // live supplies that it needs; 0: one
	// Short says that it draws for less than 3 hours at a time.
	Short bool `json:"short"`
	// Strip says that it only passes power on, as an outlet strip does: it is
	// to have one cord, and to go dark with its feed.
	Strip bool `json:"strip"`
}

// Finding is something to look at. Of names the unit or feed; Why has the
// source.
type Finding struct {
	Severity string `json:"severity"` // "error", "warning" or "note"
	Of       string `json:"of"`
	What     string `json:"what"`
	Why      string `json:"why"`
	Mend     string `json:"mend"`
	Cord     int    `json:"cord"` // which of the unit's cords, from 1; 0: no one in particular
}

// State is a feed's load while all feeds are live, or one has failed.
type State struct {
	Failed  string     `json:"failed"`  // feed that has failed; "": none
	Lines   [3]float64 `json:"lines"`   // A in each line; with one phase only the first
	Neutral float64    `json:"neutral"` // A in the neutral of a three-phase feed, harmonics left out
	Amps    float64    `json:"amps"`    // of the fullest line
	// Required is the least breaker, A: the load and a quarter more of what is
	// continuous, in the fullest line.
	Required float64 `json:"required"`
	VA       float64 `json:"va"`
	Watts    float64 `json:"watts"`
}

// FeedLoad is what one feed carries.
type FeedLoad struct {
	Feed   Feed  `json:"feed"`
	Normal State `json:"normal"`
	Worst  State `json:"worst"` // of the normal state and each failure of one other feed
	// Failures are the states with one other feed failed, where that makes a
	// difference, in the order of the feeds.
	Failures []State `json:"failures"`
	Allowed  float64 `json:"allowed"` // A: what the breaker may carry of a continuous load
	Part     float64 `json:"part"`    // of the breaker, in the worst state: 1 is all of it
}

// Report is a checked power plan.
type Report struct {
	Feeds    []FeedLoad `json:"feeds"` // in the order given
	Heat     Heat       `json:"heat"`  // of all units
	VA       float64    `json:"va"`    // of all units
	Findings []Finding  `json:"findings"`
	Caution  string     `json:"caution"`
}

// Check reckons the units on their feeds and reports what is wrong. Its cost
// grows with the number of cords, not with feeds times units.
func Check(feeds []Feed, units []Unit) Report {
	c := newChecker(feeds)
	for i := range units {
		c.unit(&units[i])
	}
	for i := range c.loads {
		c.feed(&c.loads[i])
	}
	return c.report(units)
}

type checker struct {
	loads    []load
	byName   map[string]int
	dual     bool // there is more than one feed
	findings []Finding
	watts    float64
	va       float64
}

// load gathers what is plugged into one feed.
type load struct {
	feed    Feed
	usable  bool
	normal  currents
	changes map[int]currents // by the feed that has failed: what that adds
	result  FeedLoad
}

func newChecker(feeds []Feed) *checker {
	c := &checker{loads: make([]load, len(feeds)), byName: make(map[string]int, len(feeds)), dual: len(feeds) > 1}
	for i, f := range feeds {
		c.loads[i] = load{feed: f, usable: c.checkFeed(f)}
		if _, twice := c.byName[f.Name]; twice {
			c.find("error", f.Name, fmt.Sprintf("two feeds are named %q", f.Name), "", "rename one of the two")
			c.loads[i].usable = false
			continue
		}
		c.byName[f.Name] = i
	}
	return c
}

func (c *checker) find(severity, of, what, why, mend string) {
	c.findings = append(c.findings, Finding{Severity: severity, Of: of, What: what, Why: why, Mend: mend})
}

// findCord is find for the cord with index i of a unit.
func (c *checker) findCord(i int, severity, of, what, why, mend string) {
	c.find(severity, of, what, why, mend)
	c.findings[len(c.findings)-1].Cord = i + 1
}

func (c *checker) checkFeed(f Feed) bool {
	switch {
	case !positive(f.Volts) || !positive(f.Breaker):
		c.find("error", f.Name, fmt.Sprintf("feed %s has %g V and a breaker of %g A", f.Name, f.Volts, f.Breaker), "", "write numbers above 0")
	case f.Phases != 1 && f.Phases != 3:
		c.find("error", f.Name, fmt.Sprintf("feed %s has %d phases", f.Name, f.Phases), "", "write 1 or 3")
	case f.Code != "" && f.Code != NEC && f.Code != IEC:
		c.find("error", f.Name, fmt.Sprintf("feed %s follows the code %q", f.Name, f.Code), "", "write NEC or IEC")
	default:
		return true
	}
	return false
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 0) }

func (c *checker) report(units []Unit) Report {
	r := Report{Heat: HeatOf(c.watts), VA: c.va, Findings: c.findings, Caution: Caution}
	for i := range c.loads {
		r.Feeds = append(r.Feeds, c.loads[i].result)
	}
	return r
}
