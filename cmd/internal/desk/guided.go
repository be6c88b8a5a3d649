package desk

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"linehand/script/visit"
	"linehand/transcript"
)

// sitting is what the lists of several visits share.
type sitting struct {
	lists chan struct{} // holds one value while nobody sits with a list

	mu       sync.Mutex
	initials string // given last
	asks     bool   // who closes open points is asked
	closes   string // given last, or the caller's
	by       string
	inOrder  *order
}

// Guide makes a desk ready for visits. initials may be "": they are asked for.
// closes and by are who closes open points and by when, where the person
// says nothing else. units are taken in this order where their lists must be:
// answers that are piped in cannot follow who happens to be first; nil: as
// they come.
func (d *Desk) Guide(initials, closes, by string, units []string) {
	d.initials, d.closes, d.by = initials, closes, by
	if units != nil {
		d.inOrder = newOrder(units)
	}
}

// Visit is the desk as a visit to the unit sees it.
func (d *Desk) Visit(unit string) visit.Person { return seat{d, unit} }

// Begin says that the visit to a unit is in a part now.
func (d *Desk) Begin(unit, part string) {
	if d.inOrder != nil {
		d.inOrder.begin(unit, part)
	}
}

// Leave says that the visit to a unit is over: nobody waits for its lists any
// more.
func (d *Desk) Leave(unit string) {
	if d.inOrder != nil {
		d.inOrder.leave(unit)
	}
}

