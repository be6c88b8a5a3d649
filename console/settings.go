package console

import (
	"fmt"
	"time"
)

// Settings are what a serial line is set to.
type Settings struct {
	Speed    int    // bits a second
	DataBits int    // 5 to 8
	Parity   Parity // none, even, odd, mark, space
	StopBits StopBits
	Flow     Flow
}

// Default is what most equipment speaks out of the crate (common practice,
// no source): 9600 8N1 without flow control.
var Default = Settings{Speed: 9600, DataBits: 8, Parity: ParityNone, StopBits: StopOne, Flow: FlowNone}

// Parity is the letter that practice gives a parity: N, E, O, M or S.
type Parity byte

// The parities.
const (
	ParityNone  Parity = 'N'
	ParityEven  Parity = 'E'
	ParityOdd   Parity = 'O'
	ParityMark  Parity = 'M'
	ParitySpace Parity = 'S'
)

// StopBits counts stop bits in halves of a bit: 2, 3 or 4.
type StopBits int

// The numbers of stop bits.
const (
	StopOne        StopBits = 2
	StopOneAndHalf StopBits = 3
	StopTwo        StopBits = 4
)

// Flow is how one end asks the other to wait.
type Flow string

// The kinds of flow control.
const (
	FlowNone     Flow = "none"
	FlowHardware Flow = "hardware" // RTS and CTS
	FlowSoftware Flow = "software" // XON and XOFF
)

// ParseFraming reads framing in the trade's short form, such as "8N1",
// "7E1", "8N2" or "5N1.5".
func ParseFraming(text string) (dataBits int, parity Parity, stop StopBits, err error) {
	bad := fmt.Errorf("framing %q: want data bits 5 to 8, parity N, E, O, M or S, and stop bits 1, 1.5 or 2, such as 8N1", text)
	if len(text) < 3 || text[0] < '5' || text[0] > '8' {
		return 0, 0, 0, bad
	}
	switch Parity(text[1]) {
	case ParityNone, ParityEven, ParityOdd, ParityMark, ParitySpace:
	default:
		return 0, 0, 0, bad
	}
	switch text[2:] {
	case "1":
		stop = StopOne
	case "1.5":
		stop = StopOneAndHalf
	case "2":
		stop = StopTwo
	default:
		return 0, 0, 0, bad
	}
	return int(text[0] - '0'), Parity(text[1]), stop, nil
}

// Framing is the short form that ParseFraming reads.
func (s Settings) Framing() string {
	stop := map[StopBits]string{StopOne: "1", StopOneAndHalf: "1.5", StopTwo: "2"}[s.StopBits]
	return fmt.Sprintf("%d%c%s", s.DataBits, s.Parity, stop)
}

// CharTime is how long one character takes on the wire: a start bit, the
// data bits, a parity bit if there is one, and the stop bits. It is zero for
// a line without a speed.
func (s Settings) CharTime() time.Duration {
	if s.Speed <= 0 {
		return 0
	}
	halves := 2 + 2*s.DataBits + int(s.StopBits)
	if s.Parity != ParityNone {
		halves += 2
	}
	return time.Duration(float64(halves) / 2 / float64(s.Speed) * float64(time.Second))
}

// StuckAfter is how long a write of n bytes may go without the line taking a
// single one before it is given up with ErrStuck: ten times what the bytes
// need on the wire, and at least five seconds.
func (s Settings) StuckAfter(n int) time.Duration {
	return max(5*time.Second, 10*time.Duration(n)*s.CharTime())
}

func (s Settings) String() string {
	if s.Speed == 0 {
		return "no line speed"
	}
	text := fmt.Sprintf("%d %s", s.Speed, s.Framing())
	if s.Flow != FlowNone && s.Flow != "" {
		text += " " + string(s.Flow) + " flow control"
	}
	return text
}
