package desk

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"linehand/script/visit"
	"linehand/transcript"
)

func (s seat) Step(ctx context.Context, shown visit.Shown) (a visit.Answer, err error) {
	err = s.ask(ctx, func() error {
		s.showStep(shown)
		for {
			fmt.Fprintf(s.out, "%s> ", s.unit)
			text, err := s.answer(ctx)
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

func (s seat) stepAnswer(ctx context.Context, shown visit.Shown, text string) (a visit.Answer, ok bool, err error) {
	word, note, _ := strings.Cut(text, " ")
	switch word {
	case "?":
		s.showMore(shown.Step)
		return a, false, nil
	case "b":
		if shown.No == 1 {
			fmt.Fprintln(s.out, "  this is the first step")
			return a, false, nil
		}
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
			if note, err = s.answer(ctx); err != nil {
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
	keys := "  Enter or initials: done and good; n and why: not good; b: back; ?: more"
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
		text, err := s.answer(ctx)
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