// Sit has the person to itself for a list.
func (s seat) Sit(ctx context.Context, part string) (func(), error) {
	if s.inOrder != nil {
		if err := s.inOrder.wait(ctx, s.unit, part); err != nil {
			return nil, err
		}
	}
	select {
	case <-s.lists:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return func() {
		s.lists <- struct{}{}
		if s.inOrder != nil {
			s.inOrder.done(s.unit, part)
		}
	}, nil
}

// ask has the terminal to itself for one question.
func (s seat) ask(ctx context.Context, f func() error) error {
	select {
	case <-s.turn:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { s.turn <- struct{}{} }()
	var err error
	s.quiet(func() { err = f() })
	return err
}

// Step shows a step and reads what became of it.
func (s seat) Step(ctx context.Context, shown visit.Shown) (a visit.Answer, err error) {
	err = s.ask(ctx, func() error {
		s.showStep(shown)
		for {
			fmt.Fprintf(s.out, "%s> ", s.unit)
			text, err := s.in.line(ctx)
			if err != nil {
				return err
			}
			var ok bool
			if a, ok, err = s.stepAnswer(ctx, shown, strings.TrimSpace(text)); ok || err != nil {
				return err
			}
		}
	})
	return a, err
}

// stepAnswer reads one answer to a step; ok is false when there is more to
// ask.
func (s seat) stepAnswer(ctx context.Context, shown visit.Shown, text string) (a visit.Answer, ok bool, err error) {
	word, note, _ := strings.Cut(text, " ")
	switch word {
	case "?":
		s.showMore(shown.Step)
		return a, false, nil
	case "b":
		return visit.Answer{State: visit.Back}, true, nil
	case "p":
		if shown.Required {
			fmt.Fprintln(s.out, "  this step is required: it cannot be passed by; n says that it is not good")
			return a, false, nil
		}
		a.State = transcript.PassedBy
	case "n":
		a.State, a.Note = transcript.NotGood, strings.TrimSpace(note)
		for a.Note == "" {
			fmt.Fprint(s.out, "  what is not good: ")
			if note, err = s.in.line(ctx); err != nil {
				return a, false, err
			}
			a.Note = strings.TrimSpace(note)
		}
	default:
		a.State = transcript.Ticked
		if text != "" {
			if !areInitials(text) {
				fmt.Fprintln(s.out, "  Enter or your initials: done and good; n: not good; p: pass by; b: one step back; ?: more about it")
				return a, false, nil
			}
			s.sign(text)
		}
	}
	a.By, err = s.signed(ctx)
	return a, err == nil, err
}

// areInitials tells whether a text can be initials: two to five letters.
func areInitials(text string) bool {
	n := 0
	for _, r := range text {
		if !unicode.IsLetter(r) && r != '.' {
			return false
		}
		n++
	}
	return n >= 2 && n <= 5
}

func (s seat) sign(initials string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.initials = strings.ToUpper(initials)
}

func (s seat) last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.initials
}

// signed is the person's initials; they are asked for until there are some.
func (s seat) signed(ctx context.Context) (string, error) {
	for {
		if is := s.last(); is != "" {
			return is, nil
		}
		fmt.Fprint(s.out, "  your initials: ")
		text, err := s.in.line(ctx)
		if err != nil {
			return "", err
		}
		if text = strings.TrimSpace(text); areInitials(text) {
			s.sign(text)
		}
	}
}

func (s seat) showStep(shown visit.Shown) {
	firm := "advisory"
	if shown.Required {
		firm = "required"
	}
	fmt.Fprintf(s.out, "\n%s, %s, step %d of %d: %s (%s)\n", s.unit, shown.Part, shown.No, shown.Of, plain(shown.Name), firm)
	wrapped(s.out, "  ", plain(shown.Do))
	s.caution(shown.Step)
	for _, row := range strings.Split(strings.TrimRight(shown.Picture, "\n"), "\n") {
		if row != "" {
			fmt.Fprintf(s.out, "    %s\n", plain(row))
		}
	}
	for _, v := range shown.Values {
		fmt.Fprintf(s.out, "    %s: %s\n", plain(v.Label), plain(v.Value))
	}
	if shown.Good != "" {
		wrapped(s.out, "  good: ", plain(shown.Good))
	}
	if shown.MustShow != "" {
		wrapped(s.out, "  the page must show: ", plain(shown.MustShow))
	}
	keys := "  Enter or initials: done and good; n: not good; b: back; ?: more"
	if !shown.Required {
		keys += "; p: pass by"
	}
	fmt.Fprintln(s.out, keys)
}

func (s seat) caution(step visit.Step) {
	if step.Caution == "" {
		return
	}
	text := plain(step.Caution)
	if step.Source != "" {
		text += " Source: " + plain(step.Source) + "."
	}
	wrapped(s.out, "  CAUTION: ", text)
}

func (s seat) showMore(step visit.Step) {
	s.caution(step)
	if step.Otherwise == "" && step.Caution == "" {
		fmt.Fprintln(s.out, "  nothing more is known about it")
	}
	if step.Otherwise != "" {
		wrapped(s.out, "  if it is otherwise: ", plain(step.Otherwise))
	}
}

// List shows steps once and reads one answer for all of them.
func (s seat) List(ctx context.Context, part string, list []visit.Step) (out []visit.Answer, err error) {
	err = s.ask(ctx, func() error {
		fmt.Fprintf(s.out, "\n%s, %s:\n", s.unit, part)
		for i, step := range list {
			firm := ""
			if step.Required {
				firm = " (required)"
			}
			wrapped(s.out, fmt.Sprintf("  %2d  ", i+1), plain(step.Name)+firm+": "+plain(step.Do))
			s.caution(step)
			for _, v := range step.Values {
				fmt.Fprintf(s.out, "      %s: %s\n", plain(v.Label), plain(v.Value))
			}
		}
		fmt.Fprintln(s.out, "  Enter or initials: all are done and good; n NUMBER WHY, or p NUMBER, first for those that are not; ? NUMBER: more")
		out = make([]visit.Answer, len(list))
		return s.listed(ctx, list, out)
	})
	return out, err
}

func (s seat) listed(ctx context.Context, list []visit.Step, out []visit.Answer) error {
	for {
		fmt.Fprintf(s.out, "%s> ", s.unit)
		text, err := s.in.line(ctx)
		if err != nil {
			return err
		}
		text = strings.TrimSpace(text)
		if text == "" || areInitials(text) {
			if text != "" {
				s.sign(text)
			}
			break
		}
		s.exception(text, list, out)
	}
	by, err := s.signed(ctx)
	for i := range out {
		if out[i].By = by; out[i].State == "" {
			out[i].State = transcript.Ticked
		}
	}
	return err
}

// exception takes what is said of one step of a list.
func (s seat) exception(text string, list []visit.Step, out []visit.Answer) {
	words := strings.SplitN(text, " ", 3)
	no := 0
	if len(words) > 1 {
		no, _ = strconv.Atoi(words[1])
	}
	if no < 1 || no > len(list) {
		fmt.Fprintln(s.out, "  write it as in n 3 the rail is bent")
		return
	}
	a := &out[no-1]
	switch words[0] {
	case "?":
		s.showMore(list[no-1])
	case "p":
		if list[no-1].Required {
			fmt.Fprintln(s.out, "  this step is required: it cannot be passed by")
			return
		}
		*a = visit.Answer{State: transcript.PassedBy}
	case "n":
		*a = visit.Answer{State: transcript.NotGood, Note: "no reason is given"}
		if len(words) == 3 {
			a.Note = words[2]
		}
	default:
		fmt.Fprintln(s.out, "  write it as in n 3 the rail is bent")
	}
}

// Count asks whether the ticks of an earlier record count.
func (s seat) Count(ctx context.Context, e *visit.Earlier, ticked int) (counts bool, err error) {
	how := "was cut off"
	if e.Ended != "" {
		how = "ended as " + e.Ended
	}
	err = s.ask(ctx, func() error {
		fmt.Fprintf(s.out, "\n%s: an earlier visit %s, with %d steps ticked (%s).\n  Enter: they count; n: ask all of them again\n%s> ", s.unit, how, ticked, e.Record, s.unit)
		text, err := s.in.line(ctx)
		counts = strings.TrimSpace(text) == ""
		return err
	})
	return counts, err
}

// Point asks who closes an open point, and by when.
func (s seat) Point(ctx context.Context, p visit.Point) (who, when string, err error) {
	s.mu.Lock()
	who, when = s.closes, s.by
	s.mu.Unlock()
	err = s.ask(ctx, func() error {
		wrapped(s.out, fmt.Sprintf("\n%s: open: ", s.unit), plain(p.Text))
		if who, err = s.otherwise(ctx, "  who closes it", who, func(string) bool { return true }); err != nil {
			return err
		}
		when, err = s.otherwise(ctx, "  by when, as 2026-01-31", when, isDate)
		return err
	})
	if err == nil {
		s.mu.Lock()
		s.closes, s.by = who, when
		s.mu.Unlock()
	}
	return who, when, err
}

// otherwise asks for a text; Enter takes the one that stands there.
func (s seat) otherwise(ctx context.Context, question, usual string, good func(string) bool) (string, error) {
	if usual != "" {
		question += " [" + usual + "]"
	}
	for {
		fmt.Fprintf(s.out, "%s: ", question)
		text, err := s.in.line(ctx)
		if err != nil {
			return "", err
		}
		if text = strings.TrimSpace(text); text == "" {
			return usual, nil
		}
		if good(text) {
			return text, nil
		}
	}
}

func isDate(text string) bool {
	_, err := time.Parse(time.DateOnly, text)
	return err == nil
}

// Sign asks for the initials that sign the visit off.
func (s seat) Sign(ctx context.Context, sum visit.Summary) (initials string, err error) {
	err = s.ask(ctx, func() error {
		wrapped(s.out, fmt.Sprintf("\n%s: ", s.unit), plain(sum.Sentence))
		usual := s.last()
		for {
			fmt.Fprint(s.out, "  sign off: ")
			if usual != "" {
				fmt.Fprintf(s.out, "Enter signs as %s, ", usual)
			}
			fmt.Fprintf(s.out, "initials sign, n does not\n%s> ", s.unit)
			text, err := s.in.line(ctx)
			if err != nil {
				return err
			}
			switch text = strings.TrimSpace(text); {
			case text == "n":
				return nil
			case text == "" && usual != "":
				initials = usual
				return nil
			case areInitials(text):
				s.sign(text)
				initials = s.last()
				return nil
			}
		}
	})
	return initials, err
}

// wrapped prints text behind a lead, at most 78 columns wide.
func wrapped(w io.Writer, lead, text string) {
	const width = 78
	indent := strings.Repeat(" ", len(strings.TrimLeft(lead, "\n")))
	line := lead
	at := len(indent)
	for i, word := range strings.Fields(text) {
		if i > 0 && at+1+len(word) > width {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			line, at = indent, len(indent)
		} else if i > 0 {
			line += " "
			at++
		}
		line += word
		at += len(word)
	}
	fmt.Fprintln(w, line)
}
