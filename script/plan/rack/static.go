package rack

import "math"

// Strap is what a wrist strap against static should measure, as quoted from
// ANSI/ESD S20.20-2007 and S1.1 by makers; the standards themselves were not
// at hand.
type Strap struct {
	MaxOhm                      float64 // person to ground, with the strap on
	ResistorOhm                 float64 // in the strap, against shock
	ResistorPart                float64 // tolerance of that, as a part of 1
	TesterLowOhm, TesterHighOhm float64 // usual settings of a tester
	BodyVolts, DeviceVolts      float64 // what parts are held to bear, HBM and CDM (S20.20-2021)
	IsolatedConductorVolts      float64 // below that (S20.20-2021)
	Why, Caution                string
}

// WristStrap gives the figures for the worksheet's static strap.
func WristStrap() Strap {
	return Strap{MaxOhm: 35e6, ResistorOhm: 1e6, ResistorPart: .2, TesterLowOhm: 750e3, TesterHighOhm: 10e6,
		BodyVolts: 100, DeviceVolts: 200, IsolatedConductorVolts: 35,
		Why:     "ANSI/ESD S20.20 and S1.1, quoted by makers",
		Caution: "The strap is no protection against mains: never wear one where live parts can be touched. Clip it to the ground point that the maker names; defer to local codes and licensed practice."}
}

// Milliamps is the peak current through a resistance at an alternating
// voltage (RMS): what a strap's resistor lets through.
func Milliamps(volts, ohm float64) float64 { return volts * math.Sqrt2 / ohm * 1000 }
