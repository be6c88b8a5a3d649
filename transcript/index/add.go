package index

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"linehand/console/screen"
	"linehand/transcript"
)

// longest is how much of one line is kept, in bytes.
const longest = 2000

// reading gathers what the index keeps of a record, event by event.
type reading struct {
	screen *screen.Screen
	shown  string // of the unfinished line, what has been kept
	event  int
	at     time.Duration
	lines  []line
	stages []line // text is the stage's name
	facts  []fact
	visits []visited
	ending transcript.Event
}

type line struct {
	text  string
	event int
	at    time.Duration
}

type fact struct {
	name string
	line
}

// visited is an event that only visits have.
type visited struct {
	kind, state string
	fact
}

// add reads a record and puts it into the index.
func (u *updater) add(f file) error {
	r, err := os.Open(f.path)
	if err != nil {
		return err
	}
	defer r.Close()
	g := &reading{screen: screen.New(80, 24)}
	g.screen.OnLine(func(l screen.Line) { g.line(l.Text) })
	head, err := transcript.Scan(r, func(e transcript.Event) error {
		g.take(e)
		return u.ctx.Err()
	})
	g.unfinished()
	var fault *transcript.Fault
	switch {
	case errors.As(err, &fault):
	case err != nil:
		return fmt.Errorf("%s: %w", f.path, err)
	}
	return u.write(f, head, g, fault)
}

func (g *reading) take(e transcript.Event) {
	switch e.Kind {
	case transcript.Heard:
		if g.event == 0 {
			g.event, g.at = e.N, e.At
		}
		for _, part := range e.Data {
			for piece := range strings.Lines(part.String()) {
				if g.event == 0 {
					g.event, g.at = e.N, e.At
				}
				g.screen.Write([]byte(piece)) // never fails
			}
		}
	case transcript.Said:
		g.unfinished()
		if text := transcript.Typed(e.Data); e.Why == "answer" {
			g.keep(text, e)
		}
	case transcript.Stage:
		g.unfinished()
		if e.State == "entered" || e.State == "unseen" {
			g.stages = append(g.stages, line{e.Name, e.N, e.At})
		}
	case transcript.Fact:
		g.facts = append(g.facts, fact{e.Name, line{e.Text, e.N, e.At}})
	case transcript.ReadBack:
		g.keep(fmt.Sprintf("%s: planned %s, read back %s", e.Name, e.Want, e.Got), e)
	case transcript.Phase, transcript.Step, transcript.Look, transcript.Punch, transcript.SignOff:
		g.visit(e)
	default:
		if e.Kind == transcript.Ending {
			g.ending = e
		}
		g.keep(strings.TrimSpace(e.Text+" "+e.Next), e)
	}
}

// visit keeps what only visits have, by name and as a line.
func (g *reading) visit(e transcript.Event) {
	g.unfinished()
	state := e.State
	if e.Kind == transcript.Punch && state == "" {
		state = "open"
	}
	g.visits = append(g.visits, visited{string(e.Kind), state, fact{e.Name, line{e.Text, e.N, e.At}}})
	g.keep(strings.Join(strings.Fields(strings.Join([]string{string(e.Kind), e.Name, state, e.Text, e.Want, e.Got, e.By, e.Next}, " ")), " "), e)
}

func (g *reading) keep(text string, e transcript.Event) {
	if text = clean(text); text != "" {
		g.lines = append(g.lines, line{text, e.N, e.At})
	}
}

// line keeps a line that the unit has ended.
func (g *reading) line(text string) {
	rest, ok := strings.CutPrefix(text, g.shown)
	if !ok || strings.TrimSpace(rest) != "" {
		if text = clean(text); text != "" {
			g.lines = append(g.lines, line{text, g.event, g.at})
		}
	}
	g.shown, g.event = "", 0
}

// unfinished keeps the line that the cursor is in: a prompt, most often.
func (g *reading) unfinished() {
	text := strings.TrimRight(g.screen.Current(), " ")
	if text == "" || text == g.shown {
		return
	}
	g.shown = text
	if kept := clean(text); kept != "" {
		g.lines = append(g.lines, line{kept, g.event, g.at})
	}
}

func clean(text string) string {
	text = strings.TrimSpace(transcript.Printable(text))
	if len(text) > longest {
		text = strings.ToValidUTF8(text[:longest], "")
	}
	return text
}

func (u *updater) write(f file, h transcript.Header, g *reading, fault *transcript.Fault) error {
	kind := ""
	if fault != nil {
		kind = string(fault.Kind)
	}
	_, zone := h.Started.Zone()
	res, err := u.tx.ExecContext(u.ctx, `INSERT INTO records
		(path, identity, size, link, unit, kind, serial, site, person, mode, started, zone, ending, code, fault)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		f.path, f.identity, f.size, f.link, h.Unit, h.Kind, h.Serial, h.Site, h.Person, h.Mode, h.Started.UnixNano(), zone, g.ending.Code, g.ending.Exit, kind)
	if err != nil {
		return err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return err
	}
	for _, s := range g.stages {
		if _, err := u.tx.ExecContext(u.ctx, "INSERT INTO stages VALUES (?, ?, ?, ?)", id, s.text, s.event, int64(s.at)); err != nil {
			return err
		}
	}
	for _, s := range g.facts {
		if _, err := u.tx.ExecContext(u.ctx, "INSERT INTO facts VALUES (?, ?, ?, ?, ?)", id, s.name, s.text, s.event, int64(s.at)); err != nil {
			return err
		}
	}
	for _, s := range g.visits {
		if _, err := u.tx.ExecContext(u.ctx, "INSERT INTO visits VALUES (?, ?, ?, ?, ?, ?, ?)", id, s.kind, s.name, s.state, clean(s.text), s.event, int64(s.at)); err != nil {
			return err
		}
	}
	return u.writeLines(id, g.lines)
}

// writeLines keeps a record's lines next to each other, so that they can be
// taken out again without a search.
func (u *updater) writeLines(id int64, lines []line) error {
	var low, high int64
	for i, l := range lines {
		res, err := u.put.ExecContext(u.ctx, l.text, id, l.event, int64(l.at))
		if err != nil {
			return err
		}
		if high, err = res.LastInsertId(); err != nil {
			return err
		}
		if i == 0 {
			low = high
		}
	}
	if len(lines) == 0 {
		return nil
	}
	_, err := u.tx.ExecContext(u.ctx, "INSERT INTO spans VALUES (?, ?, ?)", id, low, high)
	return err
}
