package replay

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"linehand/console/screen"
	"linehand/transcript"
)

// Step shows the record step by step: the screen as the technician saw it
// each time something was typed, a stage began, the run held or ended, and
// what that was. It reads one key for each step: Space, Enter or n goes on,
// b back, s to the next stage, 0 to the beginning, q leaves. The end of keys
// leaves too.
//
// Nothing of what the unit sent reaches the terminal but text.
func Step(ctx context.Context, keys io.Reader, w io.Writer, rec *transcript.Record, o Options) error {
	if _, err := from(rec, o.From); err != nil {
		return err
	}
	s := newStepper(rec, o.From)
	read := bufio.NewReader(keys)
	for at := s.first; ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		if _, err := io.WriteString(w, s.page(at)); err != nil {
			return fmt.Errorf("replay: %w", err)
		}
		key, err := read.ReadByte()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("replay: read a key: %w", err)
		}
		next, leave := s.move(at, key)
		if leave {
			return nil
		}
		at = next
	}
}

// stepper knows where a record is stepped through.
type stepper struct {
	rec   *transcript.Record
	stops []int // indices of the events that are steps
	first int   // index into stops
	shown int   // events that the screen has
	scr   *screen.Screen
}

func newStepper(rec *transcript.Record, stage string) *stepper {
	s := &stepper{rec: rec, scr: screen.New(columns, rows)}
	begin := -1
	if stage != "" {
		begin, _ = begins(rec.Events, stage)
	}
	for i := range rec.Events {
		if i == begin {
			s.first = len(s.stops)
		}
		if isStep(rec.Events, i) {
			s.stops = append(s.stops, i)
		}
	}
	if len(s.stops) == 0 {
		s.stops = []int{len(rec.Events) - 1}
	}
	return s
}

// isStep tells whether an event is one to stop at. An answer and its Enter
// are one step, and so are keys that were typed in one go.
func isStep(events []transcript.Event, i int) bool {
	switch e := events[i]; e.Kind {
	case transcript.Stage, transcript.Hold, transcript.Ending, transcript.ReadBack,
		transcript.Phase, transcript.Step, transcript.Look, transcript.Punch, transcript.SignOff:
		return true
	case transcript.Said:
		return e.Why != "enter" || !answered(events[:i], e)
	}
	return i == len(events)-1
}

// answered tells whether an Enter ends an answer that was a step already.
func answered(before []transcript.Event, enter transcript.Event) bool {
	for i := len(before) - 1; i >= 0; i-- {
		if e := before[i]; e.Kind == transcript.Said {
			return e.Why == "answer" && e.Exchange == enter.Exchange
		}
	}
	return false
}

// move is the step that a key leads to.
func (s *stepper) move(at int, key byte) (next int, leave bool) {
	switch key {
	case ' ', '\r', '\n', 'n':
		return min(at+1, len(s.stops)-1), false
	case 'b':
		return max(at-1, 0), false
	case '0':
		return 0, false
	case 's':
		for next = at + 1; next < len(s.stops); next++ {
			if e := s.rec.Events[s.stops[next]]; e.Kind == transcript.Stage && e.State == "entered" || e.Kind == transcript.Phase && e.State == transcript.Begun {
				return next, false
			}
		}
	case 'q', 0x03, 0x04:
		return at, true
	}
	return at, false
}

// clearScreen moves the cursor home and erases the screen (ECMA-48 8.3.21
// and 8.3.39).
const clearScreen = "\x1b[H\x1b[2J"

// page is the screen at a step, with a line about it.
func (s *stepper) page(at int) string {
	s.upTo(s.stops[at])
	var b strings.Builder
	b.WriteString(clearScreen)
	for _, row := range s.scr.Rows() {
		b.WriteString(transcript.Printable(row) + "\r\n")
	}
	e := transcript.Event{}
	if i := s.stops[at]; i >= 0 {
		e = s.rec.Events[i]
	}
	fmt.Fprintf(&b, "%s\r\nstep %d of %d, event %d, %.3f s  %s\r\n", strings.Repeat("─", columns), at+1, len(s.stops), e.N, e.At.Seconds(), transcript.Printable(about(e)))
	b.WriteString("Space on, b back, s next stage, 0 beginning, q leave\r\n")
	return b.String()
}

// upTo brings the screen to what stood there before an event.
func (s *stepper) upTo(index int) {
	if index < s.shown {
		s.scr, s.shown = screen.New(columns, rows), 0
	}
	for ; s.shown <= index; s.shown++ {
		if e := s.rec.Events[s.shown]; e.Kind == transcript.Heard {
			for _, part := range e.Data {
				s.scr.Write([]byte(part.String()))
			}
		}
	}
}

// about is an event in one line.
func about(e transcript.Event) string {
	switch e.Kind {
	case transcript.Said:
		return saidMark + " " + typed(e)
	case transcript.Stage:
		return stageMark + " " + join(e.Name, e.State, e.Text)
	case transcript.Fact:
		return factMark + " " + join(e.Name, e.Text)
	case transcript.ReadBack:
		return readBackMark + " " + readBack(e)
	case transcript.Hold:
		return holdMark + " " + join("hold "+e.State, e.Text, e.Code, e.By)
	case transcript.Ending:
		return endingMark + " " + join(e.Text, e.Next)
	case transcript.Note:
		return noteMark + " " + join(e.Text, e.By)
	}
	if mark, text := ofVisit(e); mark != "" {
		return mark + " " + text
	}
	return ""
}

// readBack is what was read back, with a verdict.
func readBack(e transcript.Event) string {
	verdict := "as planned"
	switch {
	case e.State == transcript.OpenYet:
		verdict = "not finished"
	case !e.Equal:
		verdict = "differs"
	}
	return fmt.Sprintf("%s: planned %s, read back %s: %s", e.Name, e.Want, e.Got, verdict)
}
