package bench_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/fixtures/sim"
	"linehand/script/engine"
	"linehand/transcript"
)

// wholeVisits has the shelves of a batch set up and proved as well.
func wholeVisits(t *testing.T) func(*bench.Config) {
	return func(c *bench.Config) {
		c.Plays = bench.PlayVisit
		rewrite(t, profileOf(c), "demonstration: true}", "demonstration: true, dns: [192.0.2.3]}")
		for range c.Sheet.Plan.Units[1:] { // the last one is a switch
			rewrite(t, profileOf(c), "cluster: {", "storage: {layout: double parity groups, groups: 2, spares: 2, use: 22}, cluster:  {")
		}
		c.Sheet = reread(t, filepath.Dir(c.Data))
	}
}

// parts are those of a visit that the record of a line's run holds, with how they ended.
func parts(t *testing.T, r *rig, l bench.Line) (list []string) {
	t.Helper()
	rec, err := transcript.Read(filepath.Join(r.cfg.Records, l.Record))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range rec.Events {
		if e.Kind == transcript.Phase && e.State == transcript.Over {
			list = append(list, e.Name+" "+e.Code)
		}
	}
	return list
}

// A starter and a joiner are played from their first boot to their proof; the
// joiner has its turn when its starter serves, and what is open is closed by a
// proof later.
func TestVisits(t *testing.T) {
	inBubble(t, 2, 2, wholeVisits(t), func(t *testing.T, r *rig) {
		r.world = sim.NewWorld()
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		b := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{})
		defer a.Stop()
		defer b.Stop()
		la := r.until(cable1, "finished", in(bench.Finished))
		lb := r.until(cable2, "finished", in(bench.Finished))
		for _, l := range []bench.Line{la, lb} {
			if want := []string{"first boot done", "waiting done", "set-up done", "proof open", "punch list done", "sign-off open"}; !slices.Equal(parts(t, r, l), want) || l.Ending.Code != "open" {
				t.Errorf("%s has the parts %q and ended %+v", l.Unit, parts(t, r, l), l.Ending)
			}
		}
		served, ended := time.Time{}, ended(t, r, "shelf-01")
		for _, e := range record(t, r, "shelf-01").Events {
			if e.Kind == transcript.Phase && e.Name == "waiting" && e.State == transcript.Over {
				served = e.Wall
			}
		}
		if at := begun(t, r, "shelf-02"); at.Before(served) || !at.Before(ended) {
			t.Errorf("the joiner began at %s; its starter served at %s and ended at %s", at, served, ended)
		}
		for prompt, n := range asked(a) {
			if n != 1 && !strings.Contains(prompt, "S24") {
				t.Errorf("%q was answered %d times", prompt, n)
			}
		}
		if err := r.d.Prove(t.Context(), robin, "shelf-77"); err == nil {
			t.Error("a unit that is not there is proved")
		}
		time.Sleep(24 * time.Hour) // the drives are checked by now
		ok(t, "prove", r.d.Prove(t.Context(), robin, "shelf-01"))
		l := r.until(cable1, "proved", func(l bench.Line) bool {
			return l.State == bench.Finished && l.Record != la.Record && l.Record != ""
		})
		if got := parts(t, r, l); got[0] != "proof already" || !good(l) {
			t.Errorf("the proof played %q and ended %+v", got, l.Ending)
		}
		rec, err := transcript.Read(filepath.Join(r.cfg.Records, l.Record))
		ok(t, "read", err)
		closed := 0
		for _, e := range rec.Events {
			if e.Kind == transcript.Punch && e.State == transcript.Closed {
				closed++
			}
		}
		if closed != 2 {
			t.Errorf("%d open points were closed", closed)
		}
	})
}

func good(l bench.Line) bool { return engine.How(l.Ending.Code).Good() }

// A bench that is stopped in the middle of a visit, while a person has the
// keyboard, goes on with the part that it was in.
func TestAVisitGoesOn(t *testing.T) {
	inBubble(t, 1, 1, wholeVisits(t), func(t *testing.T, r *rig) {
		r.world = sim.NewWorld()
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer a.Stop()
		r.until(cable1, "being set up", func(l bench.Line) bool { return l.Part == "set-up" && l.No >= 1 })
		k, err := r.d.TakeOver(t.Context(), robin, cable1)
		ok(t, "take over", err)
		ok(t, "give back", k.GiveBack())
		r.finish()
		r.start()
		l := r.until(cable1, "finished", in(bench.Finished))
		if got := parts(t, r, l); got[0] != "set-up done" && got[0] != "set-up already" || l.Ending.Code != "open" {
			t.Errorf("after the restart it played %q and ended %+v", got, l.Ending)
		}
		for prompt, n := range asked(a) {
			if n != 1 {
				t.Errorf("%q was answered %d times", prompt, n)
			}
		}
	})
}

// Where the bench is to play the first boot alone, it does.
func TestFirstBootAlone(t *testing.T) {
	inBubble(t, 1, 1, func(c *bench.Config) { wholeVisits(t)(c); c.Plays = bench.PlayFirstBoot }, func(t *testing.T, r *rig) {
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer a.Stop()
		l := r.until(cable1, "finished", in(bench.Finished))
		if got := parts(t, r, l); len(got) != 0 || l.Ending.Code != "done" {
			t.Errorf("it played %q and ended %+v", got, l.Ending)
		}
	})
}
