package bench_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/script/engine"
	"linehand/transcript"
)

const cable1, cable2 = "unix:cable-1", "unix:cable-2"

// inBubble runs a test of a bench in virtual time.
func inBubble(t *testing.T, shelves, cables int, change func(*bench.Config), test func(t *testing.T, r *rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, shelves, cables, change)
		r.start()
		test(t, r)
		r.finish()
		r.close()
	})
}

func byUnit(c *bench.Config)  { c.Allow = bench.PerUnit }
func byBatch(c *bench.Config) { c.Allow = bench.PerBatch }

func wantErr(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: error %v, want one that is %q", what, err, want)
	}
}

func ok(t *testing.T, what string, err error) {
	t.Helper()
	if err != nil {
		t.Errorf("%s: %v", what, err)
	}
}

func TestNothingIsPlayedBeforeItIsAllowed(t *testing.T) {
	inBubble(t, 2, 2, byUnit, func(t *testing.T, r *rig) {
		first := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		second := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{})
		defer first.Stop()
		defer second.Stop()
		l := r.until(cable1, "matched", in(bench.Matched))
		time.Sleep(time.Minute)
		if l, _ = r.d.Line(cable1); l.State != bench.Matched || !l.Person || l.Unit != "shelf-01" || l.Serial != "BW24-0001" {
			t.Errorf("before it is allowed: %+v", l)
		}
		if n := len(first.Answers()); n != 0 {
			t.Errorf("%d answers were given", n)
		}
		wantErr(t, "all at once where the site allows one at a time", r.d.Allow(t.Context(), robin), bench.ErrAllowance)
		wantErr(t, "a unit that is not there", r.d.Allow(t.Context(), robin, "shelf-77"), bench.ErrNoUnit)
		ok(t, "allow", r.d.Allow(t.Context(), robin, "shelf-02"))
		l = r.until(cable2, "waiting for its starter", func(l bench.Line) bool { return strings.Contains(l.Why, "waits until shelf-01 is up") })
		if l.State != bench.Matched || l.Person {
			t.Errorf("a joiner before its starter: %+v", l)
		}
		ok(t, "allow", r.d.Allow(t.Context(), robin, "shelf-01"))
		r.until(cable2, "finished", in(bench.Finished))
		if a, b := ended(t, r, "shelf-01"), begun(t, r, "shelf-02"); b.Before(a) {
			t.Errorf("the joiner began at %v, before its starter ended at %v", b, a)
		}
	})
}

func record(t *testing.T, r *rig, unit string) *transcript.Record {
	t.Helper()
	paths, _ := filepath.Glob(filepath.Join(r.cfg.Records, unit+"-*.record"))
	if len(paths) != 1 {
		t.Fatalf("%d records of %s", len(paths), unit)
	}
	rec, err := transcript.Read(paths[0])
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func begun(t *testing.T, r *rig, unit string) time.Time { return record(t, r, unit).Header.Started }

func ended(t *testing.T, r *rig, unit string) time.Time {
	rec := record(t, r, unit)
	for _, e := range rec.Events {
		if e.Kind == transcript.Ending {
			return e.Wall
		}
	}
	t.Fatalf("%s has no ending", unit)
	return time.Time{}
}

func TestAnUnknownSerialNumberIsOfferedAndNotGuessed(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{WrongSerial: "BW24-0999"})
		defer s.Stop()
		l := r.until(cable1, "unmatched", in(bench.Unmatched))
		if !l.Person || !strings.Contains(l.Why, "BW24-0999") || l.Unit != "" {
			t.Errorf("offered as %+v", l)
		}
		wantErr(t, "matched with a unit of another serial number", r.d.Match(t.Context(), robin, cable1, "shelf-01"), bench.ErrSerial)
		wantErr(t, "matched with no unit", r.d.Match(t.Context(), robin, cable1, "shelf-77"), bench.ErrNoUnit)
		time.Sleep(time.Minute)
		if n := len(s.Answers()); n != 0 {
			t.Errorf("%d answers were given to a unit that nobody has planned", n)
		}
	})
}

func TestASerialNumberOfAnotherKindIsNotPlayed(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "sw-1", cable1, sim.Faults{WrongSerial: "BW24-0001"})
		defer s.Stop()
		l := r.until(cable1, "unmatched", in(bench.Unmatched))
		if !strings.Contains(l.Why, "planned for shelf-01, a brackwater-s24") || !strings.Contains(l.Why, "quillon-x48") {
			t.Errorf("why: %q", l.Why)
		}
	})
}

