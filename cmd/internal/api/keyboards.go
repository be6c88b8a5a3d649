package api

import (
	"context"
	"sync"

	"linehand/cmd/internal/bench"
)

// Keyboards are the lines that people have taken over through the API or the
// pages. Only who has taken a line types on it, in whatever session.
type Keyboards struct {
	bench bench.Bench

	mu   sync.Mutex
	held map[string]taken // by line
}

type taken struct {
	bench.Keyboard
	by string
}

// NewKeyboards has none yet.
func NewKeyboards(b bench.Bench) *Keyboards {
	return &Keyboards{bench: b, held: make(map[string]taken)}
}

// Take takes a line over.
func (k *Keyboards) Take(ctx context.Context, by bench.Person, line string) error {
	kb, err := k.bench.TakeOver(ctx, by, line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.held[line] = taken{kb, by.Name}
	return nil
}

// of is the line's keyboard if by has it.
func (k *Keyboards) of(by bench.Person, line string) (bench.Keyboard, error) {
	if _, err := k.bench.Line(line); err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	t, ok := k.held[line]
	switch {
	case !ok:
		return nil, bench.ErrState
	case t.by != by.Name:
		return nil, bench.ErrTaken
	}
	return t.Keyboard, nil
}

// Type types keys as they are.
func (k *Keyboards) Type(by bench.Person, line string, keys []byte) error {
	kb, err := k.of(by, line)
	if err != nil {
		return err
	}
	return kb.Type(keys)
}

// Secret types a secret with Enter at its end. It is kept nowhere.
func (k *Keyboards) Secret(by bench.Person, line, text string) error {
	kb, err := k.of(by, line)
	if err != nil {
		return err
	}
	return kb.Secret(text)
}

// GiveBack lets the run go on.
func (k *Keyboards) GiveBack(by bench.Person, line string) error {
	kb, err := k.of(by, line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	delete(k.held, line)
	k.mu.Unlock()
	return kb.GiveBack()
}
