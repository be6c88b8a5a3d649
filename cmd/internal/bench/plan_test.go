package bench_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/fixtures/sim"
	"linehand/script/secret"
)

// rereading has the bench read its profile again when it is asked.
func rereading(c *bench.Config) {
	byBatch(c)
	profile, secrets := profileOf(c), c.Secrets
	c.Reread = func() (*station.Sheet, func() *secret.Store, error) {
		sheet, err := station.ReadSheet(profile)
		return sheet, secrets, err
	}
}

func profileOf(c *bench.Config) string {
	return filepath.Join(filepath.Dir(c.Data), "site", "batch.yaml")
}

// The profile is edited in the middle of a batch: the unit that is being
// played stays as it was, the next one is played as it is now.
func TestAnEditOfThePlan(t *testing.T) {
	inBubble(t, 3, 2, rereading, func(t *testing.T, r *rig) {
		profile := profileOf(&r.cfg)
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
		defer a.Stop()
		ok(t, "allow", r.d.Allow(t.Context(), robin))
		l := r.until(cable1, "on hold", in(bench.Holding))
		rewrite(t, profile, "192.0.2.20}", "192.0.2.120}")
		rewrite(t, profile, "192.0.2.21}", "192.0.2.121}")
		rewrite(t, profile, "serial: BW24-0003", "serial: BW24-0033")
		e, err := r.d.Reread(t.Context(), robin)
		ok(t, "read again", err)
		if want := []string{"shelf-01", "shelf-02", "shelf-03"}; !slices.Equal(e.Changed, want) || !slices.Equal(e.Kept, want[:1]) || len(e.Added)+len(e.Gone) > 0 {
			t.Errorf("changed: %+v", e)
		}
		ok(t, "release", r.d.Release(t.Context(), robin, l.Hold.ID, bench.Release{Choice: "type", Text: "7"}))
		r.until(cable1, "finished", in(bench.Finished))
		b := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{})
		defer b.Stop()
		r.until(cable2, "finished", in(bench.Finished))
		for unit, want := range map[string]string{"shelf-01": "192.0.2.20", "shelf-02": "192.0.2.121"} {
			if got := record(t, r, unit).Header.Planned["ports.e0.address"]; !strings.HasPrefix(got, want) {
				t.Errorf("%s was played with address %q, want %s", unit, got, want)
			}
		}
		// Once more: it is over, and is planned as the profile has it.
		ok(t, "again", r.d.Again(t.Context(), robin, "shelf-01"))
		if u, err := r.d.Sheet().Unit("shelf-01"); err != nil || !strings.HasPrefix(u.Planned["ports.e0.address"], "192.0.2.120") {
			t.Errorf("the plan has %v, %v", u, err)
		}
	})
}

// A fault in an edited profile is told, and the bench goes on as it was.
func TestAFaultInAnEditOfThePlan(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		_, err := r.d.Reread(t.Context(), robin)
		wantErr(t, "a bench that reads no profile again", err, bench.ErrNoReread)
	})
	inBubble(t, 1, 1, rereading, func(t *testing.T, r *rig) {
		before := r.d.Sheet()
		profile := profileOf(&r.cfg)
		rewrite(t, profile, "gateway: 192.0.2.1,", "gateway: 198.51.100.1,")
		if _, err := r.d.Reread(t.Context(), robin); err == nil || !strings.Contains(err.Error(), "batch.yaml") {
			t.Errorf("a fault in the profile: %v", err)
		}
		rewrite(t, profile, "gateway: 198.51.100.1,", "gateway: 192.0.2.1,")
		rewrite(t, profile, "name: holm,", "name: other,")
		_, err := r.d.Reread(t.Context(), robin)
		wantErr(t, "a profile of another site", err, bench.ErrSite)
		if r.d.Sheet() != before {
			t.Error("a profile with a fault was taken")
		}
		_, err = r.d.Reread(t.Context(), bench.Person{})
		if err == nil {
			t.Error("nobody has had the profile read again")
		}
	})
}

// A unit that was offered for matching is matched once the plan names it.
func TestAnEditThatNamesAUnit(t *testing.T) {
	inBubble(t, 1, 1, rereading, func(t *testing.T, r *rig) {
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{WrongSerial: "BW24-0999"})
		defer a.Stop()
		r.until(cable1, "unmatched", in(bench.Unmatched))
		rewrite(t, profileOf(&r.cfg), "serial: BW24-0001", "serial: BW24-0999")
		_, err := r.d.Reread(t.Context(), robin)
		ok(t, "read again", err)
		if l := r.until(cable1, "matched", in(bench.Matched)); l.Unit != "shelf-01" {
			t.Errorf("matched as %+v", l)
		}
	})
}