// A unit that waits at its prompt says nothing by itself. It is asked only
// when a person wants that, with the key that accepts nothing.
func TestASilentUnitIsAskedByAPerson(t *testing.T) {
	inBubble(t, 1, 1, byUnit, func(t *testing.T, r *rig) {
		r.stop()
		<-r.ended
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		time.Sleep(time.Minute) // it has booted, and nobody was there to hear it
		r.start()
		time.Sleep(5 * time.Minute)
		if l, _ := r.d.Line(cable1); l.State != bench.Listening || len(s.Received()) > 0 {
			t.Errorf("a silent line is %s, and the unit has received %q", l.State, s.Received())
		}
		ok(t, "knock", r.d.Knock(t.Context(), robin, cable1))
		r.until(cable1, "matched", in(bench.Matched))
		if got := strings.Trim(string(s.Received()), "\x12"); got != "" {
			t.Errorf("the unit has received %q besides the redraw key", got)
		}
		acts, err := os.ReadFile(filepath.Join(r.cfg.Data, "acts.jsonl"))
		if err != nil || !strings.Contains(string(acts), `"by":"Robin"`) || !strings.Contains(string(acts), `"act":"press"`) {
			t.Errorf("who did what: %s %v", acts, err)
		}
	})
}

// A unit that has been played is not played again because it speaks again;
// only because a person wants it.
func TestTheSameUnitAgain(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "finished", in(bench.Finished))
		before := len(s.Answers())
		s.Reboot()
		time.Sleep(2 * time.Minute)
		if l, _ := r.d.Line(cable1); l.State != bench.Finished || l.Ending == nil || len(s.Answers()) != before {
			t.Errorf("after it spoke again: %+v, and %d answers more", l, len(s.Answers())-before)
		}
		ok(t, "again", r.d.Again(t.Context(), robin, "shelf-01"))
		wantErr(t, "again, before it was played", r.d.Again(t.Context(), robin, "shelf-01"), bench.ErrState)
		l := r.until(cable1, "finished again", func(l bench.Line) bool {
			return l.State == bench.Finished && l.Ending != nil && l.Ending.Code == string(engine.Already)
		})
		if l.Order == "o-0001" {
			t.Errorf("the same order was played twice: %+v", l)
		}
	})
}

func TestHoldIsReleasedByTheFirst(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
		defer s.Stop()
		l := r.until(cable1, "on hold", in(bench.Holding))
		if !l.Person || l.Hold == nil || !strings.Contains(l.Hold.Reason, sim.UnknownPrompt) || len(l.Hold.Screen) == 0 {
			t.Fatalf("the hold: %+v", l.Hold)
		}
		wantErr(t, "a choice that is none", r.d.Release(t.Context(), robin, l.Hold.ID, bench.Release{Choice: "confirm"}), bench.ErrChoice)
		ok(t, "release", r.d.Release(t.Context(), robin, l.Hold.ID, bench.Release{Choice: "type", Text: "7"}))
		wantErr(t, "released twice", r.d.Release(t.Context(), bench.Person{Name: "Sam"}, l.Hold.ID, bench.Release{Choice: "again"}), bench.ErrReleased)
		wantErr(t, "no such hold", r.d.Release(t.Context(), robin, "h-none", bench.Release{Choice: "again"}), bench.ErrNoHold)
		l = r.until(cable1, "finished", in(bench.Finished))
		if l.Hold != nil || l.Ending.Code != "done" {
			t.Errorf("after the hold: %+v", l)
		}
		var by string
		for _, e := range record(t, r, "shelf-01").Events {
			if e.Kind == transcript.Hold && e.State == "released" {
				by = e.By
			}
		}
		if by != "Robin" {
			t.Errorf("the record says that %q released the hold", by)
		}
	})
}

