// Package draft writes a dialogue from what a person did by hand: it reads
// the records of sessions by hand and what was planned for their units, and
// proposes the file that would have typed the same.
//
// Prompts are where the unit waited and the person typed. Answers that the
// plan knows become its values, hidden ones become secrets by their role;
// numbers, times and names of the unit in prompts become patterns. Whatever
// is a guess is marked in the text with "# look here:", for a person to read
// before the file is used. The same records and plan give the same text, byte
// for byte.
//
// Two records of the same kind of unit make a better draft: what differs is a
// value, and what comes only sometimes is one of the unit's "sometimes".
package draft

import (
	"errors"
	"fmt"
	"strings"

	"linehand/script"
	"linehand/transcript"
)

// Unit is what the plan says of the unit that a session was about.
type Unit struct {
	Name, Kind, Serial string
	Values             script.Values // as script/plan makes them
}

// Session is one record of a session by hand.
type Session struct {
	Record *transcript.Record
	Unit   Unit
}

// Draft is a proposed dialogue.
type Draft struct {
	Name      string
	Text      string // the file; script.Parse takes it
	Marks     []Mark // what a person has to look at, in file order
	Exchanges int
	Stages    int
	Findings  []script.Finding // what script.Lint says of it
}

// Mark is a place that was guessed.
type Mark struct {
	Line int    `json:"line"` // of the comment in Text, from 1
	Text string `json:"text"`
}

// lookHere begins the comment of a mark.
const lookHere = "# look here: "

// Errors for records that nothing can be drafted from; test with errors.Is.
var (
	ErrNoSession = errors.New("no record was given")
	ErrNotByHand = errors.New("this is no record of a session by hand")
	ErrNothing   = errors.New("nothing was typed in this session")
	ErrKinds     = errors.New("the records are of different kinds of unit")
)

// Make drafts a dialogue from sessions with one kind of unit.
func Make(sessions ...Session) (*Draft, error) {
	if len(sessions) == 0 {
		return nil, ErrNoSession
	}
	heard := make([]*hearing, len(sessions))
	for i, s := range sessions {
		if s.Record.Header.Mode != "byhand" {
			return nil, fmt.Errorf("record of %s: %w: its mode is %q", s.Unit.Name, ErrNotByHand, s.Record.Header.Mode)
		}
		if s.Unit.Kind != sessions[0].Unit.Kind {
			return nil, fmt.Errorf("%w: %s is a %s, %s is a %s", ErrKinds, sessions[0].Unit.Name, sessions[0].Unit.Kind, s.Unit.Name, s.Unit.Kind)
		}
		heard[i] = listen(s)
		if len(heard[i].turns) == 0 {
			return nil, fmt.Errorf("record of %s: %w", s.Unit.Name, ErrNothing)
		}
	}
	f := compose(sessions, heard)
	d := f.write()
	parsed, err := script.Parse(d.Name+".yaml", []byte(d.Text))
	if err != nil {
		return nil, fmt.Errorf("the draft is no dialogue (a fault of this program): %w", err)
	}
	d.Findings = script.Lint(parsed)
	return d, nil
}

// compose makes the parts of the file.
func compose(sessions []Session, heard []*hearing) *file {
	f := &file{unit: sessions[0].Unit, head: sessions[0].Record.Header, heard: heard}
	var items []*item
	for i, h := range heard {
		list := exchanges(h)
		if i == 0 {
			items = list
			continue
		}
		items = merge(items, list, i)
	}
	settle(items, sessions)
	f.facts(sessions)
	f.stages = loops(split(items), knownOf(sessions[0].Unit))
	f.anchor()
	f.ending()
	return f
}

// dialogueName is the kind as a dialogue may be called.
func dialogueName(kind string) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, kind)
	if name = strings.Trim(name, "-"); name == "" {
		return "drafted"
	}
	return name
}
