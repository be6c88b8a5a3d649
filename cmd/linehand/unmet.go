package main

import (
	"fmt"
	"io"
	"path/filepath"

	"linehand/script"
	"linehand/transcript"
)

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
