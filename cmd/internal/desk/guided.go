package desk

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"unicode"

	"linehand/script/visit"
)

// sitting is what the lists of several visits share.
type sitting struct {
	lists chan struct{} // holds one value while nobody sits with a list

	mu       sync.Mutex
	initials string // given last
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
// stepAnswer reads one answer to a step; ok is false when there is more to
// ask.
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
		text, err := s.answer(ctx)
		if err != nil {
			return "", err
		}
		if text = strings.TrimSpace(text); areInitials(text) {
			s.sign(text)
		} else {
			fmt.Fprintln(s.out, "  initials are two to five letters; they stand in the record beside each step")
		}
	}
}

// List shows steps once and reads one answer for all of them.
// exception takes what is said of one step of a list.
// Count asks whether the ticks of an earlier record count.
// Point asks who closes an open point, and by when.
// otherwise asks for a text; Enter takes the one that stands there.
// Sign asks for the initials that sign the visit off.
// wrapped prints text behind a lead, at most 78 columns wide.
