package page

import (
	"math"
	"testing"
)

// linear is one channel of sRGB without its gamma (WCAG 2.2, relative
// luminance).
func linear(channel uint8) float64 {
	c := float64(channel) / 255
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

// TestLuminance checks the formula with the two ends of WCAG's scale: white on
// black is 21, and #767676 is the lightest grey with 4.5 on white (W3C, G18).
func TestLuminance(t *testing.T) {
	ratio := func(a, b string) float64 { return (luminance(t, a) + 0.05) / (luminance(t, b) + 0.05) }
	if got := ratio("#fff", "#000"); math.Abs(got-21) > 1e-9 {
		t.Errorf("white on black is %g, want 21", got)
	}
	if got := ratio("#fff", "#767676"); got < 4.5 || ratio("#fff", "#777777") >= 4.5 {
		t.Errorf("#767676 on white is %g", got)
	}
}
