package visit

import (
	"fmt"
	"slices"
	"strings"

	"linehand/script/engine"
	"linehand/transcript"
)

// points are what is left open besides read-backs.
type points struct {
	open    []Point
	differs []Point
}

func (p *points) add(x Point)    { p.open = put(p.open, x) }
func (p *points) differ(x Point) { p.differs = put(p.differs, x) }

func put(list []Point, x Point) []Point {
	for i := range list {
		if list[i].Name == x.Name && list[i].Code == x.Code {
			list[i] = x
			return list
		}
	}
	return append(list, x)
}

// outcome is what differs, and what else is open, by all that is known. A
// value that was read back again counts as it was the last time.
func (r *run) outcome() (differs, open []Point) {
	for _, e := range r.rec.latest() {
		p := Point{Name: e.Name, Code: "readback"}
		switch {
		case e.State == transcript.OpenYet:
			p.Code, p.Text = "open", fmt.Sprintf("%s is %q: it is not finished", e.Name, e.Got)
			open = append(open, p)
		case !e.Equal:
			p.Text = fmt.Sprintf("%s reads back as %q, and %q is planned", e.Name, e.Got, e.Want)
			if e.Got == "" {
				p.Text = fmt.Sprintf("%s was not read back: %s", e.Name, orNothing(e.Text))
			}
			differs = append(differs, p)
		}
	}
	return append(differs, r.points.differs...), append(open, r.points.open...)
}

func orNothing(text string) string {
	if text == "" {
		return "the unit did not print it"
	}
	return text
}

func pointNames(list []Point) string {
	var out []string
	for i, p := range list {
		if i == 3 && len(list) > 4 {
			out = append(out, fmt.Sprintf("and %d more", len(list)-i))
			break
		}
		out = append(out, p.Text)
	}
	return strings.Join(out, "; ")
}

// finish writes the punch list, has the visit signed, and gives its ending.
// broken is the ending of a part after which the visit could not go on; nil:
// it came to its last part.
func (r *run) finish(broken *engine.Ending) engine.Ending {
	differs, open := r.outcome()
	all := append(slices.Clone(differs), open...)
	if broken != nil {
		if broken.How != engine.NoRecord {
			for _, p := range all {
				r.punch(p, "", "")
			}
		}
		return naming(*broken, differs)
	}
	if stop, over := r.one(Punch, func() (engine.Ending, error) { return r.punchList(all) }); over {
		return stop
	}
	differs, open = r.outcome()
	end := r.verdict(differs, open)
	all = append(differs, open...)
	if stop, over := r.one(SignOff, func() (engine.Ending, error) { return r.signOff(Summary{end.Sentence, all}) }); over {
		return stop
	}
	return end
}

// naming adds to an ending before the last part what differs until then: a
// visit that nobody goes on with must not hide what its proof has found.
func naming(end engine.Ending, differs []Point) engine.Ending {
	switch end.How {
	case engine.Held, engine.Stopped, engine.Differs:
		if len(differs) > 0 {
			end.Sentence += fmt.Sprintf(" Otherwise than planned until then: %s.", pointNames(differs))
		}
	}
	return end
}

// verdict is the ending of a visit that came to its last part.
func (r *run) verdict(differs, open []Point) engine.Ending {
	set := "The unit is set up"
	if !r.without(Proof) && (r.Visit.Proof != nil || len(r.Ports) > 0) {
		set += " and proved" + r.unseenWords()
	}
	switch {
	case len(differs) > 0:
		return engine.Ending{How: engine.Differs,
			Sentence: fmt.Sprintf("The visit came to its end, but %s: %s.", isAre(len(differs), "point is otherwise than planned", "points are otherwise than planned"), pointNames(differs)),
			Next:     "Correct the unit or the plan, and run linehand proof."}
	case len(open) > 0:
		return engine.Ending{How: engine.Open,
			Sentence: fmt.Sprintf("%s; %s: %s.", set, isAre(len(open), "point is open", "points are open"), pointNames(open)),
			Next:     "Close what is on the punch list; run linehand proof later, and make the pack again."}
	case r.Visit.FirstBoot == nil && r.Visit.SetUp == nil && r.Visit.Proof == nil:
		return engine.Ending{How: engine.Done, Sentence: "What is done by hand is done; nothing was read back from the unit.", Next: "Make the handover pack when all units are done."}
	case !r.changed:
		return engine.Ending{How: engine.Already,
			Sentence: fmt.Sprintf("The unit was set up as planned already; %s as planned.", readWords(r.rec.good())), Next: "Nothing is left to do here."}
	}
	return engine.Ending{How: engine.Done, Sentence: fmt.Sprintf("%s; %s as planned.", set, readWords(r.rec.good())), Next: "Make the handover pack when all units are done."}
}

