package audit

import (
	"fmt"
	"strings"

	"linehand/transcript"
)

// parts writes the parts of a visit: how long each took, and how it ended.
func (p *page) parts(r Report) {
	if len(r.Parts) == 0 {
		return
	}
	widths := []int{5, 16, 11, 11, 49}
	p.title("Parts of the visit")
	p.row(widths, "event", "part", "began after", "took", "outcome")
	for _, part := range r.Parts {
		took := lasted(part.Took)
		if part.State != transcript.Over {
			took = ""
		}
		p.row(widths, fmt.Sprint(part.Event), part.Name, lasted(part.At), took, part.Outcome())
	}
}

// Outcome is how a part ended, for people.
func (p Part) Outcome() string {
	if p.State != transcript.Over {
		return "not ended"
	}
	text := strings.TrimSpace(p.Text + " " + p.Next)
	if p.Exit != 0 || text == "" {
		text = joined(p.Code, text)
	}
	return orNone(text)
}

// steps writes the steps by hand.
func (p *page) steps(r Report) {
	if len(r.Steps) == 0 {
		return
	}
	widths := []int{5, 32, 10, 5, 40}
	p.title("Steps by hand")
	p.row(widths, "event", "step", "state", "by", "what was noted, and cautions")
	for _, s := range r.Steps {
		p.row(widths, fmt.Sprint(s.Event), s.Title(), s.State, s.By, strings.TrimSpace(s.Note+" "+prefixed("Caution: ", s.Caution)))
	}
}

// Title is the step with its part, and that it is required.
func (s Step) Title() string {
	text := s.Name + prefixed(" (", s.Part)
	if s.Part != "" {
		text += ")"
	}
	if s.Required {
		text += ", required"
	}
	return text
}

// looks writes the looks over the network.
func (p *page) looks(r Report) {
	if len(r.Looks) == 0 {
		return
	}
	widths := []int{5, 26, 8, 14, 9, 28}
	p.title("Looks over the network")
	p.row(widths, "event", "what", "method", "state", "after", "seen")
	for _, l := range r.Looks {
		p.row(widths, fmt.Sprint(l.Event), l.Title(), l.Method, l.State, lasted(l.Took), l.Seen())
	}
}

// Title is the look with its part.
func (l Look) Title() string {
	if l.Part == "" {
		return l.Name
	}
	return l.Name + " (" + l.Part + ")"
}

// Seen is what a look saw: an address or a fingerprint, what it was before,
// what was expected, and the words of the record.
func (l Look) Seen() string {
	return joined(l.Got, prefixed("before it was ", l.Before), prefixed("expected ", l.Expected), l.Text)
}

// left writes the points that are left open, and who signed off.
func (p *page) left(r Report) {
	if len(r.Punch) > 0 {
		widths := []int{5, 57, 18, 10}
		p.title("Points left open")
		p.row(widths, "event", "what", "who closes it", "by when")
		for _, x := range r.Punch {
			text := x.Text
			if x.Closed {
				text = "Closed: " + text
			}
			p.row(widths, fmt.Sprint(x.Event), text, x.By, x.Due)
		}
	}
	if len(r.SignOffs) > 0 {
		widths := []int{5, 8, 26, 53}
		p.title("Signed off")
		p.row(widths, "event", "by", "at", "words")
		for _, s := range r.SignOffs {
			p.row(widths, fmt.Sprint(s.Event), s.By, s.Wall.Format("2006-01-02 15:04:05 -07:00"), s.Text)
		}
	}
}

// verdictOf a read-back is a word.
func verdictOf(b ReadBack) string {
	switch {
	case !b.Counts:
		return "read again"
	case b.Open:
		return string(Open)
	case !b.Equal:
		return string(Differs)
	}
	return "equal"
}

// inPart is a name with the part that it is of.
func inPart(part, name string) string {
	if part == "" {
		return name
	}
	return part + ": " + name
}

// inStage is a stage with the part that it is of; either may be "".
func inStage(part, stage string) string {
	if stage == "" || stage == part {
		return part
	}
	return inPart(part, stage)
}
