package script

import (
	"regexp"
	"strings"
	"time"
)

// Step is something that a person does by hand, before the dialogue or after
// it. Package script/steps holds the general set and works steps out for a
// unit.
type Step struct {
	General string // name of the step of the general set that this one is, as given or changed; AllSteps: all of that half; "": a step of its own
	Name    string // may hold ${…}: Title is the name for people; "": that of the general step

	Do        *Answer
	Caution   *Answer // nil: none is due
	Source    string  // where the caution stands: a published standard, or CommonPractice; "": not said
	Picture   string  // text to be shown as it stands, at most 76 columns wide
	Good      *Answer // what good looks like
	Otherwise *Answer // what to do when it does not
	MustShow  *Answer // what the unit's own page must show when Values are in

	Needed   *Guard // false: the step is left out
	Each     *Each
	Required *bool       // nil: a step with a caution is
	Values   []StepValue // for the unit's own page, in the order of the page
	Pos      Pos

	title *Answer // Name, compiled
}

// StepValue is one value that a person enters.
type StepValue struct {
	Label *Answer // as the page has it
	Value *Answer // may be one secret, by itself
	Pos   Pos
}

// AllSteps stands for every step of a half of the general set.
const AllSteps = "all"

// CommonPractice is the source of a caution that nobody has published.
const CommonPractice = "common practice, no source"

// Title is the step's name for people, its ${…} replaced.
func (s *Step) Title(v Values) (string, error) {
	if s.title == nil {
		return s.Name, nil
	}
	text, err := s.title.Text(v)
	return strings.TrimSpace(text), err
}

var inName = regexp.MustCompile(`\$\{[^}]*\}`)

// Plain is the step's name without what its ${…} add: one name for all
// that a repeated step makes, by which a site makes it required or not.
func (s *Step) Plain() string {
	return strings.Join(strings.Fields(inName.ReplaceAllString(s.Name, " ")), " ")
}

// Changed gives the step with what over says in place of its own.
func (s Step) Changed(over Step) Step {
	if over.Name != "" {
		s.Name, s.title = over.Name, over.title
	}
	for _, text := range []struct{ own, other **Answer }{
		{&s.Do, &over.Do}, {&s.Caution, &over.Caution}, {&s.Good, &over.Good}, {&s.Otherwise, &over.Otherwise}, {&s.MustShow, &over.MustShow},
	} {
		if *text.other != nil {
			*text.own = *text.other
		}
	}
	if over.Caution != nil {
		s.Source = "" // that of another text
	}
	if over.Source != "" {
		s.Source = over.Source
	}
	if over.Picture != "" {
		s.Picture = over.Picture
	}
	if over.Needed != nil {
		s.Needed = over.Needed
	}
	if over.Each != nil {
		s.Each = over.Each
	}
	if over.Required != nil {
		s.Required = over.Required
	}
	if over.Values != nil {
		s.Values = over.Values
	}
	s.Pos = over.Pos
	return s
}

// Serves is what must answer on the network before the set-up begins.
type Serves struct {
	Within time.Duration // how long it may take
	Every  time.Duration // first pause between two looks; each is twice the last, up to MostEvery
	Looks  []NetLook
	Pos    Pos
}

// MostEvery is the longest pause between two looks.
const MostEvery = 30 * time.Second

// NetLook is one look over the network.
type NetLook struct {
	What    *Answer // name for people
	Address *Answer
	By      string // one of the ways below
	Port    int    // 0 with ByICMP
	Each    *Each
	Needed  *Guard
	Pos     Pos
}

// The ways to look.
const (
	ByICMP  = "icmp"  // an echo request (RFC 792, RFC 4443)
	ByTCP   = "tcp"   // a connection to a port (RFC 9293)
	ByHTTPS = "https" // a page; its certificate's fingerprint is kept
	BySSH   = "ssh"   // a connection (RFC 4253); its host key's fingerprint is kept
)
