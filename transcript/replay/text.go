package replay

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"linehand/console/screen"
	"linehand/transcript"
)

// Marks at the left of a line of text.
const (
	heardMark    = " "
	saidMark     = "▸"
	stageMark    = "§"
	factMark     = "="
	readBackMark = "≟"
	holdMark     = "■"
	noteMark     = "·"
	endingMark   = "●"
	partMark     = "◆"
	lookMark     = "⇄"
	punchMark    = "!"
	signMark     = "✎"
)

// The screen that text is resolved on: what a unit expects unless told.
const columns, rows = 80, 24

// Text writes the record as plain text: the lines that were heard, resolved
// from all control sequences, each with the seconds since the start of the
// run; what was said, where it was said; and stages, facts, read-backs,
// holds, notes, what only visits have, and the ending. A line that was answered before it ended goes
// on behind the answer, with an ellipsis.
func Text(w io.Writer, rec *transcript.Record, o Options) error {
	events, err := from(rec, o.From)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	t := typesetter{w: out, screen: screen.New(columns, rows)}
	t.screen.OnLine(t.line)
	t.heading(rec.Header)
	for _, e := range events {
		t.event(e)
	}
	t.unfinished()
	if rec.Fault != nil {
		fmt.Fprintf(out, "\nThe record is not whole. %s\n", transcript.Printable(rec.Fault.Error()))
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("replay as text: %w", err)
	}
	return nil
}

// typesetter turns events into lines of text.
type typesetter struct {
	w      *bufio.Writer
	screen *screen.Screen
	at     time.Duration // when the line in progress began
	fresh  bool          // the line in progress has something new
	shown  string        // of the line in progress, what has been written
}

func (t *typesetter) heading(h transcript.Header) {
	fmt.Fprintf(t.w, "%s on line %s, %s", transcript.Printable(h.Unit), transcript.Printable(h.Line.Name), h.Started.Format("2006-01-02 15:04:05 -07:00"))
	if h.Person != "" {
		fmt.Fprintf(t.w, ", %s", transcript.Printable(h.Person))
	}
	fmt.Fprint(t.w, "\n\n")
}

func (t *typesetter) event(e transcript.Event) {
	switch e.Kind {
	case transcript.Heard:
		t.heard(e)
	case transcript.Said:
		t.unfinished()
		t.put(e.At, saidMark, typed(e))
	case transcript.Stage:
		t.unfinished() // a stage is told by the prompt that stands there
		t.put(e.At, stageMark, join(e.Name, e.State, e.Text))
	case transcript.Fact:
		t.put(e.At, factMark, join(e.Name, e.Text))
	case transcript.ReadBack:
		t.put(e.At, readBackMark, readBack(e))
	case transcript.Hold:
		t.unfinished()
		t.put(e.At, holdMark, join("hold "+e.State, e.Text, e.Code, e.By))
	case transcript.Ending:
		t.unfinished()
		t.put(e.At, endingMark, join(e.Text, e.Next))
	case transcript.Commitment:
	case transcript.Sealed:
		t.put(e.At, noteMark, join(fmt.Sprintf("sealed as entry %d of the log of %s", e.Seal.Entry, transcript.Printable(e.Seal.Bench)), e.Text))
	case transcript.Phase, transcript.Step, transcript.Look, transcript.Punch, transcript.SignOff:
		t.unfinished()
		mark, text := ofVisit(e)
		t.put(e.At, mark, text)
	default:
		t.put(e.At, noteMark, join(e.Text, e.By))
	}
}

// typed is what was typed, and why when it is no answer.
func typed(e transcript.Event) string {
	text := transcript.Typed(e.Data)
	if e.Why == "answer" || e.Why == "enter" || e.Why == "" {
		return text
	}
	return fmt.Sprintf("%s (%s)", text, e.Why)
}

// join puts what is there behind one another.
func join(texts ...string) string {
	var there []string
	for _, text := range texts {
		if text != "" {
			there = append(there, text)
		}
	}
	return strings.Join(there, "  ")
}

func (t *typesetter) heard(e transcript.Event) {
	for _, part := range e.Data {
		for piece := range strings.Lines(part.String()) {
			if !t.fresh {
				t.at, t.fresh = e.At, true
			}
			t.screen.Write([]byte(piece)) // never fails
		}
	}
}

// line writes a finished line, or what of it has not been written yet.
func (t *typesetter) line(l screen.Line) {
	shown := t.shown
	t.shown = ""
	defer func() { t.fresh = false }()
	if shown == "" {
		t.put(t.at, heardMark, l.Text)
		return
	}
	rest, ok := strings.CutPrefix(l.Text, shown)
	switch {
	case !ok:
		t.put(t.at, heardMark, l.Text)
	case strings.TrimSpace(rest) != "":
		t.put(t.at, heardMark, "… "+strings.TrimSpace(rest))
	}
}

// unfinished writes the line that the cursor is in: a prompt, most often.
func (t *typesetter) unfinished() {
	text := strings.TrimRight(t.screen.Current(), " ")
	if text == "" || text == t.shown {
		return
	}
	show := text
	if rest, ok := strings.CutPrefix(text, t.shown); ok && t.shown != "" {
		show = "… " + strings.TrimSpace(rest)
	}
	t.put(t.at, heardMark, show)
	t.shown, t.fresh = text, false
}

func (t *typesetter) put(at time.Duration, mark, text string) {
	line := fmt.Sprintf("%10.3f %s %s", at.Seconds(), mark, transcript.Printable(text))
	fmt.Fprintln(t.w, strings.TrimRight(line, " "))
}