func TestTakeOver(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
		defer s.Stop()
		_, err := r.d.TakeOver(t.Context(), robin, cable1)
		wantErr(t, "taken over before a run", err, bench.ErrState)
		r.until(cable1, "on hold", in(bench.Holding))
		k, err := r.d.TakeOver(t.Context(), robin, cable1)
		if err != nil {
			t.Fatal(err)
		}
		if l, _ := r.d.Line(cable1); l.State != bench.Taken || l.TakenBy != "Robin" || l.Hold != nil {
			t.Errorf("taken over: %+v", l)
		}
		_, err = r.d.TakeOver(t.Context(), bench.Person{Name: "Sam"}, cable1)
		wantErr(t, "taken over twice", err, bench.ErrTaken)
		ok(t, "type", k.Type([]byte("7\r")))
		ok(t, "give back", k.GiveBack())
		wantErr(t, "typed after giving back", k.Type([]byte("x")), bench.ErrState)
		l := r.until(cable1, "finished", in(bench.Finished))
		if l.TakenBy != "" || l.Ending.Code != "done" {
			t.Errorf("after the take-over: %+v", l)
		}
	})
}

// A keyboard that somebody has walked away from is given back.
func TestAKeyboardThatNobodyTypesOn(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "playing", in(bench.Playing))
		if _, err := r.d.TakeOver(t.Context(), robin, cable1); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Minute)
		if l, _ := r.d.Line(cable1); l.State != bench.Taken {
			t.Errorf("after 10 minutes: %+v", l)
		}
		r.until(cable1, "finished", in(bench.Finished))
	})
}

func TestStop(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
		defer s.Stop()
		r.until(cable1, "on hold", in(bench.Holding))
		ok(t, "stop", r.d.Stop(t.Context(), robin, cable1))
		l := r.until(cable1, "finished", in(bench.Finished))
		if l.Ending.Code != string(engine.Stopped) {
			t.Errorf("stopped: %+v", l.Ending)
		}
		wantErr(t, "stopped twice", r.d.Stop(t.Context(), robin, cable1), bench.ErrState)
		r.finish()
		r.start() // a person's stop outlives the bench
		time.Sleep(time.Minute)
		if l, _ := r.d.Line(cable1); l.State != bench.Finished || l.Ending == nil || l.Ending.Code != string(engine.Stopped) {
			t.Errorf("after a restart: %+v", l)
		}
	})
}

// A bench that is stopped in the middle goes on when it is there again.
func TestGoesOnAfterAStop(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "half way", func(l bench.Line) bool { return l.No >= 2 })
		r.finish()
		r.start()
		l := r.until(cable1, "finished", in(bench.Finished))
		if l.Ending.Code != "done" && l.Ending.Code != "already" {
			t.Errorf("ended as %+v", l.Ending)
		}
		for prompt, n := range asked(s) {
			if n != 1 {
				t.Errorf("%q was answered %d times", prompt, n)
			}
		}
		records, _ := filepath.Glob(filepath.Join(r.cfg.Records, "*.record"))
		if len(records) != 2 {
			t.Errorf("%d records, want one for each part", len(records))
		}
	})
}

// While the bench was away, two cables changed places: each unit is gone on
// with where it is.
func TestCablesThatChangedPlaces(t *testing.T) {
	inBubble(t, 9, 2, nil, func(t *testing.T, r *rig) {
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer a.Stop()
		b := r.boot(t.Context(), "shelf-09", cable2, sim.Faults{}) // of another cluster
		defer b.Stop()
		r.until(cable1, "half way", func(l bench.Line) bool { return l.No >= 2 })
		r.until(cable2, "half way", func(l bench.Line) bool { return l.No >= 2 })
		r.finish()
		one, two := r.cables[cable1], r.cables[cable2]
		pa, pb := one.at, two.at
		one.to(nil)
		two.to(nil)
		one.to(pb)
		two.to(pa)
		r.start()
		for cable, unit := range map[string]string{cable1: "shelf-09", cable2: "shelf-01"} {
			l := r.until(cable, "finished", in(bench.Finished))
			if l.Unit != unit || !engine.How(l.Ending.Code).Good() {
				t.Errorf("on %s: %+v, %+v", cable, l, l.Ending)
			}
		}
		for _, s := range []*sim.Session{a, b} {
			for prompt, n := range asked(s) {
				if n != 1 {
					t.Errorf("%q was answered %d times", prompt, n)
				}
			}
		}
	})
}

