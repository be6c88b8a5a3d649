package player

import (
	"time"

	"linehand/transcript"
)

// gatherer puts what is heard within a short while into one event: at 9600
// bits a second a line is read character by character, and an event for each
// would make the record thirty times as large as what was heard. Whatever
// else is recorded comes after what was heard before it.
type gatherer struct {
	Recorder
	bytes []byte
	since time.Time // when the first of them arrived
}

// How much is gathered before it is written.
const (
	gatherFor  = 30 * time.Millisecond
	gatherMost = 1 << 10
)

func (g *gatherer) Heard(at time.Time, p []byte) error {
	if len(g.bytes) > 0 && (at.Sub(g.since) >= gatherFor || len(g.bytes)+len(p) > gatherMost) {
		if err := g.flush(); err != nil {
			return err
		}
	}
	if len(g.bytes) == 0 {
		g.since = at
	}
	g.bytes = append(g.bytes, p...)
	return nil
}

// flush writes what has been gathered.
func (g *gatherer) flush() error {
	if len(g.bytes) == 0 {
		return nil
	}
	err := g.Recorder.Heard(g.since, g.bytes)
	g.bytes = g.bytes[:0]
	return err
}

// quiet writes what has been gathered, and what the recorder itself has held
// back, because the line has gone quiet.
func (g *gatherer) quiet() error {
	if err := g.flush(); err != nil {
		return err
	}
	if r, ok := g.Recorder.(interface{ Flush() error }); ok {
		return r.Flush()
	}
	return nil
}

func (g *gatherer) Say(e transcript.Event) error {
	if err := g.flush(); err != nil {
		return err
	}
	return g.Recorder.Say(e)
}

func (g *gatherer) Append(e transcript.Event) error {
	if err := g.flush(); err != nil {
		return err
	}
	return g.Recorder.Append(e)
}

func (g *gatherer) Window(secret string) error {
	if err := g.flush(); err != nil {
		return err
	}
	return g.Recorder.Window(secret)
}

func (g *gatherer) EndWindow() error {
	if err := g.flush(); err != nil {
		return err
	}
	return g.Recorder.EndWindow()
}

func (g *gatherer) Sync() error {
	if err := g.flush(); err != nil {
		return err
	}
	return g.Recorder.Sync()
}
