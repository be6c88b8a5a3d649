package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/transcript"
)

// How a check rehearses: nobody watches, so the wire and the units may be as
// fast as they like.
const (
	unseenSpeed  = 4_000_000 // bits a second
	unseenPauses = 0.01
	atOnce       = 8 // units played at the same time
)

// unmet rehearses the units of a profile without showing it, and names the
// prompts of their dialogues that no rehearsal has met.
func (c *checking) unmet(ctx context.Context, profile string) error {
	sheet, err := station.ReadSheet(profile)
	if err != nil {
		return err
	}
	units := simulated(sheet)
	if len(units) == 0 {
		fmt.Fprintf(c.out, "\n%s has no unit that can be rehearsed\n", profile)
		return nil
	}
	folder, err := os.MkdirTemp("", "linehand-rehearsal-")
	if err != nil {
		return fmt.Errorf("make a folder for the records of rehearsals: %w", err)
	}
	defer os.RemoveAll(folder)
	unseen := &app{in: c.in, out: io.Discard, errs: io.Discard, set: c.set, log: zerolog.Nop()}
	unseen.set.Speed, unseen.set.OnHold, unseen.set.Records = unseenSpeed, "end", folder
	r := &rehearsing{app: unseen, inMemory: true, pauses: unseenPauses, seed: 1}
	var met met
	fmt.Fprintf(c.out, "\nRehearsed, %d units:\n", len(units))
	for len(units) > 0 {
		some := units[:min(atOnce, len(units))]
		units = units[len(some):]
		err := r.play(ctx, sheet, some, folder, func(p played) error {
			for i, res := range p.results {
				if p.errs[i] != nil {
					return p.errs[i]
				}
				if !res.Ending.How.Good() {
					fmt.Fprintf(c.out, "  %s: %s\n", res.Unit, unseen.masked(res.Ending.Sentence))
				}
				if err := met.add(p.stations[i].Dialogue, res.Record); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	met.write(c.out)
	return nil
}

// met collects which exchanges of dialogues rehearsals have come to.
type met struct {
	dialogues []*script.Dialogue
	seen      map[string]bool // FILE:LINE of each exchange that was answered
}

// add takes in the record of one rehearsal.
func (m *met) add(d *script.Dialogue, path string) error {
	rec, err := transcript.Read(path)
	if err != nil {
		return fmt.Errorf("read the rehearsal's record: %w", err)
	}
	if m.seen == nil {
		m.seen = make(map[string]bool)
	}
	for _, e := range rec.Events {
		if e.Kind == transcript.Said && e.Pos != "" {
			m.seen[e.Pos] = true
		}
	}
	for _, known := range m.dialogues {
		if known.File == d.File {
			return nil
		}
	}
	m.dialogues = append(m.dialogues, d)
	return nil
}

// write names the prompts that no rehearsal has met: nothing has shown yet
// that their wording and their answers are right.
func (m *met) write(w io.Writer) {
	for _, d := range m.dialogues {
		var unmet []string
		all := 0
		for _, s := range d.Stages {
			for _, x := range s.Exchanges {
				all++
				if pos := fmt.Sprintf("%s:%d", x.Pos.File, x.Pos.Line); !m.seen[pos] {
					unmet = append(unmet, fmt.Sprintf("  line %-4d “%s” (stage %s)", x.Pos.Line, transcript.Printable(x.Prompts[0].Text), s.Name))
				}
			}
		}
		if len(unmet) == 0 {
			fmt.Fprintf(w, "%s: all %d prompts were met\n", filepath.Base(d.File), all)
			continue
		}
		fmt.Fprintf(w, "%s: %d of %d prompts were not met in this rehearsal:\n", filepath.Base(d.File), len(unmet), all)
		for _, line := range unmet {
			fmt.Fprintln(w, line)
		}
	}
}
