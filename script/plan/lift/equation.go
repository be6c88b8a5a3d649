package lift

import "math"

// constants are those of one system.
type constants struct {
	load         float64 // LC
	near, far    float64 // H: nearer counts as near, farther than far gives 0
	knuckle      float64 // V of the best height, which also divides the tables
	slope        float64 // of VM
	top          float64 // V above it gives 0
	short, long  float64 // D: shorter counts as short, longer than long gives 0
	distanceRate float64 // of DM
	low          float64 // V below it reaches further out, for EstimateH
	out, outLow  float64 // of EstimateH
}

func (s System) constants() constants {
	if s == US {
		return constants{load: 51, near: 10, far: 25, knuckle: 30, slope: .0075, top: 70, short: 10, long: 70, distanceRate: 1.8,
			low: 10, out: 8, outLow: 10}
	}
	return constants{load: 23, near: 25, far: 63, knuckle: 75, slope: .003, top: 175, short: 25, long: 175, distanceRate: 4.5,
		low: 25, out: 20, outLow: 25}
}

func (c constants) horizontal(h float64) float64 {
	if h > c.far {
		return 0
	}
	return c.near / math.Max(h, c.near)
}

func (c constants) vertical(v float64) float64 {
	if v > c.top {
		return 0
	}
	return 1 - c.slope*math.Abs(v-c.knuckle)
}

func (c constants) distance(d float64) float64 {
	if d > c.long {
		return 0
	}
	return .82 + c.distanceRate/math.Max(d, c.short)
}

func asymmetry(degrees float64) float64 {
	if degrees > 135 {
		return 0
	}
	return 1 - .0032*degrees
}

// EstimateH estimates the horizontal distance where it cannot be measured,
// from the size of the load away from the body (cm or in) and the height of
// the hands: 20 + W/2 cm, below 25 cm of height 25 + W/2. The US constants
// (8 and 10 in, divided at 10 in) are from memory.
func EstimateH(s System, size, v float64) float64 {
	c := s.constants()
	if v < c.low {
		return c.outLow + size/2
	}
	return c.out + size/2
}

// rates are the rows of Table 5, in lifts a minute.
var rates = [...]float64{.2, .5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}

// frequency is Table 5: by duration, hands below or from the knuckle height
// on (75 cm, 30 in), and rate. Above 15 lifts a minute it is 0.
var frequency = [3][2][len(rates)]float64{
	Short: {
		{1, .97, .94, .91, .88, .84, .80, .75, .70, .60, .52, .45, .41, .37, 0, 0, 0},
		{1, .97, .94, .91, .88, .84, .80, .75, .70, .60, .52, .45, .41, .37, .34, .31, .28},
	},
	Moderate: {
		{.95, .92, .88, .84, .79, .72, .60, .50, .42, .35, .30, .26, 0, 0, 0, 0, 0},
		{.95, .92, .88, .84, .79, .72, .60, .50, .42, .35, .30, .26, .23, .21, 0, 0, 0},
	},
	Long: {
		{.85, .81, .75, .65, .55, .45, .35, .27, .22, .18, 0, 0, 0, 0, 0, 0, 0},
		{.85, .81, .75, .65, .55, .45, .35, .27, .22, .18, .15, .13, 0, 0, 0, 0, 0},
	},
}

// Frequency is the multiplier FM of Table 5. Between two rows it is
// interpolated in a straight line. low says that the hands are below 75 cm
// (30 in) at the origin. (A reprint of the table shows its first row as "<=2"
// in place of "<=0.2".)
func Frequency(rate float64, d Duration, low bool) float64 {
	row := &frequency[d][1]
	if low {
		row = &frequency[d][0]
	}
	if rate <= rates[0] {
		return row[0]
	}
	for i := 1; i < len(rates); i++ {
		if rate <= rates[i] {
			part := (rate - rates[i-1]) / (rates[i] - rates[i-1])
			return row[i-1] + part*(row[i]-row[i-1])
		}
	}
	return 0
}

// multiplier is CM of Table 7.
func (c Coupling) multiplier(low bool) float64 {
	switch {
	case c == Good || c == Fair && !low:
		return 1
	case c == Fair:
		return .95
	}
	return .90
}
