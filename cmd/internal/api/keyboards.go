package api

import (
	"context"
	"sync"
	"time"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/bench"
)

// Keyboards are the lines that people have taken over through the API or the
// pages. Only who has taken a line types on it, in whatever session. When the
// session in which they did so last is over, the line is given back: nobody is
// at its keyboard any more.
type Keyboards struct {
	bench bench.Bench

	mu   sync.Mutex
	held map[string]taken // by line
}

type taken struct {
	bench.Keyboard
	who access.Session // that took it, or typed last
}

// NewKeyboards has none yet.
func NewKeyboards(b bench.Bench) *Keyboards {
	return &Keyboards{bench: b, held: make(map[string]taken)}
}

// Take takes a line over.
func (k *Keyboards) Take(ctx context.Context, who access.Session, line string) error {
	kb, err := k.bench.TakeOver(ctx, who.By(), line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.held[line] = taken{kb, who}
	return nil
}

// of is the line's keyboard if who has it.
func (k *Keyboards) of(who access.Session, line string) (bench.Keyboard, error) {
	if _, err := k.bench.Line(line); err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	t, ok := k.held[line]
	switch {
	case !ok:
		return nil, bench.ErrState
	case t.who.Person.Name != who.Person.Name:
		return nil, bench.ErrTaken
	}
	k.held[line] = taken{t.Keyboard, who}
	return t.Keyboard, nil
}

// Type types keys as they are.
func (k *Keyboards) Type(who access.Session, line string, keys []byte) error {
	kb, err := k.of(who, line)
	if err != nil {
		return err
	}
	return kb.Type(keys)
}

// Secret types a secret with Enter at its end. It is kept nowhere.
func (k *Keyboards) Secret(who access.Session, line, text string) error {
	kb, err := k.of(who, line)
	if err != nil {
		return err
	}
	return kb.Secret(text)
}

// GiveBack lets the run go on.
func (k *Keyboards) GiveBack(who access.Session, line string) error {
	kb, err := k.of(who, line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	delete(k.held, line)
	k.mu.Unlock()
	return kb.GiveBack()
}

// stillEvery is how often it is looked whether whoever has a line is still
// signed in.
const stillEvery = time.Second

// run gives back the lines of those whose session is over, until ctx ends.
func (k *Keyboards) run(ctx context.Context, still func(access.Session) bool) {
	tick := time.NewTicker(stillEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		for _, kb := range k.left(still) {
			_ = kb.GiveBack() // it may be over already
		}
	}
}

// left are the keyboards that nobody is at any more.
func (k *Keyboards) left(still func(access.Session) bool) (list []bench.Keyboard) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for line, t := range k.held {
		if !still(t.who) {
			delete(k.held, line)
			list = append(list, t.Keyboard)
		}
	}
	return list
}
