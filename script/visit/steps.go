package visit

import (
	"fmt"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// StepKey is the name of a step within its part, in an Earlier.
func StepKey(part Part, name string) string { return string(part) + "/" + name }

// The words of a record for how firmly a step is meant.
const (
	Required = "required"
	Advisory = "advisory"
)

// fromTheList is what a record notes of steps that were ticked together.
const fromTheList = "ticked from the list"

// ask asks whether the ticks of an earlier record count.
func (r *run) ask() {
	if r.Earlier == nil {
		return
	}
	n := len(r.Earlier.Ticked)
	counts := false
	if r.Person != nil && n > 0 && r.From == "" {
		var err error
		if counts, err = r.Person.Count(r.ctx, r.Earlier, n); err != nil {
			counts = false
		}
	}
	r.note("earlier", fmt.Sprintf("an earlier record of this visit is %s; %s", r.Earlier.Record, countWords(counts, n)))
	if !counts {
		r.Earlier.Ticked = nil
	}
}

func countWords(counts bool, n int) string {
	if counts {
		return fmt.Sprintf("its %s that are ticked count", plural(n, "step"))
	}
	return "its ticks do not count"
}

// steps has a list of steps done. It ends as done, or as held where a
// required step is not done or not good.
func (r *run) steps(list []Step) (engine.Ending, error) {
	answers := make([]Answer, len(list))
	var left []int // that have to be asked
	for i, s := range list {
		a, known := Answer{}, false
		if r.Earlier != nil {
			a, known = r.Earlier.Ticked[StepKey(r.part, s.Name)]
		}
		if known {
			a.Note = "ticked in the earlier record"
			answers[i] = a
			r.tick(s, a)
			continue
		}
		left = append(left, i)
	}
	var err error
	switch {
	case len(left) == 0:
	case r.Person == nil:
		err = r.nobody(list, left)
	case r.Quick:
		err = r.listed(list, left, answers)
	default:
		err = r.guided(list, left, answers)
	}
	if err != nil {
		return engine.Ending{}, err
	}
	return r.stepsEnding(list, answers), nil
}

func (r *run) stepsEnding(list []Step, answers []Answer) engine.Ending {
	ticked := 0
	for i, a := range answers {
		switch {
		case a.State == transcript.Ticked:
			ticked++
		case a.State == transcript.NotGood:
			r.points.add(Point{Name: list[i].Name, Code: "step", Text: fmt.Sprintf("step %q is not as it should be: %s", list[i].Name, a.Note)})
		case list[i].Required:
			r.points.add(Point{Name: list[i].Name, Code: "step", Text: fmt.Sprintf("step %q is required and was passed by", list[i].Name)})
		}
	}
	return engine.Ending{How: engine.Done, Sentence: fmt.Sprintf("%d of %s by hand are ticked.", ticked, plural(len(list), "step"))}
}

// nobody shows steps to the record only. A required one ends the visit.
func (r *run) nobody(list []Step, left []int) error {
	for _, i := range left {
		r.tick(list[i], Answer{State: transcript.Shown})
	}
	for _, i := range left {
		if list[i].Required {
			_, err := r.hold(question{kind: HoldCount,
				reason: fmt.Sprintf("step %q is required, and nobody is there to tick it", list[i].Name),
				next:   "Run at a terminal, pipe the answers in with --on-hold ask, or begin at a later part with --from."})
			return err
		}
	}
	return nil
}

// guided asks one step at a time.
func (r *run) guided(list []Step, left []int, answers []Answer) error {
	done, err := r.Person.Sit(r.ctx, string(r.part))
	if err != nil {
		return r.unasked(list, left, err)
	}
	defer done()
	for n := 0; n < len(left); {
		i := left[n]
		a, err := r.Person.Step(r.ctx, Shown{Step: list[i], Part: string(r.part), No: n + 1, Of: len(left)})
		if err != nil {
			return r.unasked(list, left[n:], err)
		}
		if a.State == Back {
			n = max(n-1, 0)
			continue
		}
		again, err := r.answered(list[i], &a)
		if err != nil {
			return err
		}
		if !again {
			answers[i] = a
			n++
		}
	}
	return nil
}

// answered records an answer, and holds where a required step is not good.
func (r *run) answered(s Step, a *Answer) (again bool, err error) {
	if a.State == transcript.PassedBy && s.Required {
		a.State, a.Note = transcript.NotGood, "not done"
	}
	r.tick(s, *a)
	if a.State != transcript.NotGood || !s.Required {
		return false, nil
	}
	choice, err := r.hold(question{kind: HoldStep, goOn: true,
		reason: fmt.Sprintf("step %q is not as it should be: %s", s.Name, a.Note), advice: s.Otherwise})
	return choice == player.Again, err
}

// listed shows the list once.
func (r *run) listed(list []Step, left []int, answers []Answer) error {
	done, err := r.Person.Sit(r.ctx, string(r.part))
	if err != nil {
		return r.unasked(list, left, err)
	}
	defer done()
	open := left
	for len(open) > 0 {
		some := make([]Step, len(open))
		for n, i := range open {
			some[n] = list[i]
		}
		got, err := r.Person.List(r.ctx, string(r.part), some)
		if err == nil && len(got) != len(some) {
			err = fmt.Errorf("%d answers for %d steps", len(got), len(some))
		}
		if err != nil {
			return r.unasked(list, open, err)
		}
		var redo []int
		for n, i := range open {
			a := got[n]
			if a.State == transcript.Ticked && a.Note == "" {
				a.Note = fromTheList
			}
			again, err := r.answered(list[i], &a)
			if err != nil {
				return err
			}
			if answers[i] = a; again {
				redo = append(redo, i)
			}
		}
		open = redo
	}
	return nil
}

// unasked goes on without a person who has left.
func (r *run) unasked(list []Step, left []int, err error) error {
	if r.ctx.Err() != nil {
		return errStopped
	}
	r.note("desk", "nobody can be asked: "+err.Error())
	r.Person = nil
	return r.nobody(list, left)
}

func (r *run) tick(s Step, a Answer) {
	code := Advisory
	if s.Required {
		code = Required
	}
	caution := s.Caution
	if caution != "" && s.Source != "" {
		caution += " (" + s.Source + ")"
	}
	r.append(transcript.Event{Kind: transcript.Step, Name: s.Name, State: a.State, Code: code, Text: s.Do,
		Want: s.Good, Got: a.Note, By: a.By, Next: caution, Pos: s.Place})
}

func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}