func readWords(n int) string {
	if n == 1 {
		return "1 value reads back"
	}
	return fmt.Sprintf("%d values read back", n)
}

func isAre(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// punchList asks who closes each point, and by when.
func (r *run) punchList(list []Point) (engine.Ending, error) {
	if err := r.closed(list); err != nil {
		return engine.Ending{}, err
	}
	differs, open := r.outcome()
	list = append(differs, open...)
	if len(list) == 0 {
		return engine.Ending{How: engine.Done, Sentence: "Nothing is open."}, nil
	}
	if err := r.whoAndWhen(list); err != nil {
		return engine.Ending{}, err
	}
	return engine.Ending{How: engine.Done, Sentence: fmt.Sprintf("%s on the punch list.", isAre(len(list), "point is", "points are"))}, nil
}

// whoAndWhen records each point with who closes it and by when, as far as a
// person or the caller says so.
func (r *run) whoAndWhen(list []Point) error {
	if r.Person != nil {
		done, err := r.Person.Sit(r.ctx, string(r.part))
		if err == nil {
			defer done()
		} else if err := r.gone(err); err != nil {
			return err
		}
	}
	for _, p := range list {
		by, when := r.ClosesBy, r.By
		if r.Person != nil {
			said, day, err := r.Person.Point(r.ctx, p)
			if err == nil {
				by, when = said, day
			} else if err := r.gone(err); err != nil {
				return err
			}
		}
		r.punch(p, by, when)
	}
	return nil
}

// gone notes that a person has left; an error when the visit is stopped.
func (r *run) gone(err error) error {
	if r.ctx.Err() != nil {
		return errStopped
	}
	r.note("desk", "nobody can be asked: "+err.Error())
	r.Person = nil
	return nil
}

func (r *run) punch(p Point, by, when string) {
	r.append(transcript.Event{Kind: transcript.Punch, Name: p.Name, Code: p.Code, Text: p.Text, By: by, Next: when})
}

// closed settles the open points of the record that a later proof is after.
// What the proof has read or looked at again is decided by that; the rest a
// person answers for.
func (r *run) closed(now []Point) error {
	var ask []Step
	still := make(map[string]Point)
	for _, p := range r.Closes {
		switch {
		case slices.ContainsFunc(now, func(x Point) bool { return x.Name == p.Name }):
		case r.rec.again(p.Name):
			r.append(transcript.Event{Kind: transcript.Punch, Name: p.Name, Code: p.Code, State: transcript.Closed, Text: p.Text + ": it is now as planned"})
		default:
			still[p.Name] = p
			ask = append(ask, Step{Name: p.Name, Do: "Is this closed? " + sentence(p.Text), Good: "It is done, and you have seen it."})
		}
	}
	if len(ask) == 0 {
		return nil
	}
	answers := make([]Answer, len(ask))
	left := make([]int, len(ask))
	for i := range left {
		left[i] = i
	}
	var err error
	if r.Person == nil {
		err = r.nobody(ask, left)
	} else {
		err = r.guided(ask, left, answers)
	}
	if err != nil {
		return err
	}
	for i, a := range answers {
		p := still[ask[i].Name]
		if a.State == transcript.Ticked {
			r.append(transcript.Event{Kind: transcript.Punch, Name: p.Name, Code: p.Code, State: transcript.Closed, Text: p.Text, By: a.By})
			continue
		}
		r.points.add(p)
	}
	return nil
}

// signOff has a person sign.
func (r *run) signOff(s Summary) (engine.Ending, error) {
	unsigned := engine.Ending{How: engine.Open, Sentence: "Nobody has signed."}
	if r.Person == nil {
		return unsigned, nil
	}
	done, err := r.Person.Sit(r.ctx, string(r.part))
	if err != nil {
		return unsigned, r.gone(err)
	}
	defer done()
	initials, err := r.Person.Sign(r.ctx, s)
	if err != nil {
		return unsigned, r.gone(err)
	}
	if initials == "" {
		return unsigned, nil
	}
	r.append(transcript.Event{Kind: transcript.SignOff, By: initials, Text: s.Sentence})
	return engine.Ending{How: engine.Done, Sentence: "Signed off by " + initials + "."}, nil
}
