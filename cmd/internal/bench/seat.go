package bench

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/script/player"
)

// seat is the desk of a run: its holds go to whoever watches the bench, and
// the first who decides releases them.
type seat struct{ *run }

// held is a hold that waits.
type held struct {
	Hold
	run    *run
	answer chan player.Release // holds the one answer
	given  bool                // guarded by Daemon.mu
	by     Given               // set before there is an answer
}

// Hold shows the hold until somebody releases it, or it has lifted.
func (s seat) Hold(ctx context.Context, h player.Held) (player.Release, error) {
	d, l := s.line.d, s.line
	x := &held{run: s.run, answer: make(chan player.Release, 1), Hold: Hold{
		ID: newID("h"), Reason: d.cfg.Mask.Text(h.Reason), Stage: h.Stage, Screen: h.Screen, Stages: h.Stages, Raised: time.Now(),
	}}
	for _, prompt := range h.Hoped {
		x.Hoped = append(x.Hoped, d.cfg.Mask.Text(prompt))
	}
	for _, c := range h.Choices {
		x.Choices = append(x.Choices, string(c))
	}
	raised := x.Hold
	l.set(func(sh *Line) {
		d.holds[x.ID] = x
		sh.State, sh.Person, sh.Why, sh.Hold = Holding, true, raised.Reason, &raised
	})
	defer d.aside.Forget(x.ID)
	told, cancel := context.WithCancelCause(ctx)
	s.far.Go(func() { x.fromAfar(told) })
	defer func() {
		cancel(nil)
		l.set(func(sh *Line) {
			delete(d.holds, x.ID)
			if sh.Hold != nil && sh.Hold.ID == x.ID {
				sh.State, sh.Person, sh.Why, sh.Hold = Playing, false, "", nil
			}
		})
	}()
	select {
	case r := <-x.answer:
		cancel(&x.by)
		return x.withSecret(r)
	case <-ctx.Done():
		return player.Release{}, ctx.Err()
	}
}

// withSecret adds the secret that a person has given for the hold.
func (x *held) withSecret(r player.Release) (player.Release, error) {
	if !r.Secret {
		return r, nil
	}
	text, ok := x.run.line.d.aside.Take(x.ID)
	if !ok {
		return r, errors.New("the secret that was to be typed is not here")
	}
	r.Text = string(text)
	clear(text)
	return r, nil
}

// fromAfar waits for a release by way of the store of orders.
func (x *held) fromAfar(ctx context.Context) {
	r, by, err := x.run.work.Hold(ctx, x.Hold)
	if err == nil && ctx.Err() == nil {
		_ = x.release(by, r)
	}
}

// release is how a person releases the hold; the first one counts.
func (x *held) release(by Person, r Release) error {
	if !slices.Contains(x.Choices, r.Choice) {
		return fmt.Errorf("%w: %q is no way out of this hold; there is %v", ErrChoice, r.Choice, x.Choices)
	}
	if r.Choice == string(player.GoTo) && !slices.Contains(x.Stages, r.Stage) {
		return fmt.Errorf("%w: the dialogue has no stage %q", ErrChoice, r.Stage)
	}
	d := x.run.line.d
	d.mu.Lock()
	defer d.mu.Unlock()
	if x.given {
		return ErrReleased
	}
	if r.Secret { // what is told of the release does not hold it
		if r.Choice != string(player.ByHand) || r.Text == "" || strings.ContainsAny(r.Text, "\r\n") {
			return fmt.Errorf("%w: a secret is one line that is not empty, to be typed by hand", ErrChoice)
		}
		d.aside.Put(x.ID, []byte(r.Text))
		r.Text = ""
	}
	x.given, x.by = true, Given{r, by}
	if len(d.released) > keptReleases {
		clear(d.released)
	}
	d.released[x.ID] = true
	x.answer <- player.Release{Choice: player.Choice(r.Choice), Text: r.Text, Secret: r.Secret, Stage: r.Stage, By: by.Name}
	return nil
}

// keptReleases is how many released holds are told from such as never were.
const keptReleases = 10000

// newID is a name that nothing else has.
func newID(kind string) string { return kind + "-" + rand.Text()[:12] }
