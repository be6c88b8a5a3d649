package console

import (
	"math"
	"testing"
	"time"
)

// Character times are arithmetic on the framing: a start bit, data, parity
// and stop bits (8N1 and 7E1 are 10 bit times, 8E1 and 8N2
// are 11, 7N1 is 9, 5N1.5 is 7.5), at the standard speeds of termios(3). The
// figures were worked out by hand from that.
func TestCharTime(t *testing.T) {
	tests := []struct {
		speed           int
		ms8N1           float64 // milliseconds a character
		rate8N1, rate11 float64 // characters a second at 8N1; at 8E1 and 8N2
	}{
		{110, 90.909, 11, 10},
		{300, 33.333, 30, 27.27},
		{1200, 8.3333, 120, 109.09},
		{2400, 4.1667, 240, 218.18},
		{4800, 2.0833, 480, 436.36},
		{9600, 1.041667, 960, 872.727},
		{19200, 0.520833, 1920, 1745.45},
		{38400, 0.260417, 3840, 3490.91},
		{57600, 0.173611, 5760, 5236.36},
		{115200, 0.086806, 11520, 10472.73},
	}
	for _, tt := range tests {
		got := settings(t, tt.speed, "8N1").CharTime()
		near(t, "8N1 ms", got.Seconds()*1000, tt.ms8N1)
		near(t, "8N1 rate", 1/got.Seconds(), tt.rate8N1)
		near(t, "8E1 rate", 1/settings(t, tt.speed, "8E1").CharTime().Seconds(), tt.rate11)
		near(t, "8N2 rate", 1/settings(t, tt.speed, "8N2").CharTime().Seconds(), tt.rate11)
	}
}

func settings(t *testing.T, speed int, framing string) Settings {
	t.Helper()
	data, parity, stop, err := ParseFraming(framing)
	if err != nil {
		t.Fatal(err)
	}
	s := Settings{Speed: speed, DataBits: data, Parity: parity, StopBits: stop}
	if s.Framing() != framing {
		t.Errorf("framing %q comes back as %q", framing, s.Framing())
	}
	return s
}

// near compares to the digits that the table prints: five at least, but for
// the rates printed with two decimals.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > max(0.006, want*1e-5) && want > 100 || math.Abs(got/want-1) > 2e-4 {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func TestBitTimes(t *testing.T) {
	// the framing arithmetic above, in tenths of a bit time
	for framing, tenths := range map[string]int64{"8N1": 100, "7E1": 100, "8E1": 110, "8N2": 110, "7N1": 90, "5N1.5": 75, "7O1": 100, "8M1": 110, "8S1": 110} {
		got := settings(t, 1000, framing).CharTime() // a bit takes 1 ms
		if want := time.Duration(tenths) * 100 * time.Microsecond; got != want {
			t.Errorf("%s at 1000 bit/s: %v a character, want %v", framing, got, want)
		}
	}
}

// Worked out from the rates above: a screen of 80 by 24, and 1 MiB.
func TestTransferTimes(t *testing.T) {
	for _, tt := range []struct {
		speed, chars int
		seconds      float64
	}{{9600, 80 * 24, 2.0}, {115200, 1 << 20, 91.02}, {9600, 1 << 20, 1092.27}} {
		got := float64(tt.chars) * settings(t, tt.speed, "8N1").CharTime().Seconds()
		if math.Abs(got-tt.seconds) > 0.006 {
			t.Errorf("%d characters at %d: %.3f s, want %.2f s", tt.chars, tt.speed, got, tt.seconds)
		}
	}
}

func TestParseFramingRefuses(t *testing.T) {
	for _, text := range []string{"", "8", "8N", "9N1", "4N1", "8X1", "8N3", "8N1.6", "8n1", " 8N1", "8N1 ", "88N1"} {
		if _, _, _, err := ParseFraming(text); err == nil {
			t.Errorf("%q is taken for framing", text)
		}
	}
}
