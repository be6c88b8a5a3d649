package worksheet

import (
	"fmt"
	"strings"
	"time"

	"linehand/script"
)

// conversation is the dialogue with a unit, a section for each stage that its
// plan needs. What depends on a fact is not known before a run: it stands on
// the sheet, with its condition in words.
func conversation(values script.Values, d *script.Dialogue) ([]Section, error) {
	talk, err := stages(values, d, "Stage: ")
	return append([]Section{console(d)}, talk...), err
}

func stages(values script.Values, d *script.Dialogue, called string) ([]Section, error) {
	var sections []Section
	for i := range d.Stages {
		s := &d.Stages[i]
		for _, v := range elements(s, values) {
			section, ok, err := stage(s, v, called)
			if err != nil {
				return nil, err
			}
			if ok {
				sections = append(sections, section)
			}
		}
		if s.Finish {
			break
		}
	}
	return sections, nil
}

// console is the section on getting a line to speak.
func console(d *script.Dialogue) Section {
	set := d.Line.Settings
	s := Section{
		Title: "Console",
		Notes: []string{
			"linehand bringup types all that follows by itself, and holds where the unit says something else. By hand: wait for each prompt, read it, then answer, ended with " + keyName(d.Line.Enter) + ". One answer at a time; a wrong echo is erased before " + keyName(d.Line.Enter) + ".",
			"Secrets are on this sheet by name only; where they are kept is in the site profile. Never write one on it.",
		},
		Rows: []Row{
			{Do: "Null-modem cable on the console port of the controller that is in charge", Value: set.String(), Words: true},
		},
	}
	if w := d.Wake; w != nil && w.Press.Bytes != "" {
		s.Rows = append(s.Rows, Row{Do: fmt.Sprintf("Nothing shows: press %s every %s", w.Press.Name, span(w.Every)), Value: "speaks within " + span(w.Within), Words: true})
	}
	for _, stop := range d.StopOn {
		s.Rows = append(s.Rows, Row{Form: Stop, Do: wording(stop.Text), Value: stop.Because, Words: true})
	}
	return s
}

func keyName(k script.Key) string {
	switch k.Bytes {
	case "\r", "\n", "\r\n":
		return "Enter"
	}
	return k.Name
}

func span(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return strings.TrimSpace(strings.NewReplacer("h", " h ", "m", " min ", "s", " s").Replace(text))
}

// elements are the values that a stage goes through, one for each element of
// a repeated stage.
func elements(s *script.Stage, v script.Values) []script.Values {
	if s.Each == nil {
		return []script.Values{v}
	}
	list, err := s.Each.Of.List(v)
	if err != nil {
		return []script.Values{v} // over what the unit shows
	}
	out := make([]script.Values, len(list))
	for i, element := range list {
		out[i] = v.With(s.Each.Var, element)
	}
	return out
}

// state is what is known of a guard before a run.
type state int

const (
	yes state = iota
	no
	unknown // it depends on what the unit shows
)

func stateOf(g *script.Guard, v script.Values) state {
	if g == nil {
		return yes
	}
	switch {
	case g.Never(v):
		return no
	case len(g.Facts()) > 0:
		return unknown
	}
	is, err := g.True(v)
	switch {
	case err != nil:
		return unknown
	case is:
		return yes
	}
	return no
}

func stage(s *script.Stage, v script.Values, called string) (Section, bool, error) {
	needed := stateOf(s.Needed, v)
	if needed == no {
		return Section{}, false, nil
	}
	title, err := s.Title(v)
	if err != nil {
		title = s.Name
	}
	out := Section{Title: called + title}
	if needed == unknown {
		out.note("Only where the unit does not show this already.")
	}
	if s.Looks {
		out.note("Nothing in this stage changes the unit.")
	}
	if s.Within > 0 {
		out.note("Over within " + span(s.Within) + ".")
	}
	for i := range s.Exchanges {
		if err := out.exchange(&s.Exchanges[i], v); err != nil {
			return out, false, err
		}
	}
	if len(s.RefusedBy) > 0 {
		row := Row{Form: Stop, Do: wordings(s.RefusedBy), Value: "the unit refuses", Words: true}
		if s.IfRefused != "" {
			row.Form, row.Value = Else, "go on with stage: "+s.IfRefused
		}
		out.Rows = append(out.Rows, row)
	}
	if len(s.Until) > 0 {
		out.Rows = append(out.Rows, Row{Do: "It shows: " + wordings(s.Until), Value: "the stage is over", Words: true})
	}
	return out, len(out.Rows) > 0, nil
}

func (s *Section) note(text string) {
	if len(s.Notes) == 0 {
		s.Notes = []string{text}
		return
	}
	s.Notes[0] += " " + text
}

func wordings(patterns []script.Pattern) string {
	words := make([]string, len(patterns))
	for i, p := range patterns {
		words[i] = wording(p)
	}
	return strings.Join(words, " / ")
}

func (s *Section) exchange(x *script.Exchange, v script.Values) error {
	needed := stateOf(x.Needed, v)
	if needed == no {
		return nil
	}
	prompt := wordings(x.Prompts)
	if stateOf(x.When, v) == no {
		s.Rows = append(s.Rows, Row{Form: Stop, Do: prompt, Value: "the plan says otherwise: answer nothing, ask", Words: true})
		return nil
	}
	row := Row{Form: Answer, Do: prompt}
	if err := row.answer(x, v); err != nil {
		return err
	}
	var notes []string
	if x.Sometimes {
		notes = append(notes, "comes only sometimes")
	}
	if needed == unknown || stateOf(x.When, v) == unknown {
		notes = append(notes, "depends on what the unit shows")
	}
	if x.AtOnce {
		notes = append(notes, "at once, while it still counts")
	}
	if len(x.RefusedBy) > 0 {
		notes = append(notes, "stop if it says: "+wordings(x.RefusedBy))
	}
	row.Note = strings.Join(notes, "; ")
	s.Rows = append(s.Rows, row)
	return s.reads(x, v)
}

// answer says what is typed: the plan's value, a key, or a secret's name.
func (r *Row) answer(x *script.Exchange, v script.Values) error {
	if x.Press != nil {
		r.Value, r.Words = "press "+x.Press.Name, true
		return nil
	}
	if len(x.Answer.Facts()) > 0 {
		r.Value, r.Words = "what the unit showed: "+strings.Join(x.Answer.Facts(), ", "), true
		return nil
	}
	pieces, err := x.Answer.Render(v)
	if err != nil {
		return err
	}
	var text strings.Builder
	for _, p := range pieces {
		if p.Secret == "" {
			text.WriteString(p.Text)
			continue
		}
		if len(pieces) == 1 {
			r.Value, r.Secret = p.Secret, true
			return nil
		}
		text.WriteString("‹secret " + p.Secret + "›")
	}
	if r.Value = text.String(); r.Value == "" {
		r.Value, r.Words = "Enter alone: takes the default", true
	}
	return nil
}

func (s *Section) reads(x *script.Exchange, v script.Values) error {
	for i := range x.Reads {
		b := &x.Reads[i]
		title, err := b.Title(v)
		if err != nil {
			title = b.What
		}
		row := Row{Form: Measure, Do: title}
		if b.Equals != nil && len(b.Equals.Facts()) == 0 {
			if row.Value, err = b.Equals.Text(v); err != nil {
				return err
			}
			row.Form = Compare
		}
		s.Rows = append(s.Rows, row)
	}
	return nil
}
