package orders

import (
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The table of what may be done in which state. Everything else is refused.
func TestWhatMayBeDone(t *testing.T) {
	may := map[State][]Act{
		Waiting:   {Move, Allow, Withdraw, Grant, Take, GiveBack, Reclaim},
		Allowed:   {Move, Begin, Withdraw, Grant, Take, GiveBack, Reclaim},
		Playing:   {GoOn, Raise, End, Stop, Grant, Reclaim},
		Holding:   {GoOn, Let, End, Stop, Grant, Reclaim},
		NotDone:   {Move, Withdraw, Repeat, Grant, Take, GiveBack, Reclaim},
		Done:      {},
		Withdrawn: {},
	}
	acts := []Act{Move, Allow, Begin, GoOn, Raise, Let, End, Stop, Withdraw, Repeat, Grant, Take, GiveBack, Reclaim, "sung to"}
	for state, allowed := range may {
		for _, act := range acts {
			want := false
			for _, a := range allowed {
				want = want || a == act
			}
			o := Order{ID: "o", State: state, Place: Firm, Token: 4, Player: "bench-1", Hold: &Hold{ID: "h", Choices: []Choice{{Name: "go on"}}}}
			c := Change{Act: act, At: time.Unix(1, 0), Place: "bench-1", Player: "bench-1", Token: 4, Ending: &Ending{}, Hold: o.Hold, Release: &Release{Hold: "h", Choice: "go on"}}
			if act == Begin || act == GoOn {
				c.Token = 5
			}
			next, err := o.After(c)
			if (err == nil) != want {
				t.Errorf("%s while %s: %v", act, state, err)
			}
			var wrong *WrongStateError
			if err != nil && (!errors.As(err, &wrong) || next.State != state) {
				t.Errorf("%s while %s: the order is %s afterwards, %v", act, state, next.State, err)
			}
		}
	}
}

// Whatever is asked in whatever order: what is closed stays closed, tokens only
// grow, nobody ends or holds a run under an older lease, and a hold is released
// once.
func TestAnyChanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := fileOrder(Filing{ID: "o", Unit: "deep-1"}, Change{At: time.Unix(1, 0)}, Firm)
		released := map[string]bool{}
		acts := rapid.SampledFrom([]Act{Move, Allow, Begin, GoOn, Raise, Let, End, Stop, Withdraw, Repeat, Grant, Take, GiveBack, Reclaim})
		for range rapid.IntRange(1, 60).Draw(t, "changes") {
			token := rapid.Uint64Range(1, 6).Draw(t, "token")
			hold := rapid.SampledFrom([]string{"h1", "h2"}).Draw(t, "hold")
			c := Change{
				Act: acts.Draw(t, "act"), Token: token, Player: rapid.SampledFrom([]string{"bench-1", "bench-2"}).Draw(t, "player"), Place: "bench-1",
				Hold: &Hold{ID: hold + o.Changed.At.String(), Choices: []Choice{{Name: "go on"}}}, Ending: &Ending{Good: rapid.Bool().Draw(t, "good")},
				Release: &Release{Choice: "go on"}, At: o.Changed.At.Add(time.Second),
			}
			if o.Hold != nil {
				c.Release.Hold = o.Hold.ID
			}
			next, err := o.After(c)
			if err != nil {
				if next.State != o.State || next.Changed != o.Changed {
					t.Fatalf("a refused %s changed the order", c.Act)
				}
				continue
			}
			switch {
			case !o.State.Open():
				t.Fatalf("%s was done to an order that was %s", c.Act, o.State)
			case next.Token < o.Token:
				t.Fatalf("%s took the token from %d back to %d", c.Act, o.Token, next.Token)
			case (c.Act == Raise || c.Act == End) && token != o.Token:
				t.Fatalf("%s under lease %d, and %d counts", c.Act, token, o.Token)
			case c.Act == Let && released[c.Release.Hold]:
				t.Fatalf("hold %s was released twice", c.Release.Hold)
			case next.Hand < o.Hand, next.Granted && next.Place != o.Place:
				t.Fatalf("%s: hand %d to %d, granted %t at %s", c.Act, o.Hand, next.Hand, next.Granted, next.Place)
			}
			if c.Act == Let {
				released[c.Release.Hold] = true
			}
			o = next
		}
	})
}

func TestNoTextForASecret(t *testing.T) {
	o := Order{ID: "o", State: Holding, Hold: &Hold{ID: "h", Choices: []Choice{{Name: "type it", Secret: true}, {Name: "serial", Text: true}}}}
	if _, err := o.After(Change{Act: Let, Release: &Release{Hold: "h", Choice: "type it", Text: "hunter2"}}); err == nil {
		t.Error("a secret went onto the bus")
	}
	if _, err := o.After(Change{Act: Let, Release: &Release{Hold: "h", Choice: "serial", Text: "BW24-0001"}}); err != nil {
		t.Error(err)
	}
}

func TestSuccessor(t *testing.T) {
	for id, want := range map[string]string{"deep": "deep-2", "deep-2": "deep-3", "deep-1": "deep-1-2", "o-0009": "o-10"} {
		if got := successor(id); got != want {
			t.Errorf("successor of %s is %s, want %s", id, got, want)
		}
	}
}
