// Package replay shows a session record again: on a terminal, at the pace at
// which the unit spoke, or as plain text.
//
// A record holds what a unit sent, and a unit, or somebody between, may have
// sent what would harm the terminal of whoever looks at it. Play lets only
// harmless sequences through; Text resolves them all.
package replay

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"linehand/transcript"
)

// Options say how a record is shown.
type Options struct {
	Speed    float64       // Play: 1 is true time, 2 twice as fast, 0 as fast as possible
	From     string        // begin where this stage, or part of a visit, was entered; "PART: STAGE" where parts have stages of one name; "": at the start
	MaxPause time.Duration // Play: no pause is longer, in the record's time; 0: as they were
}

// Play writes what was heard to a terminal, with its timing. Of control
// sequences it lets through cursor moves, colours and erasing, and drops all
// others: window titles, device strings, status queries, modes. A secret
// shows as ‹secret NAME›.
func Play(ctx context.Context, w io.Writer, rec *transcript.Record, o Options) error {
	if !(o.Speed >= 0) {
		return fmt.Errorf("replay: the speed is %v: it cannot be less than 0", o.Speed)
	}
	events, err := from(rec, o.From)
	if err != nil {
		return err
	}
	p := pacer{start: time.Now(), speed: o.Speed, most: o.MaxPause}
	var f filter
	for _, e := range events {
		if e.Kind != transcript.Heard {
			continue
		}
		if err := p.wait(ctx, e.At); err != nil {
			return err
		}
		for _, part := range e.Data {
			f.part(part)
		}
		if err := f.flush(w); err != nil {
			return fmt.Errorf("replay: %w", err)
		}
	}
	f.end()
	if err := f.flush(w); err != nil {
		return fmt.Errorf("replay: %w", err)
	}
	return nil
}

// from is the record's events from where the stage was entered.
func from(rec *transcript.Record, stage string) ([]transcript.Event, error) {
	if stage == "" {
		return rec.Events, nil
	}
	at, known := begins(rec.Events, stage)
	if at >= 0 {
		return rec.Events[at:], nil
	}
	if len(known) == 0 {
		return nil, fmt.Errorf("replay: the record enters no stage %q, nor any other", stage)
	}
	return nil, fmt.Errorf("replay: the record enters no stage %q; it enters %s", stage, strings.Join(known, ", "))
}

// pacer keeps to the record's time. Deadlines are absolute, so that late
// wakes do not add up.
type pacer struct {
	start time.Time
	due   time.Duration // since start
	last  time.Duration // At of the event before
	begun bool
	speed float64
	most  time.Duration
}

// wait returns when the event at the given offset is due.
func (p *pacer) wait(ctx context.Context, at time.Duration) error {
	gap := max(at-p.last, 0)
	if !p.begun {
		gap, p.begun = 0, true
	}
	p.last = at
	if p.most > 0 {
		gap = min(gap, p.most)
	}
	if p.speed == 0 {
		return ctx.Err()
	}
	p.due += time.Duration(float64(gap) / p.speed)
	pause := time.NewTimer(time.Until(p.start.Add(p.due)))
	defer pause.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-pause.C:
		return nil
	}
}
