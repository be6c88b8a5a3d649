package rack

// Dimensions of the 19-inch rack after EIA-310-D/E and IEC 60297, in mm. The
// standards themselves were not at hand; several pages that quote them agree.
const (
	Inch       = 25.4  // by definition
	UnitHeight = 44.45 // 1 U, 1.75 in

	PanelWidth = 482.6  // 19 in
	HoleRows   = 465.1  // between the two columns of holes, 18 5/16 in
	Opening    = 450.85 // between the rails, 17.75 in
	panelGap   = .79    // that a panel is lower than its U
)

// HeightMM is the height of a number of U in mm.
func HeightMM(u int) float64 { return float64(u) * UnitHeight }

// PanelMM is the height in mm of a panel of a number of U: a little less than
// its place.
func PanelMM(u int) float64 { return HeightMM(u) - panelGap }

// Inches converts mm.
func Inches(mm float64) float64 { return mm / Inch }

// Millimetres converts inches.
func Millimetres(in float64) float64 { return in * Inch }

// HoleCentres are the three holes of a U, in mm above the lower edge of U 1.
// Within a U they are 0.25, 0.875 and 1.5 in from its lower edge.
func HoleCentres(u int) [3]float64 {
	base := HeightMM(u - 1)
	return [3]float64{base + .25*Inch, base + .875*Inch, base + 1.5*Inch}
}
