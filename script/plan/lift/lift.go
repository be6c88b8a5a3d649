// Package lift works out the revised lifting equation of NIOSH publication
// 94-110 (rev. 9/2021), and what it says about moving a unit into a rack.
//
// Assess takes one task; ForRack takes a unit, its drives and two heights,
// and advises. Metric and US tasks are each computed with their own
// constants: those are not exact conversions of one another (51 lb is
// 23.133 kg, not 23 kg), so results are never converted.
//
// The equation estimates strain for a healthy worker; no figure of this
// package promises that a lift does no harm, and Limits lists where the
// equation does not apply at all. The package opens no file and keeps no
// state.
package lift

import (
	"fmt"
	"math"
	"strconv"
)

// Source is where the equation and its tables stand.
const Source = "NIOSH 94-110 (rev. 9/2021)"

// Caution belongs beside every figure of this package.
const Caution = "An estimate of strain, no promise that a lift does no harm. Follow the maker's instructions and your employer's rules, try the weight first, stop when in doubt; defer to local codes and licensed practice."

// System is the set of constants to compute with.
type System int

// The systems. Metric: kg, cm. US: lb, in.
const (
	Metric System = iota
	US
)

// Duration is the class of the work's length, with its rest; see Classify.
type Duration int

// The classes, from least to most strain.
const (
	Short    Duration = iota // at most 1 hour
	Moderate                 // more than 1, at most 2 hours
	Long                     // more than 2, at most 8 hours
)

func (d Duration) String() string {
	return [...]string{"short", "moderate", "long"}[d]
}

// Coupling is how well the hands hold the load. The zero value is the
// cautious one.
type Coupling int

// The classes of coupling.
const (
	Poor Coupling = iota // no handles, bulky, or hard to hold: most rack units
	Fair                 // handles or cut-outs that are not the best
	Good                 // well-made handles, hands bent round them easily
)

func (c Coupling) String() string { return [...]string{"poor", "fair", "good"}[c] }

// Point is one end of a lift.
type Point struct {
	H float64 `json:"h"` // hands to the middle of the ankles, horizontal; cm or in
	V float64 `json:"v"` // hands above the floor; cm or in
	A float64 `json:"a"` // twist away from straight ahead; degrees
}

// Task is one lift.
type Task struct {
	System      System  `json:"system"`
	Load        float64 `json:"load"` // kg or lb
	Origin      Point   `json:"origin"`
	Destination Point   `json:"destination"`
	// Control says that the load must be held back or placed with care at the
	// destination: then the worse end counts.
	Control  bool     `json:"control"`
	Rate     float64  `json:"rate"` // lifts a minute; below 0.2 counts as 0.2
	Duration Duration `json:"duration"`
	Coupling Coupling `json:"coupling"`
}

// Index is the lifting index, load over recommended weight limit. It is
// infinite where the limit is 0; JSON then shows null.
type Index float64

// Beyond says that no load at all is recommended.
func (i Index) Beyond() bool { return math.IsInf(float64(i), 1) }

// String gives one decimal, as the publication does. It rounds up, so that
// 1.04 does not pass for 1.0.
func (i Index) String() string {
	if i.Beyond() {
		return "beyond the equation"
	}
	return strconv.FormatFloat(math.Ceil(float64(i)*10-1e-9)/10, 'f', 1, 64)
}

// MarshalJSON gives a number, or null for an infinite index.
func (i Index) MarshalJSON() ([]byte, error) {
	if i.Beyond() {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(i), 'g', -1, 64), nil
}

// Multipliers are the factors of the equation, each between 0 and 1.
type Multipliers struct{ HM, VM, DM, AM, FM, CM float64 }

// End is what the equation gives for one end of the lift.
type End struct {
	Multipliers
	RWL float64 `json:"rwl"` // recommended weight limit, kg or lb
	LI  Index   `json:"li"`
}

// Result is an assessed task.
type Result struct {
	Origin, Destination End
	RWL                 float64 `json:"rwl"` // of the end that counts
	LI                  Index   `json:"li"`  // of the end that counts; the goal is at most 1.0
	Source, Caution     string
}

// Assess computes the recommended weight limit and the lifting index. With
// Task.Control the lower limit of both ends counts, otherwise that of the
// origin.
func Assess(t Task) (Result, error) {
	if err := t.check(); err != nil {
		return Result{}, err
	}
	r := Result{Origin: t.end(t.Origin), Destination: t.end(t.Destination), Source: Source, Caution: Caution}
	r.RWL, r.LI = r.Origin.RWL, r.Origin.LI
	if t.Control && r.Destination.RWL < r.RWL {
		r.RWL, r.LI = r.Destination.RWL, r.Destination.LI
	}
	return r, nil
}

func (t Task) end(p Point) End {
	c := t.System.constants()
	m := Multipliers{
		HM: c.horizontal(p.H),
		VM: c.vertical(p.V),
		DM: c.distance(math.Abs(t.Destination.V - t.Origin.V)),
		AM: asymmetry(p.A),
		FM: Frequency(t.Rate, t.Duration, t.Origin.V < c.knuckle),
		CM: t.Coupling.multiplier(p.V < c.knuckle),
	}
	e := End{Multipliers: m, RWL: c.load * m.HM * m.VM * m.DM * m.AM * m.FM * m.CM}
	e.LI = index(t.Load, e.RWL)
	return e
}

func index(load, limit float64) Index {
	if limit <= 0 {
		return Index(math.Inf(1))
	}
	return Index(load / limit)
}

// check refuses what is no lift. Values beyond the equation's ranges are no
// error: they give a limit of 0.
func (t Task) check() error {
	for _, v := range []struct {
		name  string
		value float64
	}{
		{"load", t.Load}, {"rate", t.Rate},
		{"horizontal distance at the origin", t.Origin.H}, {"horizontal distance at the destination", t.Destination.H},
		{"height at the origin", t.Origin.V}, {"height at the destination", t.Destination.V},
		{"twist at the origin", t.Origin.A}, {"twist at the destination", t.Destination.A},
	} {
		if math.IsNaN(v.value) || math.IsInf(v.value, 0) || v.value < 0 {
			return fmt.Errorf("the %s is %v; give a number that is not negative", v.name, v.value)
		}
	}
	switch {
	case t.Load == 0:
		return fmt.Errorf("the load is 0; give its weight")
	case t.System != Metric && t.System != US:
		return fmt.Errorf("system %d is neither metric nor US", t.System)
	case t.Duration < Short || t.Duration > Long:
		return fmt.Errorf("duration class %d is none of short, moderate and long; work of more than 8 hours is outside the equation", t.Duration)
	case t.Coupling < Poor || t.Coupling > Good:
		return fmt.Errorf("coupling class %d is none of poor, fair and good", t.Coupling)
	}
	return nil
}