func TestLabelsAndRestOutliveTheBench(t *testing.T) {
	inBubble(t, 1, 2, nil, func(t *testing.T, r *rig) {
		ok(t, "label", r.d.Label(t.Context(), robin, cable1, " cable\x1b 3 "))
		ok(t, "rest", r.d.Rest(t.Context(), robin, cable2, true))
		r.until(cable2, "resting", in(bench.Resting))
		r.finish()
		r.start()
		r.until(cable2, "resting", in(bench.Resting))
		if l, _ := r.d.Line(cable1); l.Label != "cable 3" {
			t.Errorf("label %q", l.Label)
		}
		ok(t, "rest", r.d.Rest(t.Context(), robin, cable2, false))
		r.until(cable2, "listening", in(bench.Listening))
		wantErr(t, "no such line", r.d.Label(t.Context(), robin, "usb:none", "x"), bench.ErrNoLine)
		if err := r.d.Label(t.Context(), bench.Person{}, cable1, "x"); err == nil {
			t.Error("nobody has labelled a line")
		}
	})
}

// Who does not look keeps back neither the line nor others who do.
func TestWatchersNeverHoldTheBenchUp(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		ctx, cancel := context.WithCancel(t.Context())
		changes := r.d.Watch(ctx)
		asleep, err := r.d.Show(ctx, cable1)
		ok(t, "show", err)
		awake, err := r.d.Show(ctx, cable1)
		ok(t, "show", err)
		screens, serial := 0, false
		done := make(chan struct{})
		go func() {
			defer close(done)
			for s := range awake {
				screens++
				text := strings.Join(s.Screen, "\n")
				serial = serial || strings.Contains(text, "BW24-0001")
				for _, name := range r.sheet.Plan.Secrets {
					if v, _ := r.secrets.Secret(name); strings.Contains(text, v) {
						t.Errorf("the screen shows secret %s", name)
					}
				}
				if strings.ContainsAny(text, "\x1b\r\x00") {
					t.Errorf("the screen holds a control character: %q", text)
				}
			}
		}()
		s := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{})
		defer s.Stop()
		r.until(cable1, "finished", in(bench.Finished))
		cancel()
		<-done
		for range asleep {
		}
		var seq uint64
		for c := range changes {
			if c.Seq <= seq {
				t.Errorf("change %d after %d", c.Seq, seq)
			}
			seq = c.Seq
		}
		if screens < 10 || !serial || seq == 0 {
			t.Errorf("%d screens, the serial number seen: %v, last change %d", screens, serial, seq)
		}
	})
}

// One unit is not played on two lines: its second controller is on the other.
func TestOneUnitOnTwoLines(t *testing.T) {
	inBubble(t, 2, 2, nil, func(t *testing.T, r *rig) {
		a := r.boot(t.Context(), "shelf-01", cable1, sim.Faults{UnknownAfter: 4})
		defer a.Stop()
		r.until(cable1, "on hold", in(bench.Holding))
		b := r.boot(t.Context(), "shelf-02", cable2, sim.Faults{WrongSerial: "BW24-0001"})
		defer b.Stop()
		l := r.until(cable2, "matched", in(bench.Matched))
		time.Sleep(time.Minute)
		if l, _ = r.d.Line(cable2); l.State != bench.Matched || !l.Person || !strings.Contains(l.Why, "cable-1") {
			t.Errorf("the second line: %+v", l)
		}
		if n := len(b.Answers()); n != 0 {
			t.Errorf("%d answers went to the second line", n)
		}
	})
}

func TestABusyLineAndAnAbsentOne(t *testing.T) {
	busy := true
	inBubble(t, 1, 1, func(c *bench.Config) {
		open := c.Open
		c.Open = func(ctx context.Context, address string, set console.Settings, owner string) (console.Line, error) {
			if busy {
				return nil, &console.BusyError{Name: address, Holder: "process 7 (other)"}
			}
			return open(ctx, address, set, owner)
		}
	}, func(t *testing.T, r *rig) {
		l := r.until(cable1, "busy", in(bench.Busy))
		if !l.Person || !strings.Contains(l.Why, "process 7") {
			t.Errorf("busy: %+v", l)
		}
		busy = false
		r.until(cable1, "listening", in(bench.Listening))
		r.cables[cable1].jack.Unplug()
		r.until(cable1, "absent", in(bench.Absent))
		r.cables[cable1].jack.Replug()
		r.until(cable1, "listening", in(bench.Listening))
	})
}

func TestASecondBenchInTheSameFolder(t *testing.T) {
	inBubble(t, 1, 1, nil, func(t *testing.T, r *rig) {
		if _, err := bench.New(r.cfg); err == nil || !strings.Contains(err.Error(), "another bench") {
			t.Errorf("a second bench in the same folder: %v", err)
		}
	})
}
