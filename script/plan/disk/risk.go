package disk

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"time"
)

// Hours is a long time in hours: a mean time to failure outlasts
// time.Duration.
type Hours float64

// HoursPerYear is a year of 365 days.
const HoursPerYear = 8760

// String writes the time in hours, days or years of 365 days.
func (h Hours) String() string {
	switch {
	case math.Abs(float64(h)) < 48:
		return fmt.Sprintf("%.3g h", float64(h))
	case math.Abs(float64(h)) < 2*HoursPerYear:
		return fmt.Sprintf("%.3g days", float64(h)/24)
	case math.Abs(float64(h)) < 1e6*HoursPerYear:
		return fmt.Sprintf("%.0f years", float64(h)/HoursPerYear)
	}
	return fmt.Sprintf("%.2g years", float64(h)/HoursPerYear)
}

// check refuses values that no data sheet can state.
func (s Stated) check() error {
	switch {
	case s.RebuildRate < 0 || s.VerifyRate < 0:
		return errors.New("a rebuild or verify rate is negative: it is in bytes a second, 0 when unknown")
	case !(s.ReadErrors >= 0 && s.ReadErrors < 1):
		return fmt.Errorf("the rate of read errors is %g: it is the chance that one bit is unreadable, for example 1e-15", s.ReadErrors)
	case !(s.MTTF >= 0 && s.MTTF <= 1e12) || !(s.MTTR >= 0 && s.MTTR <= 1e12):
		return fmt.Errorf("MTTF %g h and MTTR %g h: they must be from 0 (unknown) to 1e12 hours", float64(s.MTTF), float64(s.MTTR))
	}
	return nil
}

func (f *Figures) addRisk(s shape, stated Stated) error {
	var err error
	if stated.VerifyRate > 0 {
		if f.Verify, err = Transfer(f.Each, stated.VerifyRate); err != nil {
			return fmt.Errorf("verify time: %w", err)
		}
	}
	if stated.RebuildRate > 0 && s.tolerance > 0 {
		if f.Rebuild, err = Transfer(f.Each, stated.RebuildRate); err != nil {
			return fmt.Errorf("rebuild time: %w", err)
		}
	}
	f.addRebuilds(s, stated)
	mttr := stated.MTTR
	if mttr == 0 {
		mttr = Hours(f.Rebuild.Hours())
	}
	if stated.MTTF > 0 && (mttr > 0 || s.tolerance == 0) {
		f.MTTDL = MTTDL(f.Members, s.size, s.tolerance, stated.MTTF, mttr)
	}
	return nil
}

// mostRebuilds keeps the list short: more copies differ in nothing.
const mostRebuilds = 8

func (f *Figures) addRebuilds(s shape, stated Stated) {
	for failed := max(1, s.tolerance-mostRebuilds+1); failed <= s.tolerance; failed++ {
		r := Rebuild{Failed: failed, Reads: f.Each, Unreadable: -1, Covered: failed < s.tolerance}
		if f.Layout.Kind != Mirrored && f.Layout.Kind != StripedMirrors {
			r.Reads = Size(s.size-failed) * f.Each
		}
		if stated.ReadErrors > 0 {
			r.Unreadable = Unreadable(r.Reads, stated.ReadErrors)
		}
		f.Rebuilds = append(f.Rebuilds, r)
	}
}

// Unreadable is the chance of at least one unreadable bit in so many bytes,
// when each bit fails by itself at the rate given: 1 - (1-rate)^(8 bytes).
// Data sheets state the rate as an upper limit ("less than 1 in"), and rates
// in the field are much lower: the result is a bound, not a forecast.
func Unreadable(read Size, rate float64) float64 {
	if read <= 0 || rate <= 0 {
		return 0
	}
	// The straightforward 1 - 1e-15 has lost its digits before it is raised.
	return -math.Expm1(8 * float64(read) * math.Log1p(-rate))
}

// Transfer is the least time that it takes to read or write so many bytes
// at a rate in bytes a second, rounded up to a nanosecond. It fails where the
// time is longer than time.Duration holds.
func Transfer(size, rate Size) (time.Duration, error) {
	if size < 0 || rate <= 0 {
		return 0, fmt.Errorf("%d bytes at %d bytes a second have no time", int64(size), int64(rate))
	}
	high, low := bits.Mul64(uint64(size), uint64(time.Second))
	if high >= uint64(rate) {
		return 0, tooSlow(size, rate)
	}
	nanoseconds, rest := bits.Div64(high, low, uint64(rate))
	if rest > 0 {
		nanoseconds++
	}
	if nanoseconds > math.MaxInt64 {
		return 0, tooSlow(size, rate)
	}
	return time.Duration(nanoseconds), nil
}

func tooSlow(size, rate Size) error {
	return fmt.Errorf("%s at %s a second take longer than 292 years", size.Decimal(2), rate.Decimal(2))
}

// MTTDL is the mean time to data loss of drives in groups of perGroup that
// each bear tolerance failures, when drives fail independently:
//
//	tolerance 0: MTTF / N
//	tolerance 1: MTTF^2 / (N (G-1) MTTR)           Chen et al. 1994, level 5; Patterson, Gibson, Katz 1988
//	tolerance 2: MTTF^3 / (N (G-1) (G-2) MTTR^2)   Chen et al. 1994, level 6
//
// and on in the same way for mirrors of more copies. (Formulas from memory of
// these papers.) For a tolerance above 1 the shape is known to be a poor fit
// (arXiv 1310.4702). It is 0 where a group bears no such tolerance. Results beyond the range of float64 are math.MaxFloat64.
func MTTDL(drives, perGroup, tolerance int, mttf, mttr Hours) Hours {
	if tolerance < 0 || tolerance >= perGroup || perGroup > drives {
		return 0
	}
	result := float64(mttf) / float64(drives)
	for i := 1; i <= tolerance; i++ {
		result *= float64(mttf) / (float64(perGroup-i) * float64(mttr))
	}
	return Hours(min(result, math.MaxFloat64))
}

// GroupMTTDL is the mean time to failure of an array of data drives in
// groups of perGroup, with check drives added to each group, that survives
// one failure in each: MTTF^2 / ((D + C n)(G + C - 1) MTTR) with n = D/G
// (Patterson, Gibson and Katz 1988, from memory).
func GroupMTTDL(data, perGroup, check int, mttf, mttr Hours) Hours {
	groups := float64(data) / float64(perGroup)
	drives := float64(data) + float64(check)*groups
	return mttf / Hours(drives*float64(perGroup+check-1)) * (mttf / mttr)
}
