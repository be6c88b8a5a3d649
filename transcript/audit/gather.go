package audit

import (
	"linehand/transcript"
)

// event takes an event into the report.
func (a *auditor) event(e transcript.Event) {
	a.clock(e)
	a.refusal(e)
	a.visit(e)
	switch e.Kind {
	case transcript.Said:
		a.said(e)
	case transcript.Stage:
		a.stage(e)
	case transcript.ReadBack:
		a.r.ReadBacks = append(a.r.ReadBacks, ReadBack{Event: e.N, Part: a.part(), Stage: e.Stage, Name: show(e.Name), Value: show(e.Value),
			Want: show(e.Want), Got: show(e.Got), Equal: e.Equal, Open: e.State == transcript.OpenYet, Text: show(e.Text), proof: a.inProof()})
	case transcript.Fact:
		a.r.Facts = append(a.r.Facts, Fact{Event: e.N, Name: show(e.Name), Text: show(e.Text)})
	case transcript.Hold:
		a.hold(e)
	case transcript.Note:
		text := show(e.Text)
		if e.Name != "" {
			text = show(e.Name) + ": " + text
		}
		a.r.Notes = append(a.r.Notes, Note{Event: e.N, At: e.At, Stage: show(e.Stage), Code: show(e.Code), Text: text, By: show(e.By)})
	case transcript.Ending:
		a.r.Ending = &Ending{Event: e.N, At: e.At, Wall: e.Wall, Code: show(e.Code), Text: show(e.Text), Next: show(e.Next), Exit: e.Exit}
	}
}

func show(s string) string { return transcript.Printable(s) }

// stage begins a stage, or tells how far it came.
func (a *auditor) stage(e transcript.Event) {
	name, state := show(e.Name), show(e.State)
	if s := a.entered(name); s != nil && state != "entered" {
		s.State, s.Took = state, e.At-s.At
		return
	}
	a.r.Stages = append(a.r.Stages, Stage{Part: a.part(), Name: name, State: state, At: e.At})
}

// inProof tells whether events belong to a proof now.
func (a *auditor) inProof() bool { return a.in > 0 && a.r.Parts[a.in-1].kind == transcript.ProofPart }

// entered is the stage of that name that has been entered and not left.
func (a *auditor) entered(name string) *Stage {
	for i := len(a.r.Stages) - 1; i >= 0; i-- {
		if s := &a.r.Stages[i]; s.Name == name && s.Part == a.part() {
			if s.State == "entered" {
				return s
			}
			return nil
		}
	}
	return nil
}

// current is the stage that an event belongs to. A record that was begun half
// way may have none.
func (a *auditor) current(e transcript.Event) *Stage {
	name := show(e.Stage)
	if n := len(a.r.Stages); name == "" && n > 0 && a.r.Stages[n-1].Part == a.part() {
		return &a.r.Stages[n-1]
	}
	for i := len(a.r.Stages) - 1; i >= 0; i-- {
		if s := &a.r.Stages[i]; s.Name == name && s.Part == a.part() && s.State != "unseen" {
			return s
		}
	}
	a.r.Stages = append(a.r.Stages, Stage{Part: a.part(), Name: name, At: e.At})
	return &a.r.Stages[len(a.r.Stages)-1]
}

// said takes what was typed: an answer, the same typed again, a key, Enter
// by itself. Waking, erasing and replies to a terminal's queries enter
// nothing.
func (a *auditor) said(e transcript.Event) {
	switch e.Why {
	case "hand":
		a.byHand(e)
	case "answer", "key":
		a.answer(e)
	case "enter":
		a.enter(e)
	}
}

func (a *auditor) answer(e transcript.Event) {
	s := a.current(e)
	if last := lastOf(s, e); last != nil && e.Code == "retype" {
		last.Retypes++
		last.Entered, last.Secret = typed(e)
		last.name = secretIn(e)
		return
	}
	entry := Entry{Event: e.N, At: e.At, Exchange: show(e.Exchange), Pos: show(e.Pos), Value: show(e.Value), ended: e.Why == "key"}
	entry.Entered, entry.Secret = typed(e)
	entry.name = secretIn(e)
	s.Entries = append(s.Entries, entry)
}

// enter ends the answer before it; by itself it takes what the unit offers.
func (a *auditor) enter(e transcript.Event) {
	s := a.current(e)
	if last := lastOf(s, e); last != nil && !last.ended {
		last.ended = true
		return
	}
	entry := Entry{Event: e.N, At: e.At, Exchange: show(e.Exchange), Pos: show(e.Pos), Value: show(e.Value), ended: true}
	entry.Entered, entry.Secret = typed(e)
	entry.name = secretIn(e)
	s.Entries = append(s.Entries, entry)
}

// lastOf is the stage's last entry when it is of the event's exchange.
func lastOf(s *Stage, e transcript.Event) *Entry {
	if n := len(s.Entries); n > 0 && s.Entries[n-1].Exchange == show(e.Exchange) && s.Entries[n-1].Pos == show(e.Pos) {
		return &s.Entries[n-1]
	}
	return nil
}

// typed is what was typed, and whether a secret was in it.
func typed(e transcript.Event) (text string, secret bool) {
	for _, part := range e.Data {
		secret = secret || part.Secret != ""
	}
	return transcript.Typed(e.Data), secret
}

// byHand joins what a person typed in one stage without anything else said
// in between.
func (a *auditor) byHand(e transcript.Event) {
	text, _ := typed(e)
	if n := len(a.r.ByHand); n > 0 {
		last := &a.r.ByHand[n-1]
		if last.Part == a.part() && last.Stage == show(e.Stage) && last.By == show(e.By) && !endsLine(last.Text) {
			last.Text += text
			return
		}
	}
	a.r.ByHand = append(a.r.ByHand, ByHand{Event: e.N, At: e.At, Part: a.part(), Stage: show(e.Stage), Text: text, By: show(e.By)})
}

func endsLine(text string) bool {
	const enter = "‹Enter›"
	return len(text) >= len(enter) && text[len(text)-len(enter):] == enter
}

func (a *auditor) hold(e transcript.Event) {
	if e.State != "released" {
		a.r.Holds = append(a.r.Holds, Hold{Event: e.N, At: e.At, Part: a.part(), Stage: show(e.Stage), Code: show(e.Code), Reason: show(e.Text)})
		return
	}
	n := len(a.r.Holds)
	if n == 0 || a.r.Holds[n-1].Released {
		a.r.Holds = append(a.r.Holds, Hold{Event: e.N, At: e.At, Part: a.part(), Stage: show(e.Stage), Reason: "not in the record"})
		n++
	}
	h := &a.r.Holds[n-1]
	h.Released, h.Choice, h.By, h.Stood = true, show(e.Code), show(e.By), e.At-h.At
	if e.Text != "" {
		h.Choice += " " + show(e.Text)
	}
}
