package power

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
)

// pairs is the order of currents.
var pairs = []Pair{L1L2, L2L3, L3L1, L1N, L2N, L3N}

func (p Pair) index() int { return slices.Index(pairs, p) }

// pairVolts is the voltage of an outlet: between a line and the neutral it is
// the line voltage over the square root of 3.
func (f Feed) pairVolts(p Pair) float64 {
	if p.index() >= 3 {
		return f.Volts / math.Sqrt(3)
	}
	return f.Volts
}

// drawn is what one cord takes.
type drawn struct{ amps, continuous, va, watts float64 }

// currents are the loads of a feed by outlet pair; with one phase the first
// is used.
type currents struct {
	amps, continuous [6]float64
	va, watts        float64
}

func (c *currents) add(p Pair, d drawn) {
	i := max(p.index(), 0)
	c.amps[i] += d.amps
	c.continuous[i] += d.continuous
	c.va += d.va
	c.watts += d.watts
}

func (c currents) plus(d currents) currents {
	for i := range c.amps {
		c.amps[i] += d.amps[i]
		c.continuous[i] += d.continuous[i]
	}
	c.va += d.va
	c.watts += d.watts
	return c
}

// state works out the line currents. What the continuous part adds to the
// required breaker is a load of its own: the same plan with a quarter more.
func (c currents) state(phases int, failed string) State {
	s := State{Failed: failed, VA: c.va, Watts: c.watts}
	var raised [6]float64
	for i := range raised {
		raised[i] = c.amps[i] + c.continuous[i]/4
	}
	if phases == 1 {
		s.Lines[0], s.Amps, s.Required = c.amps[0], c.amps[0], raised[0]
		return s
	}
	s.Lines, s.Neutral = lineCurrents(c.amps)
	required, _ := lineCurrents(raised)
	s.Amps, s.Required = slices.Max(s.Lines[:]), slices.Max(required[:])
	return s
}

// The angles of the six voltages, L1-N being 0: L1-L2 leads it by 30 degrees.
var directions = func() (d [6]complex128) {
	for i, degrees := range []float64{30, -90, 150, 0, -120, 120} {
		d[i] = cmplx.Rect(1, degrees*math.Pi/180)
	}
	return d
}()

// lineCurrents adds the currents of the outlet pairs as vectors, each in phase
// with its voltage (or all lagging alike).
func lineCurrents(amps [6]float64) (lines [3]float64, neutral float64) {
	var v [6]complex128
	for i := range v {
		v[i] = complex(amps[i], 0) * directions[i]
	}
	lines = [3]float64{cmplx.Abs(v[3] + v[0] - v[2]), cmplx.Abs(v[4] + v[1] - v[0]), cmplx.Abs(v[5] + v[2] - v[1])}
	return lines, cmplx.Abs(v[3] + v[4] + v[5])
}

// LinesOfPairs gives the line currents of a three-phase feed from the currents
// of its outlet pairs between lines: L1² = L1L2² + L3L1² + L1L2·L3L1, and so
// round. A plain sum of two pairs is not the line current.
func LinesOfPairs(l1l2, l2l3, l3l1 float64) (l1, l2, l3 float64) {
	lines, _ := lineCurrents([6]float64{l1l2, l2l3, l3l1})
	return lines[0], lines[1], lines[2]
}

// PairsOfLines gives back the currents of the outlet pairs from measured line
// currents, where everything lies between lines and all loads lag alike. No
// such loads give line currents that make no triangle, or one with an angle
// above 120 degrees.
func PairsOfLines(l1, l2, l3 float64) (l1l2, l2l3, l3l1 float64, err error) {
	for _, v := range []float64{l1, l2, l3} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return 0, 0, 0, fmt.Errorf("line currents of %g, %g and %g A: give numbers that are not negative", l1, l2, l3)
		}
	}
	if l1+l2+l3 == 0 {
		return 0, 0, 0, nil
	}
	// The line currents are the sides of a triangle, the pair currents the
	// distances of its corners from the point that sees all sides at 120
	// degrees. s is their sum: s² = (sum of squares)/2 + 2·√3·area.
	half := (l1 + l2 + l3) / 2
	square := half * (half - l1) * (half - l2) * (half - l3)
	q1, q2, q3 := l1*l1, l2*l2, l3*l3
	s := math.Sqrt((q1+q2+q3)/2 + 2*math.Sqrt(3)*math.Sqrt(max(square, 0)))
	l1l2 = (s + (q1+q2-2*q3)/s) / 3
	l2l3 = (s + (q2+q3-2*q1)/s) / 3
	l3l1 = (s + (q3+q1-2*q2)/s) / 3
	slack := -1e-9 * s
	if square < -1e-9*half*half*half*half || l1l2 < slack || l2l3 < slack || l3l1 < slack {
		return 0, 0, 0, fmt.Errorf("no loads between lines give line currents of %g, %g and %g A; something is connected to the neutral, or a reading is wrong", l1, l2, l3)
	}
	return max(l1l2, 0), max(l2l3, 0), max(l3l1, 0), nil
}

// Amps is the current of a load with one phase: W / (V x power factor).
func Amps(watts, volts, factor float64) float64 { return watts / (volts * factor) }

// VA is apparent power: W / power factor.
func VA(watts, factor float64) float64 { return watts / factor }

// BalancedVA is the apparent power of three equal line currents:
// √3 x V between lines x A.
func BalancedVA(volts, amps float64) float64 { return math.Sqrt(3) * volts * amps }

// RequiredBreaker is the least breaker for a load, A: what is not continuous
// and 125 % of what is (NEC 210.20(A), 215.3, as quoted).
func RequiredBreaker(continuous, other float64) float64 { return 1.25*continuous + other }
