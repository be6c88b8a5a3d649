package visit

import (
	"context"
	"fmt"
	"maps"
	"strings"
	"time"

	"linehand/console"
	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// How often a boot shows how far it is, and when a line on which nothing is
// heard gets its advice.
const (
	bootTick   = 10 * time.Second
	bootSilent = 30 * time.Second
)

// firstBoot waits for the unit's turn, looks whether its addresses are free,
// and plays the first dialogue while it watches the boot.
func (r *run) firstBoot() (engine.Ending, error) {
	if err := r.turn(); err != nil {
		return engine.Ending{}, err
	}
	if err := r.probe(); err != nil {
		return engine.Ending{}, err
	}
	began := time.Now()
	r.rec.reset()
	stop := r.watchBoot(began)
	end, err := r.talk(r.FirstBoot)
	stop()
	r.noteBoot(began)
	return end, err
}

// turn waits until the units before this one in its cluster serve.
func (r *run) turn() error {
	for {
		failed, err := r.Turns.first(r.ctx, r.Unit, r.tell)
		if err != nil || len(failed) == 0 {
			return err
		}
		choice, err := r.hold(question{kind: HoldTurn, goOn: true,
			reason: fmt.Sprintf("the cluster of %s needs %s first, which has not come to serve", r.Unit, strings.Join(failed, ", ")),
			advice: "A unit that joins needs the one that starts the cluster. Go on only when the cluster is there.",
			next:   "Bring up " + failed[0] + " first, then run again for this unit. Nothing was typed."})
		if err != nil {
			return err
		}
		if choice == GoOn {
			return nil
		}
	}
}

// talk plays a dialogue, again as often as a person asks for it.
func (r *run) talk(t *Talk) (engine.Ending, error) {
	for {
		end, err := r.play(t)
		if err != nil || end.How != engine.Differs || r.part == Proof {
			return end, err
		}
		choice, err := r.hold(question{kind: HoldDiffers, goOn: true,
			reason: r.differsReason(end),
			advice: "Look again to play this part once more; go on to leave it for the punch list.",
			next:   end.Next})
		if err != nil {
			r.halt = r.ctx.Err() == nil
			if !r.halt {
				return end, err
			}
			return end, nil
		}
		if choice == GoOn {
			return end, nil
		}
	}
}

// differsReason names what differs, where that is known.
func (r *run) differsReason(end engine.Ending) string {
	if differs, _ := r.outcome(); len(differs) > 0 {
		return "otherwise than planned: " + pointNames(differs)
	}
	return strings.TrimRight(end.Sentence, ".")
}

// play opens the line of a dialogue and plays it.
func (r *run) play(t *Talk) (engine.Ending, error) {
	line, err := r.open(t)
	if err != nil {
		return engine.Ending{}, err
	}
	d := t.Dialogue
	r.append(transcript.Event{Kind: transcript.Note, Code: "dialogue", Name: d.Name,
		Text: fmt.Sprintf("%s over %s, SHA-256 %s", d.File, line.Info().Name, d.SHA256)})
	run := player.Run{
		Dialogue: d, Target: engine.Target{Serial: r.Serial, Values: maps.Clone(t.Values)},
		Line: line, Record: r.rec, Secrets: r.Secrets, Away: r.Away, Tune: t.Tune,
		Reopen:  func(ctx context.Context) (console.Line, error) { return t.Open(ctx, r.rec.facts) },
		Chassis: r.Chassis, Person: r.Name, Part: string(r.part), Patience: r.Patience,
		Hands: r.Hands, HalfTyped: r.HalfTyped,
		Watch: r.Watch, Mask: r.Mask, Log: r.Logger,
	}
	if r.Person != nil {
		run.Desk = adviser{r.Person, r}
	}
	r.HalfTyped = 0
	r.rec.fresh = t.Fresh
	defer func() { r.rec.fresh = false }()
	return run.Play(r.ctx)
}

// open opens the line of a dialogue; a person may put right what keeps it
// shut.
func (r *run) open(t *Talk) (console.Line, error) {
	for {
		line, err := t.Open(r.ctx, r.rec.facts)
		if err == nil {
			return line, nil
		}
		if r.ctx.Err() != nil {
			return nil, errStopped
		}
		_, err = r.hold(question{kind: HoldOpen, reason: "the line cannot be opened: " + err.Error(),
			advice: "Plug the adapter or the cable in, or close the other program that uses it.",
			next:   "Put the line right and run again."})
		if err != nil {
			return nil, err
		}
	}
}

// adviser adds to a hold about silence what there is to look at on the unit.
type adviser struct {
	Person
	r *run
}

func (a adviser) Hold(ctx context.Context, held player.Held) (player.Release, error) {
	if held.Kind == engine.HoldSilent && held.Advice == "" {
		held.Advice = a.r.silenceAdvice()
	}
	return a.Person.Hold(ctx, held)
}

// silenceAdvice is what to look at when nothing is heard: what an ending says
// of it, and the steps about indicators.
func (r *run) silenceAdvice() string {
	text := engine.GiveUp(engine.Hold{Kind: engine.HoldSilent}).Next
	for _, s := range r.Visit.Before {
		name := strings.ToLower(s.Name)
		if s.Otherwise != "" && (strings.Contains(name, "indicator") || strings.Contains(name, "light")) {
			text += " " + s.Otherwise
		}
	}
	return text
}

// watchBoot shows how far a boot is until it is stopped.
func (r *run) watchBoot(began time.Time) (stop func()) {
	if r.Watch == nil {
		return func() {}
	}
	over, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(bootTick)
		defer tick.Stop()
		for {
			select {
			case <-over:
				return
			case now := <-tick.C:
				b := r.rec.boot()
				if !b.answer.IsZero() {
					return
				}
				r.Watch(player.Progress{Part: string(FirstBoot), Doing: player.Waiting, Text: r.Mask(r.bootText(b, began, now))})
			}
		}
	}()
	return func() { close(over); <-ended }
}

func (r *run) bootText(b boot, began, now time.Time) string {
	if b.first.IsZero() {
		if now.Sub(began) < bootSilent {
			return "nothing heard yet"
		}
		return fmt.Sprintf("nothing heard for %s. %s", now.Sub(began).Round(time.Second), r.silenceAdvice())
	}
	text := fmt.Sprintf("booting for %s", now.Sub(b.first).Round(time.Second))
	if r.Boot > 0 {
		text += fmt.Sprintf(" of about %s", r.Boot.Round(time.Second))
		if now.Sub(b.first) > 2*r.Boot {
			text += ", longer than usual"
		}
	}
	if b.last != "" {
		text += "; " + b.last
	}
	return text
}

// noteBoot records what the boot took.
func (r *run) noteBoot(began time.Time) {
	b := r.rec.boot()
	if b.first.IsZero() {
		return
	}
	text := fmt.Sprintf("first byte heard after %.1f s", b.first.Sub(began).Seconds())
	if !b.answer.IsZero() {
		text += fmt.Sprintf(", first prompt answered %.1f s after that", b.answer.Sub(b.first).Seconds())
	}
	if r.Boot > 0 {
		text += fmt.Sprintf("; by earlier records about %.1f s", r.Boot.Seconds())
	}
	r.note("boot", text)
}
