package power

import (
	"fmt"
	"math"
)

// Conversions, with the International Table BTU (1055.05585262 J).
const (
	BTUPerWattHour = 3600 / 1055.05585262
	BTUPerTonHour  = 12000                 // of refrigeration
	cubicFoot      = .3048 * .3048 * .3048 // m³
)

// airFactor is BTU/h per CFM and degree Fahrenheit of air at sea level:
// 0.075 lb/ft³ x 0.24 BTU/(lb F) x 60 min. Some use 1.085; this asks for a
// little more air.
const airFactor = .075 * .24 * 60

// Heat is what a load gives off. All power drawn becomes heat in the room, but
// for what leaves it over powered network cables.
type Heat struct {
	Watts   float64 `json:"watts"`
	BTUh    float64 `json:"btu_h"`
	Tons    float64 `json:"tons"` // of refrigeration, 12,000 BTU/h each
	Caution string  `json:"caution"`
}

// HeatOf converts a load to heat.
func HeatOf(watts float64) Heat {
	return Heat{Watts: watts, BTUh: watts * BTUPerWattHour, Tons: watts * BTUPerWattHour / BTUPerTonHour, Caution: Caution}
}

// Air is the flow that carries a load's heat away.
type Air struct {
	CFM     float64 `json:"cfm"`     // cubic feet a minute
	M3h     float64 `json:"m3_h"`    // cubic metres an hour
	Density float64 `json:"density"` // part of that at sea level
	Caution string  `json:"caution"`
}

// Airflow is the air that a load needs where it may grow warmer by rise
// (degrees Celsius) on its way through, at an altitude in metres: thinner air
// takes more. The density is that of the US Standard Atmosphere 1976 (from
// memory), good to 11 km.
func Airflow(watts, rise, altitude float64) (Air, error) {
	if !(watts >= 0) || math.IsInf(watts, 0) || !positive(rise) || !(altitude >= -500 && altitude <= 11000) {
		return Air{}, fmt.Errorf("air for %g W with a rise of %g °C at %g m: give watts that are not negative, a rise above 0 and an altitude of -500 to 11000 m", watts, rise, altitude)
	}
	density := math.Pow(1-2.25577e-5*altitude, 4.25588)
	cfm := watts * BTUPerWattHour / (airFactor * rise * 9 / 5) / density
	return Air{CFM: cfm, M3h: cfm * cubicFoot * 60, Density: density,
		Caution: "Reckoned for dry air that all goes through the units; gaps and recirculation take more, and thinner air at altitude takes more. " + Caution}, nil
}

// Climate is a range of inlet air.
type Climate struct {
	Class                     string  `json:"class"`
	Low, High                 float64 // °C, at the units' inlets
	DewLow, DewHigh           float64 // °C; both 0 where not stated here
	HumidityLow, HumidityHigh float64 // % relative; 0 where not stated here
	Ceiling                   float64 `json:"ceiling"`      // m above sea level, at most; 0 where not stated here
	DerateAbove               float64 `json:"derate_above"` // m, above which High falls
	DeratePer                 float64 `json:"derate_per"`   // m for each °C that it falls
	Source, Caution           string
}

// Climates are the recommended range and the allowable classes of ASHRAE
// TC 9.9, as quoted by makers; each says what is from memory.
func Climates() []Climate {
	const caution = "The unit's own sheet goes before its class; read it."
	return []Climate{
		{"recommended", 18, 27, -9, 15, 0, 60, 0, 0, 0, "ASHRAE TC 9.9, 4th edition, as quoted by makers", caution},
		{"A1", 15, 32, 0, 0, 0, 0, 0, 900, 300, "ASHRAE TC 9.9, as quoted by makers; lower limit and derating from memory", caution},
		{"A2", 10, 35, 0, 0, 0, 0, 0, 900, 300, "ASHRAE TC 9.9, from memory", caution},
		{"A3", 5, 40, 0, 24, 8, 85, 3050, 900, 175, "ASHRAE TC 9.9, as quoted by makers", caution},
		{"A4", 5, 45, 0, 0, 0, 0, 0, 900, 125, "ASHRAE TC 9.9, from memory", caution},
	}
}

// HighAt is the upper limit at an altitude in metres.
func (c Climate) HighAt(altitude float64) float64 {
	if c.DeratePer == 0 || altitude <= c.DerateAbove {
		return c.High
	}
	return c.High - (altitude-c.DerateAbove)/c.DeratePer
}
