// Package worksheet makes the printed sheet that goes with a unit: what the
// plan says of it, the steps by hand with their cautions, then the dialogues
// stage by stage with what is answered, what must be read back, the steps
// after them, and room for initials and times.
//
// Make lays the sheets out as plain rows; PDF and HTML write them. Secrets
// stand on a sheet by name only. The same plan gives the same bytes: there is
// no date on a sheet but the one that a person writes.
package worksheet

import (
	"fmt"
	"slices"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/page"
	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
	"linehand/script/steps"
)

// Set is the sheets of a site.
type Set struct {
	Site   string
	Digest string // SHA-256 of the whole plan, lower-case hex
	Units  []Unit
}

// Unit is the sheet of one unit.
type Unit struct {
	Name, Kind, Title, Serial string
	Place                     string
	Planned                   string // when and on which line the schedule has it; ""
	Plan                      string // SHA-256 of its plan, lower-case hex
	Sections                  []Section
}

// Section is one group of rows.
type Section struct {
	Title   string
	Notes   []string
	Caution string // with its source
	Rows    []Row
}

// Form is what a person does with a row.
type Form int

// The forms.
const (
	Tick    Form = iota // do it, and tick it
	Answer              // wait for Do, answer Value
	Compare             // write what is read beside Value
	Measure             // write what is measured or read
	Stop                // when Do shows: answer nothing
	Else                // when Do shows: go on as Value says
	Told                // nothing to do: Value is what the plan says of Do
)

// Row is one line of a sheet.
type Row struct {
	Form   Form
	Do     string // what to do, or the prompt
	Value  string // what it is to be, or what is typed
	Note   string // below Do
	Secret bool   // Value is the name of a secret
	Words  bool   // Value is words for the person, not to be typed as it stands

	// Of a step by hand; Value is then what good looks like.
	Name      string // of the step; "" for what is no step
	Caution   string // with its source
	Again     bool   // Caution is that of the row before: it is shown once on a page
	Otherwise string // what to do when it does not look like that
	Picture   string // lines of at most 76 columns
	Hold      bool   // a hold point: it is ticked before anything else is done
}

// Talks are the dialogues of a unit, nil where it has none.
type Talks struct {
	First *script.Dialogue // of the first boot; nil: it has no console
	SetUp *script.Dialogue // of the rest of the settings
	Proof *script.Dialogue // that all of them hold
}

// Dialogues gives the dialogues of a unit.
type Dialogues func(*plan.Unit) (Talks, error)

// Make lays out the sheets of units of a plan, with its sums.
func Make(p *plan.Plan, all sums.Sums, units []*plan.Unit, dialogues Dialogues) (*Set, error) {
	set := &Set{Site: p.Site.Title, Digest: page.Digest(p)}
	if set.Site == "" {
		set.Site = p.Site.Name
	}
	m := newMaker(p, all)
	for _, u := range units {
		sheet := m.head(u)
		talks, err := dialogues(u)
		if err != nil {
			return nil, err
		}
		if sheet.Sections, err = m.sections(u, talks); err != nil {
			return nil, fmt.Errorf("worksheet of %s: %w", u.Name, err)
		}
		set.Units = append(set.Units, sheet)
	}
	return set, nil
}

// sections are those of one unit, in the order of the visit.
func (m *maker) sections(u *plan.Unit, talks Talks) ([]Section, error) {
	values := u.Values.With("lift", m.advice[u.Name])
	before, after, err := steps.Render(talks.First, values, station.Policy(m.plan.Visit))
	if err != nil {
		return nil, err
	}
	out := []Section{m.told(u), byHand("By hand, before the dialogue", before)}
	if talks.First != nil {
		talk, err := conversation(values, talks.First)
		if err != nil {
			return nil, err
		}
		out = append(out, talk...)
	}
	later, err := afterwards(u, values, talks)
	if err != nil {
		return nil, err
	}
	out = append(append(out, later...), byHand("By hand, at the end", after), closing(talks.First != nil))
	return slices.DeleteFunc(out, func(s Section) bool { return len(s.Rows) == 0 }), nil
}

// maker holds what is looked up for each unit.
type maker struct {
	plan   *plan.Plan
	lift   map[string]sums.Lift
	advice map[string]script.LiftValues
	feed   map[string]site.Feed
	unit   map[string]*plan.Unit
	when   map[string]string
}

func newMaker(p *plan.Plan, all sums.Sums) *maker {
	m := &maker{
		plan: p, lift: make(map[string]sums.Lift), advice: sums.LiftingOf(p, sums.Options{}), feed: make(map[string]site.Feed),
		unit: make(map[string]*plan.Unit, len(p.Units)), when: make(map[string]string),
	}
	for _, l := range all.Lifting {
		for _, name := range l.Units {
			m.lift[name] = l
		}
	}
	for _, f := range p.Feeds {
		m.feed[f.Name.Value] = f
	}
	for _, u := range p.Units {
		m.unit[u.Name] = u
	}
	if all.Visit != nil {
		m.schedule(all.Visit)
	}
	return m
}

func (m *maker) schedule(v *sums.Visit) {
	for _, a := range v.Assignments {
		var parts []string
		if a.HandsBy > 0 {
			parts = append(parts, fmt.Sprintf("by hand from %s, technician %d", draw.Clock(a.Hands.Start), a.HandsBy))
		}
		if a.Line > 0 {
			parts = append(parts, fmt.Sprintf("line %d from %s", a.Line, draw.Clock(a.Connect.Start)))
		}
		name, later := strings.CutSuffix(a.Unit, sums.Later)
		if later {
			m.when[name] += strings.Join(append([]string{""}, parts...), "; set-up and proof on ")
			continue
		}
		m.when[name] = strings.Join(parts, "; ")
	}
}

func (m *maker) head(u *plan.Unit) Unit {
	return Unit{Name: u.Name, Kind: u.Kind, Title: u.Planned["unit.title"], Serial: u.Serial, Place: placeOf(u), Planned: m.when[u.Name], Plan: u.SHA256}
}

// placeOf says where a unit stands.
func placeOf(u *plan.Unit) string {
	at, high := u.Place.At.Value, u.Facts.HeightU.Value
	switch {
	case u.Place.Rack.Value == "":
		return ""
	case at == 0:
		return u.Place.Rack.Value + ", at its side"
	}
	s := fmt.Sprintf("%s, U%d", u.Place.Rack.Value, at)
	if high > 1 {
		s = fmt.Sprintf("%s, U%d to U%d", u.Place.Rack.Value, at, at+high-1)
	}
	if u.Place.Side.Value == "rear" {
		s += ", from the rear"
	}
	return s
}

// closing is what ends every sheet.
func closing(console bool) Section {
	s := Section{Title: "Signed"}
	if console {
		s.Rows = append(s.Rows, Row{Form: Measure, Do: "Name of the session record"})
	}
	s.Rows = append(s.Rows,
		Row{Form: Measure, Do: "Left open (for the punch list): what, who, by when"},
		Row{Form: Measure, Do: "Done by: name and signature"},
		Row{Form: Measure, Do: "Looked over by: name and signature"})
	return s
}
