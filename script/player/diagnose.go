package player

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"time"

	"linehand/console"
	"linehand/script/engine"
)

// diagnosis looks for what is wrong with a line on which no prompt has been
// answered yet: our own echo, or bytes that are no text.
func (p *play) diagnosis(quiet time.Duration) *engine.Hold {
	if p.here > 0 || p.heard.bytes == 0 {
		return nil
	}
	if !p.spoken() {
		// One byte may be chance.
		if p.heard.bytes < 2 {
			return nil
		}
		h := p.eng.HoldFor(engine.HoldLoopBack, "only our own bytes come back: the line is looped, or the unit only echoes")
		return &h
	}
	if quiet < time.Second && p.heard.bytes < 2*statsMost || !rubbish(p.heard.latest()) {
		return nil
	}
	h := p.eng.HoldFor(engine.HoldGarbled, p.garbled())
	return &h
}

// ownEcho tells whether what was heard is what was said.
func ownEcho(heard, said []byte) bool {
	return len(heard) > 0 && bytes.HasPrefix(said, heard)
}

// rubbish tells whether bytes are no text: fewer than seven in ten are
// printable, blanks, line ends or parts of UTF-8 or control sequences.
// Fewer than 8 bytes tell nothing.
func rubbish(b []byte) bool { return len(b) >= 8 && textShare(b) < 0.7 }

// textShare is the share of bytes that text is made of.
func textShare(b []byte) float64 {
	if len(b) == 0 {
		return 0
	}
	valid := strings.ToValidUTF8(string(b), "\x01")
	good, all := 0, 0
	for _, r := range valid {
		all++
		if r >= ' ' && r != 0x7f || strings.ContainsRune("\r\n\t\b\x1b\a\x00\f", r) {
			good++
		}
	}
	// NUL pads a line end here and there; many of them are a wrong speed.
	if bytes.Count(b, []byte{0})*4 > len(b) {
		return 0
	}
	return float64(good) / float64(all)
}

// garbled says what is heard instead of text, and which settings fit.
func (p *play) garbled() string {
	set := p.Line.Info().Settings
	reason := fmt.Sprintf("what is heard is not text (% x …)", p.heard.latest()[:min(8, len(p.heard.latest()))])
	if fits, ok := parityFits(p.heard.latest(), set); ok {
		return fmt.Sprintf("%s: with framing %s it would be", reason, fits.Framing())
	}
	if set.Speed == 0 || p.Tune == nil {
		return reason + ": the speed or the framing is wrong"
	}
	if fits, ok := p.tune(set); ok {
		return fmt.Sprintf("%s at %s: the unit speaks %s", reason, set, fits)
	}
	return fmt.Sprintf("%s at %s, nor at any other usual speed: check the cable and the framing", reason, set)
}

// parityFits tells whether the bytes are seven-bit text whose eighth bit is
// a parity bit.
func parityFits(b []byte, set console.Settings) (console.Settings, bool) {
	if set.DataBits != 8 || set.Parity != console.ParityNone {
		return set, false
	}
	low := make([]byte, len(b))
	even, odd := true, true
	for i, c := range b {
		low[i] = c & 0x7f
		ones := 0
		for bit := c; bit != 0; bit &= bit - 1 {
			ones++
		}
		even, odd = even && ones%2 == 0, odd && ones%2 == 1
	}
	if !even && !odd || textShare(low) < 0.9 {
		return set, false
	}
	set.DataBits, set.Parity = 7, console.ParityEven
	if odd {
		set.Parity = console.ParityOdd
	}
	return set, true
}

// tuneListen is how long another speed is listened to.
const tuneListen = 1500 * time.Millisecond

// tune tries the other usual speeds and returns the one at which the unit's
// words are text. The line is opened again as it was.
func (p *play) tune(set console.Settings) (console.Settings, bool) {
	p.detach()
	fits, found := set, false
	for _, speed := range sortedSpeeds(set.Speed) {
		try := set
		try.Speed = speed
		if share := p.listenAt(try); share > 0.9 {
			fits, found = try, true
			break
		}
		if p.ctx.Err() != nil {
			break
		}
	}
	line, err := p.Tune(p.ctx, set)
	if err != nil {
		p.note("line-lost", err.Error())
		p.ear, p.m = listen(p.Line), newPlainMatcher(p.Line) // closed: the loop notices
		return fits, found
	}
	heard := p.heard
	p.attach(line)
	p.heard = heard
	return fits, found
}

// listenAt is the share of text in what is heard with other settings. The
// wake key is pressed once, so that a waiting unit speaks.
func (p *play) listenAt(set console.Settings) float64 {
	line, err := p.Tune(p.ctx, set)
	if err != nil {
		return 0
	}
	ear := listen(line)
	defer func() { line.Close(); ear.wait() }()
	ctx, cancel := context.WithTimeout(p.ctx, tuneListen)
	defer cancel()
	if w := p.Dialogue.Wake; w != nil && w.Press.Bytes != "" {
		p.note("tune", fmt.Sprintf("listening at %s; pressing %s", set, w.Press.Name))
		if _, err := line.Write([]byte(w.Press.Bytes)); err != nil {
			return 0
		}
	}
	var got []byte
	for {
		select {
		case c := <-ear.chunks:
			got = append(got, c.bytes...)
			if len(c.bytes) > 0 {
				if err := p.rec.Heard(c.at, c.bytes); err != nil {
					return 0
				}
			}
			if c.err == nil {
				continue
			}
		case <-ctx.Done():
		}
		if len(got) < 8 {
			return 0
		}
		return textShare(got)
	}
}

// tuned looks for another speed before a run gives up on a line that made
// rubbish of a few bytes.
func (p *play) tuned() *engine.Hold {
	last := p.heard.latest()
	if p.here > 0 || !rubbish(last) && !rubbish(last[max(0, len(last)-16):]) {
		return nil
	}
	h := p.eng.HoldFor(engine.HoldGarbled, p.garbled())
	return &h
}
