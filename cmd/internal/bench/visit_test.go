package bench_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/fixtures/sim"
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

// parts are those of a visit that a record holds, with how they ended.
func parts(t *testing.T, path string) (list []string) {
	t.Helper()
	rec, err := transcript.Read(path)
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
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		b := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{})
		defer a.Stop()
		defer b.Stop()
		la := r.until(cable1, "finished", in(bench.Finished))
		lb := r.until(cable2, "finished", in(bench.Finished))
		for _, l := range []bench.Line{la, lb} {
			t.Logf("%s: %s; %s", l.Unit, l.Ending.Code, l.Ending.Sentence)
		}
		rec := record(t, r, "shelf-01")
		served := time.Time{}
		for _, e := range rec.Events {
			if e.Kind == transcript.Phase && e.Name == "waiting" && e.State == transcript.Over {
				served = e.Wall
			}
		}
		if at := begun(t, r, "shelf-02"); at.Before(served) {
			t.Errorf("the joiner began at %s, before its starter served at %s", at, served)
		}
		t.Log(strings.Join(parts(t, r.cfg.Records+"/"+la.Record), ", "))
		for prompt, n := range asked(a) {
			if n != 1 && !strings.Contains(prompt, "S24") {
				t.Errorf("%q was answered %d times", prompt, n)
			}
		}
		ok(t, "prove", r.d.Prove(t.Context(), robin, "shelf-01"))
		l := r.until(cable1, "proved", func(l bench.Line) bool { return l.State == bench.Finished && l.Record != la.Record && l.Record != "" })
		t.Logf("%s: %s; %s", l.Unit, l.Ending.Code, l.Ending.Sentence)
		proved := parts(t, r.cfg.Records+"/"+l.Record)
		if len(proved) == 0 || !strings.HasPrefix(proved[0], "proof ") || slices.ContainsFunc(proved, func(p string) bool { return strings.HasPrefix(p, "first boot") }) {
			t.Errorf("the proof played %v", proved)
		}
	})
}
