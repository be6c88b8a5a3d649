package desk

import (
	"context"
	"fmt"
	"strings"
	"time"

	"linehand/script/visit"
)

func (s seat) Count(ctx context.Context, e *visit.Earlier, ticked int) (counts bool, err error) {
	how := "was cut off"
	if e.Ended != "" {
		how = "ended as " + e.Ended
	}
	err = s.ask(ctx, func() error {
		fmt.Fprintf(s.out, "\n%s: an earlier visit %s, with %d steps ticked (%s).\n  Enter: they count; n: ask all of them again\n%s> ", s.unit, how, ticked, e.Record, s.unit)
		text, err := s.answer(ctx)
		counts = strings.TrimSpace(text) == ""
		return err
	})
	return counts, err
}

func (s seat) Point(ctx context.Context, p visit.Point) (who, when string, err error) {
	s.mu.Lock()
	who, when = s.closes, s.by
	s.mu.Unlock()
	err = s.ask(ctx, func() error {
		wrapped(s.out, fmt.Sprintf("\n%s: open: ", s.unit), plain(p.Text))
		if who, err = s.otherwise(ctx, "  who closes it", who, isName); err != nil {
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

func (s seat) otherwise(ctx context.Context, question, usual string, check func(string) string) (string, error) {
	empty := false // Enter was pressed, and nothing stands there
	if usual != "" {
		question += " [" + usual + "]"
	}
	for {
		fmt.Fprintf(s.out, "%s: ", question)
		text, err := s.answer(ctx)
		if err != nil {
			return "", err
		}
		if text = strings.TrimSpace(text); text == "" {
			text = usual
		}
		wrong := check(text)
		if wrong == "" || text == "" && empty {
			return text, nil
		}
		empty = text == ""
		fmt.Fprintf(s.out, "  %s\n", wrong)
	}
}

func isName(text string) string {
	if text == "" {
		return "an open point needs a name; Enter again leaves it without one"
	}
	return ""
}

func isDate(text string) string {
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		if text == "" {
			return "an open point needs a date; Enter again leaves it without one"
		}
		return "write a date as in 2026-01-31"
	}
	return ""
}

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
			text, err := s.answer(ctx)
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
