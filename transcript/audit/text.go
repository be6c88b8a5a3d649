package audit

import (
	"bytes"
	"fmt"
	"io"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/mattn/go-runewidth"

	"linehand/transcript"
)

// WriteText writes the report for people, in tables of at most 100 columns.
// Nothing is cut: long cells go on in the next line.
func (r Report) WriteText(w io.Writer) error {
	p := page{}
	p.head(r)
	p.parts(r)
	p.steps(r)
	p.looks(r)
	p.stages(r)
	p.readBacks(r)
	p.concerns(r)
	p.holds(r)
	p.hand(r)
	p.left(r)
	p.rest(r)
	if _, err := w.Write(p.Bytes()); err != nil {
		return fmt.Errorf("write the audit: %w", err)
	}
	return nil
}

// page is the text so far.
type page struct{ bytes.Buffer }

func (p *page) title(format string, args ...any) {
	fmt.Fprintln(p)
	for _, line := range wrap(fmt.Sprintf(format, args...), 100) {
		fmt.Fprintln(p, strings.TrimRight(line, " "))
	}
}

// widths of a heading's label and text, with an indent of 2.
var label = []int{10, 86}

func (p *page) head(r Report) {
	for _, line := range wrap("Audit of the session record of "+orNone(r.Unit), 100) {
		fmt.Fprintln(p, line)
	}
	fmt.Fprintln(p)
	p.labelled("verdict", string(r.Verdict))
	for _, because := range r.Because {
		p.labelled("", because)
	}
	chain := fmt.Sprintf("whole: %d events, each linked to the one before it", r.Events)
	if r.Fault != nil {
		chain = fmt.Sprintf("not whole: %d sound events; %s", r.Events, r.Fault.Error())
	}
	p.labelled("record", chain)
	p.labelled("unit", joined(r.Unit, r.Kind, prefixed("planned serial number ", r.Serial), prefixed("site ", r.Site)))
	p.labelled("line", joined(r.Line.Name, r.Line.Identity, r.Line.Device, r.Line.Settings))
	p.labelled("person", r.Person)
	p.labelled("mode", r.Mode)
	p.labelled("tool", r.Tool)
	p.labelled("started", joined(r.Started.Format("2006-01-02 15:04:05 -07:00"), r.Zone))
	if r.Ending != nil {
		p.labelled("ended", joined(r.Ending.Wall.Format("2006-01-02 15:04:05 -07:00"), "after "+lasted(r.Ending.At)))
	}
	p.labelled("dialogue", joined(r.Dialogue.Name, r.Dialogue.File, prefixed("SHA-256 ", r.Dialogue.SHA256)))
	p.labelled("profile", joined(r.Profile.Name, r.Profile.File, prefixed("SHA-256 ", r.Profile.SHA256)))
	p.labelled("plan", prefixed("SHA-256 ", r.Plan))
}

func (p *page) labelled(name, text string) {
	if text != "" {
		p.row(label, name, text)
	}
}

