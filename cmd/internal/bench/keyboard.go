package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"linehand/script/player"
)

// TakeOver gives a person the keyboard of a line on which a run goes on.
func (d *Daemon) TakeOver(ctx context.Context, by Person, id string) (Keyboard, error) {
	l := d.find(id)
	if l == nil {
		return nil, ErrNoLine
	}
	d.mu.Lock()
	r := l.run
	switch {
	case r == nil:
		d.mu.Unlock()
		return nil, ErrState
	case r.taken:
		d.mu.Unlock()
		return nil, ErrTaken
	}
	r.taken = true
	d.mu.Unlock()
	err := d.did(by, "take over", id, r.unit.Name)
	var grip *player.Grip
	if err == nil {
		grip, err = r.hands.Take(ctx, by.Name)
	}
	if err != nil {
		d.mu.Lock()
		r.taken = false
		d.mu.Unlock()
		if errors.Is(err, player.ErrOver) {
			return nil, ErrState
		}
		return nil, err
	}
	l.set(func(s *Line) {
		s.State, s.TakenBy, s.Person, s.Why, s.Hold, s.Doing = Taken, by.Name, false, by.Name+" types", nil, string(player.Taken)
	})
	k := &keyboard{d: d, run: r, grip: grip, by: by, typed: make(chan struct{}, 1)}
	d.tasks.Go(k.attend)
	return k, nil
}

// keyboard is a line in a person's hands.
type keyboard struct {
	d     *Daemon
	run   *run
	grip  *player.Grip
	by    Person
	typed chan struct{}
}

func (k *keyboard) Type(keys []byte) error { return k.do(k.grip.Type(keys)) }

func (k *keyboard) Secret(text string) error {
	if text == "" || strings.ContainsAny(text, "\r\n") {
		return fmt.Errorf("%w: a secret is one line that is not empty", ErrChoice)
	}
	return k.do(k.grip.Secret(text))
}

func (k *keyboard) GiveBack() error { return k.do(k.grip.GiveBack()) }

func (k *keyboard) do(err error) error {
	select {
	case k.typed <- struct{}{}:
	default:
	}
	if errors.Is(err, player.ErrGivenBack) || errors.Is(err, player.ErrOver) || errors.Is(err, player.ErrLineGone) {
		return fmt.Errorf("%w: %w", ErrState, err)
	}
	return err
}

// attend gives the line back when nobody has typed for long, and notes that
// it was given back.
func (k *keyboard) attend() {
	idle := time.NewTimer(k.d.cfg.Idle)
	defer idle.Stop()
	for {
		select {
		case <-k.typed:
			idle.Reset(k.d.cfg.Idle)
			continue
		case <-idle.C:
			_ = k.grip.GiveBack() // it may be over already
			continue
		case <-k.grip.Over():
		}
		break
	}
	k.run.line.set(func(s *Line) {
		k.run.taken = false
		s.TakenBy = ""
		if s.State == Taken {
			s.State, s.Why = Playing, ""
		}
	})
}
