package lift

import (
	"fmt"
	"math"
	"slices"
)

// Spell is lifting without a break, and the rest (or light work) after it,
// both in minutes. The rest after the last spell does not matter.
type Spell struct{ Work, Rest float64 }

// Classify finds the duration class of a day's spells. A rest counts when it
// is as long as the work before it (work of at most 1 hour), or 0.3 times as
// long (of at most 2 hours); otherwise the spells on both its sides are one.
// Older printings of the publication ask for 1.2 times in place of 1.0 (from
// memory); this is the rule of rev. 9/2021.
//
// More than 8 hours in one are outside the equation and an error.
func Classify(spells []Spell) (Duration, error) {
	worst, run := Short, 0.0
	for i, s := range spells {
		if !(s.Work > 0) || !(s.Rest >= 0) || math.IsInf(s.Work, 0) || math.IsInf(s.Rest, 0) {
			return 0, fmt.Errorf("spell %d has %v minutes of work and %v of rest; give numbers, the work above 0", i+1, s.Work, s.Rest)
		}
		run += s.Work
		if run > 8*60 {
			return 0, fmt.Errorf("the work comes to %v minutes without enough rest, and the equation ends at 8 hours; plan more rest", run)
		}
		worst = max(worst, lengthClass(run))
		if run <= 60 && s.Rest >= run || run > 60 && run <= 120 && s.Rest >= .3*run {
			run = 0
		}
	}
	return worst, nil
}

func lengthClass(minutes float64) Duration {
	switch {
	case minutes <= 60:
		return Short
	case minutes <= 120:
		return Moderate
	}
	return Long
}

// AdjustedRate is the rate to look up where lifting takes only some minutes
// of each quarter of an hour: 10 a minute in 8 of 15 minutes count as 5.33.
// (The publication prints 3.4 for 10 a minute in 5 of 15; it is 3.33.)
func AdjustedRate(rate, minutesOf15 float64) float64 {
	return rate * min(max(minutesOf15, 0), 15) / 15
}

// Part is one task of a job of several.
type Part struct {
	Load  float64 // kg or lb
	Limit float64 // RWL with FM taken as 1: the limit whatever the frequency
	Rate  float64 // lifts a minute
	Low   bool    // hands below 75 cm (30 in) at the origin
}

// Composite is the composite lifting index of several tasks done by turns
// (section 2.4.5 of the publication): the index of the hardest task, and for
// each of the others what its frequency adds to those before it.
func Composite(parts []Part, d Duration) (Index, error) {
	for i, p := range parts {
		if !(p.Load > 0) || !(p.Limit > 0) || !(p.Rate >= 0) || math.IsInf(p.Load, 0) || math.IsInf(p.Limit, 0) || math.IsInf(p.Rate, 0) {
			return 0, fmt.Errorf("task %d has load %v, limit %v and rate %v; give numbers, load and limit above 0", i+1, p.Load, p.Limit, p.Rate)
		}
	}
	if len(parts) == 0 {
		return 0, fmt.Errorf("there is no task; give at least one")
	}
	order := slices.Clone(parts)
	slices.SortStableFunc(order, func(a, b Part) int {
		return compareDown(single(a, d), single(b, d))
	})
	total, rate := single(order[0], d), order[0].Rate
	for _, p := range order[1:] {
		before := Frequency(rate, d, p.Low)
		rate += p.Rate
		after := Frequency(rate, d, p.Low)
		if after == 0 || before == 0 {
			return Index(math.Inf(1)), nil
		}
		total += Index(p.Load / p.Limit * (1/after - 1/before))
	}
	return total, nil
}

func single(p Part, d Duration) Index { return index(p.Load, p.Limit*Frequency(p.Rate, d, p.Low)) }

func compareDown(a, b Index) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}