func joined(texts ...string) string {
	var there []string
	for _, text := range texts {
		if text != "" {
			there = append(there, text)
		}
	}
	return strings.Join(there, ", ")
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

// lasted is d to a tenth of a second.
func lasted(d time.Duration) string { return d.Round(100 * time.Millisecond).String() }

func (p *page) stages(r Report) {
	widths := []int{5, 23, 17, 16, 16, 11}
	for _, s := range r.Stages {
		state := s.State
		switch {
		case state == "unseen":
			state = "not witnessed"
		case state == "entered":
			state = "entered and not left"
		case s.Took > 0:
			state += " in " + lasted(s.Took)
		}
		p.title("Stage %s: %s", inPart(s.Part, orNone(s.Name)), orNone(state))
		if len(s.Entries) == 0 {
			continue
		}
		p.row(widths, "event", "value or prompt", "entered", "planned", "read back", "verdict")
		for _, e := range s.Entries {
			p.row(widths, fmt.Sprint(e.Event), what(e), entered(e), planned(e), e.ReadBack, e.Verdict)
		}
	}
}

func what(e Entry) string {
	if e.Value != "" {
		return e.Value
	}
	if e.Exchange != "" {
		return fmt.Sprintf("“%s”", e.Exchange)
	}
	return e.Pos
}

func planned(e Entry) string {
	if e.Source == "" {
		return e.Planned
	}
	// The file's own name is enough for a person; JSON has the whole path.
	return fmt.Sprintf("%s (%s)", e.Planned, path.Base(filepath.ToSlash(e.Source)))
}

func entered(e Entry) string {
	if e.Retypes == 0 {
		return e.Entered
	}
	return fmt.Sprintf("%s (typed %d times)", e.Entered, e.Retypes+1)
}

func (p *page) readBacks(r Report) {
	if len(r.ReadBacks) == 0 {
		return
	}
	widths := []int{5, 30, 24, 21, 10}
	p.title("Read back")
	p.row(widths, "event", "what", "planned", "unit holds", "verdict")
	for _, b := range r.ReadBacks {
		p.row(widths, fmt.Sprint(b.Event), inPart(b.Part, b.Name), b.Want, joined(b.Got, b.Text), verdictOf(b))
	}
}

func (p *page) holds(r Report) {
	if len(r.Holds) == 0 {
		return
	}
	widths := []int{5, 50, 39}
	p.title("Holds")
	p.row(widths, "event", "reason", "released")
	for _, h := range r.Holds {
		released := "not released"
		if h.Released {
			released = joined(h.Choice, prefixed("by ", h.By), "after "+lasted(h.Stood))
		}
		p.row(widths, fmt.Sprint(h.Event), joined(prefixed("stage ", inStage(h.Part, h.Stage)), h.Reason), released)
	}
}

func (p *page) hand(r Report) {
	if len(r.ByHand) == 0 {
		return
	}
	widths := []int{5, 20, 40, 27}
	p.title("Typed by hand")
	p.row(widths, "event", "stage", "typed", "by")
	for _, h := range r.ByHand {
		p.row(widths, fmt.Sprint(h.Event), inStage(h.Part, h.Stage), h.Text, h.By)
	}
}

func (p *page) rest(r Report) {
	widths := []int{5, 20, 69}
	if len(r.Facts) > 0 {
		p.title("Facts read from the unit")
		for _, f := range r.Facts {
			p.row(widths, fmt.Sprint(f.Event), f.Name, f.Text)
		}
	}
	if len(r.Notes) > 0 {
		p.title("Notes")
		for _, n := range r.Notes {
			p.row(widths, fmt.Sprint(n.Event), n.Code, joined(n.Text, prefixed("by ", n.By)))
		}
	}
	p.title("Ending")
	if r.Ending == nil {
		p.row(label, "", "The record has none.")
		return
	}
	p.labelled("how", joined(r.Ending.Code, fmt.Sprintf("exit code %d", r.Ending.Exit)))
	p.labelled("", r.Ending.Text)
	p.labelled("next", r.Ending.Next)
}

// columns measures text; it does not ask the environment, so that a report is
// the same everywhere.
var columns = &runewidth.Condition{StrictEmojiNeutral: true}

// row writes cells of the given widths, two blanks between them.
func (p *page) row(widths []int, cells ...string) {
	var wrapped [][]string
	height := 1
	for i, cell := range cells {
		lines := wrap(cell, widths[i])
		wrapped = append(wrapped, lines)
		height = max(height, len(lines))
	}
	for y := range height {
		var line strings.Builder
		for i, lines := range wrapped {
			cell := ""
			if y < len(lines) {
				cell = lines[y]
			}
			line.WriteString("  " + cell + strings.Repeat(" ", max(widths[i]-columns.StringWidth(cell), 0)))
		}
		fmt.Fprintln(p, strings.TrimRight(line.String(), " "))
	}
}

// wrap breaks text at blanks, and words that are too long anywhere. Control
// characters, which a record's header may hold, do not get through.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Split(transcript.Printable(text), " ") {
		if line != "" && columns.StringWidth(line)+1+columns.StringWidth(word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for columns.StringWidth(word) > width {
			head := columns.Truncate(word, width, "")
			lines = append(lines, head)
			word = word[len(head):]
		}
		line = word
	}
	return append(lines, line)
}
