package replay

import (
	"slices"
	"strings"
	"time"

	"linehand/console/screen"
	"linehand/transcript"
)

// film is a record as a page plays it: what the screen showed, and when.
// Rows are numbers of texts, so that a text is written once.
type film struct {
	Texts  []string `json:"texts"`  // texts[0] is the empty row
	Frames [][]int  `json:"frames"` // each: milliseconds, then pairs of row and text that are new
	Events []moment `json:"events"`
	Stages []moment `json:"stages"`
	Length int64    `json:"length"` // milliseconds
	Rows   int      `json:"rows"`

	number map[string]int
	last   []int // what the frame before shows
}

// moment is something that happened at a time.
type moment struct {
	At   int64  `json:"at"` // milliseconds
	N    int    `json:"n"`
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// frameGap is how far frames are apart at least: what comes in between is
// seen in the next one.
const frameGap = 40 * time.Millisecond

// filmOf plays the record on a screen.
func filmOf(rec *transcript.Record) *film {
	f := &film{Texts: []string{""}, Frames: [][]int{}, Events: []moment{}, Stages: []moment{}, Rows: rows, number: map[string]int{"": 0}, last: make([]int, rows)}
	scr := screen.New(columns, rows)
	var due time.Duration
	pending := false
	for _, e := range rec.Events {
		at := max(e.At, due)
		if e.Kind == transcript.Heard {
			if pending && e.At >= due+frameGap {
				f.frame(due, scr)
				pending = false
			}
			if !pending {
				due, pending = at, true
			}
			for _, part := range e.Data {
				scr.Write([]byte(part.String()))
			}
		} else if text := about(e); text != "" {
			if pending {
				f.frame(due, scr)
				pending = false
			}
			f.moment(e, at, text)
		}
		f.Length = max(f.Length, at.Milliseconds())
	}
	if pending {
		f.frame(due, scr)
	}
	f.stages(rec.Events)
	return f
}

func (f *film) moment(e transcript.Event, at time.Duration, text string) {
	m := moment{at.Milliseconds(), e.N, string(e.Kind), transcript.Printable(text)}
	f.Events = append(f.Events, m)
}

// stages are the moments to go to: parts of a visit, and stages.
func (f *film) stages(events []transcript.Event) {
	places(events, func(i int, _, full string) bool {
		e := events[i]
		f.Stages = append(f.Stages, moment{e.At.Milliseconds(), e.N, string(e.Kind), transcript.Printable(full)})
		return true
	})
}

// frame adds what differs from the frame before.
func (f *film) frame(at time.Duration, scr *screen.Screen) {
	frame := []int{int(at.Milliseconds())}
	now := scr.Rows()
	for y := range f.last {
		text := ""
		if y < len(now) {
			text = strings.TrimRight(transcript.Printable(now[y]), " ")
		}
		n, ok := f.number[text]
		if !ok {
			n = len(f.Texts)
			f.number[text], f.Texts = n, append(f.Texts, text)
		}
		if f.last[y] != n {
			f.last[y] = n
			frame = append(frame, y, n)
		}
	}
	if len(frame) > 1 {
		f.Frames = append(f.Frames, slices.Clip(frame))
	}
}
