package sums

import (
	"fmt"
	"slices"
	"time"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/schedule"
	"linehand/script/site"
)

// secretLength is what a secret of unknown length counts in an estimate, in
// characters.
const secretLength = 16

// settleLeast is the quiet that is waited for before an answer, at least.
const settleLeast = 50 * time.Millisecond

// TalkNote says what the estimate of a dialogue is worth.
const TalkNote = "The time of a dialogue is an estimate: the characters of its prompts and answers, typed and echoed, at the line's speed, with the pause before each answer. What the unit prints besides, and the time that it thinks, come on top."

// visit makes the schedule of all units that are worked on.
func (w *work) visit() {
	v := w.plan.Visit
	if w.options.Dialogue == nil {
		return
	}
	if v.Pos.Line != 0 && (v.Lines.Value == 0 || v.Technicians.Value == 0) {
		w.report(plan.Warning, v.Pos, "the visit does not say how many technicians come and how many lines they have: there is no schedule", "", "write visit: {technicians: …, lines: …}")
		return
	}
	if v.Lines.Value == 0 || v.Technicians.Value == 0 {
		w.leaveOpen("how many technicians come, with how many lines, is not stated: there is no schedule; write visit: {technicians: …, lines: …}")
		return
	}
	out := &Visit{Technicians: v.Technicians.Value, Lines: v.Lines.Value, MoveCable: w.options.MoveCable, Note: TalkNote}
	known := make(map[talkShape]Talk)
	batch := schedule.Batch{Lines: out.Lines, Technicians: out.Technicians, MoveCable: out.MoveCable}
	for _, u := range w.plan.Units {
		unit := schedule.Unit{Name: u.Name, Hands: u.Facts.Times.ByHand.Value, Boot: u.Facts.Times.Boot.Value, Wait: u.Facts.Times.Waiting.Value}
		if before := u.After(); before != "" {
			unit.After = []string{before}
		} else if u.Cluster != "" {
			unit.After = w.network(u)
		}
		unit.After = append(unit.After, w.strips[u.Name]...)
		if u.Dialogue != "" {
			talk, ok := w.talk(u, u.Dialogue, known)
			if !ok {
				return
			}
			out.Talks = append(out.Talks, talk)
			unit.Dialogue = talk.Time
			if u.Facts.Times.ByHand.Value == 0 && u.Facts.Times.Boot.Value == 0 {
				w.leaveOpen("the times of kind %s are not stated: the schedule counts its dialogue alone; write times: {boot: …, waiting: …, by-hand: …}", u.Kind)
			}
		}
		later, ok := w.later(u, known)
		if !ok {
			return
		}
		if later.Time > 0 {
			out.Talks = append(out.Talks, later)
		}
		if later.Time > 0 && u.Reach == site.OverSSH {
			unit.Wait += later.Time // it needs no line
			later.Time = 0
		}
		batch.Units = append(batch.Units, unit)
		if later.Time > 0 {
			batch.Units = append(batch.Units, schedule.Unit{Name: later.Unit, Dialogue: later.Time, After: []string{u.Name}})
		}
	}
	out.Units = len(w.plan.Units)
	s, err := schedule.Plan(batch)
	if err != nil {
		w.report(plan.Error, v.Pos, fmt.Sprintf("there is no schedule: %v", err), "", "check the times and the visit")
		return
	}
	out.Schedule = s
	w.sums.Visit = out
}

// network names the units without a cluster that are in a network of the
// unit, the switches among them: it looks for its cluster across them.
func (w *work) network(u *plan.Unit) []string {
	if w.lone == nil {
		w.lone = make(map[string][]string)
		for _, other := range w.plan.Units {
			if other.Cluster != "" || other.Dialogue == "" {
				continue
			}
			for _, name := range networksOf(other) {
				w.lone[name] = append(w.lone[name], other.Name)
			}
		}
	}
	var names []string
	for _, name := range networksOf(u) {
		names = append(names, w.lone[name]...)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// networksOf names the networks that a unit has a port in, each once.
func networksOf(u *plan.Unit) []string {
	ports, _ := u.Values["ports"].([]script.PortValues)
	var names []string
	for _, p := range ports {
		if !slices.Contains(names, p.Network.Name) {
			names = append(names, p.Network.Name)
		}
	}
	return names
}

// Later is what follows a unit's name where its set-up and proof are meant,
// once it has finished by itself. No unit's name has a colon.
const Later = ": set-up and proof"

// later estimates the set-up and the proof of a unit in one.
func (w *work) later(u *plan.Unit, known map[talkShape]Talk) (Talk, bool) {
	sum := Talk{Unit: u.Name + Later}
	for _, path := range []string{u.SetUp, u.Proof} {
		if path == "" {
			continue
		}
		t, ok := w.talk(u, path, known)
		if !ok {
			return Talk{}, false
		}
		sum.Characters, sum.Exchanges, sum.Time = sum.Characters+t.Characters, sum.Exchanges+t.Exchanges, sum.Time+t.Time
	}
	return sum, true
}

// talkShape is what makes two units' estimates the same.
type talkShape struct {
	dialogue, kind, mode string
	values               int
}

// talk estimates the dialogue of a unit. Units with the same dialogue, for
// which as much is planned, have the estimate of the first of them:
// their values differ in length by a few characters.
func (w *work) talk(u *plan.Unit, path string, known map[talkShape]Talk) (Talk, bool) {
	d := w.options.Dialogue(path)
	if d == nil {
		return Talk{}, false // its faults are told elsewhere
	}
	shape := talkShape{path, u.Kind, u.Planned["cluster.mode"], len(u.Planned)}
	t, ok := known[shape]
	if !ok {
		t = estimate(d, u)
		known[shape] = t
	}
	t.Unit = u.Name
	return t, true
}

func estimate(d *script.Dialogue, u *plan.Unit) Talk {
	t := Talk{}
	for i := range d.Stages {
		t.stage(&d.Stages[i], u.Values)
	}
	t.Time = time.Duration(t.Characters)*d.Line.Settings.CharTime() + time.Duration(t.Exchanges)*max(d.Line.Settle, settleLeast)
	return t
}

// stage counts what a plan needs of a stage. What depends on a fact, which is
// not known before a run, counts.
func (t *Talk) stage(s *script.Stage, v script.Values) {
	if s.Each == nil {
		t.once(s, v)
		return
	}
	list, err := s.Each.Of.List(v)
	if err != nil {
		return
	}
	for _, element := range list {
		t.once(s, v.With(s.Each.Var, element))
	}
}

func (t *Talk) once(s *script.Stage, v script.Values) {
	if left(s.Needed, v) {
		return
	}
	for i := range s.Exchanges {
		x := &s.Exchanges[i]
		if left(x.Needed, v) || left(x.When, v) {
			continue
		}
		t.Exchanges++
		if len(x.Prompts) > 0 {
			t.Characters += len(x.Prompts[0].Text)
		}
		t.Characters += answer(x, v)
	}
}

// left tells that a guard is known to be false.
func left(g *script.Guard, v script.Values) bool {
	if g == nil {
		return false
	}
	if g.Never(v) {
		return true
	}
	yes, err := g.True(v)
	return err == nil && !yes && len(g.Facts()) == 0
}

// answer counts an answer as it is typed and as it is echoed, with Enter.
func answer(x *script.Exchange, v script.Values) int {
	if x.Answer == nil {
		return 1
	}
	n := 1
	pieces, err := x.Answer.Render(v)
	if err != nil {
		n += len(x.Answer.Source)
	}
	for _, p := range pieces {
		if p.Secret != "" {
			n += secretLength
			continue
		}
		n += len(p.Text)
	}
	if x.Echo == script.EchoTyped || x.Echo == "" {
		n *= 2
	}
	return n
}
