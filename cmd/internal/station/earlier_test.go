package station

import (
	"path/filepath"
	"testing"
	"time"

	"linehand/script/plan"
	"linehand/script/visit"
	"linehand/transcript"
)

// clock is a time that a test moves.
type clock struct{ now time.Time }

func (c *clock) after(d time.Duration) { c.now = c.now.Add(d) }

// write makes a record. Each event is a function, so that time can pass
// between them.
func write(t *testing.T, path string, h transcript.Header, events func(c *clock, j *transcript.Journal)) {
	t.Helper()
	c := &clock{time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}
	h.Started = c.now
	j, err := transcript.Create(path, h, nil, transcript.WithClock(func() time.Time { return c.now }))
	if err != nil {
		t.Fatal(err)
	}
	events(c, j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

func put(t *testing.T, j *transcript.Journal, e transcript.Event) {
	t.Helper()
	if err := j.Append(e); err != nil {
		t.Fatal(err)
	}
}

// booted writes what a boot sounds like.
func booted(t *testing.T, wake bool, silent, boot time.Duration) func(*clock, *transcript.Journal) {
	return func(c *clock, j *transcript.Journal) {
		if wake {
			j.Say(transcript.Event{Why: "wake", Data: []transcript.Part{{Bytes: []byte("\r")}}})
		}
		c.after(silent)
		j.Heard(c.now, []byte("BIOS\r\nlogin: "))
		c.after(boot)
		j.Say(transcript.Event{Why: "answer", Data: []transcript.Part{{Bytes: []byte("x")}}})
		c.after(time.Hour)
		j.Say(transcript.Event{Why: "answer", Data: []transcript.Part{{Bytes: []byte("y")}}})
		put(t, j, transcript.Event{Kind: transcript.Ending, Code: "done"})
	}
}

func TestBootEstimate(t *testing.T) {
	dir := t.TempDir()
	if got := BootEstimate(dir, "s24", false); got != 0 {
		t.Errorf("without records it is %s", got)
	}
	at := func(name string) string { return filepath.Join(dir, name+".record") }
	s24 := transcript.Header{Unit: "deep-1", Kind: "s24", Mode: "visit"}
	write(t, at("deep-1-20261125T090000Z"), s24, booted(t, false, 10*time.Second, 280*time.Second))
	write(t, at("deep-2-20261125T090000Z"), s24, booted(t, true, 40*time.Second, 300*time.Second))
	write(t, at("deep-3-20261125T090000Z"), s24, booted(t, false, time.Second, 5*time.Hour))
	if got := BootEstimate(dir, "s24", false); got != 300*time.Second {
		t.Errorf("the median is %s", got)
	}
	// What stands at its prompt, another kind and a rehearsal do not count.
	write(t, at("deep-1-20261125T100000Z"), s24, booted(t, true, 100*time.Millisecond, 300*time.Millisecond))
	write(t, at("deep-1-20261125T100001Z"), transcript.Header{Kind: "x48"}, booted(t, false, 0, time.Second))
	write(t, at("deep-1-20261125T100002Z"), transcript.Header{Kind: "s24", Mode: Rehearse}, booted(t, false, 0, 7*time.Second))
	if got := BootEstimate(dir, "s24", false); got != 300*time.Second {
		t.Errorf("the median is now %s", got)
	}
	if got := BootEstimate(dir, "s24", true); got != 7*time.Second {
		t.Errorf("of rehearsals it is %s", got)
	}
}

func TestEarlier(t *testing.T) {
	dir := t.TempDir()
	u := &plan.Unit{Name: "deep-1", SHA256: "abc"}
	h := transcript.Header{Unit: "deep-1", Mode: "visit", Plan: "abc"}
	path := filepath.Join(dir, "deep-1-20261125T090000Z.record")
	write(t, path, h, func(_ *clock, j *transcript.Journal) {
		put(t, j, transcript.Event{Kind: transcript.Phase, Name: "before", State: transcript.Begun})
		put(t, j, transcript.Event{Kind: transcript.Step, Name: "strap", State: transcript.Ticked, By: "RK"})
		put(t, j, transcript.Event{Kind: transcript.Step, Name: "rails", State: transcript.Ticked, By: "RK"})
		put(t, j, transcript.Event{Kind: transcript.Step, Name: "rails", State: transcript.NotGood, By: "RK"})
		put(t, j, transcript.Event{Kind: transcript.Phase, Name: "before", State: transcript.Over, Code: "done"})
		put(t, j, transcript.Event{Kind: transcript.Fact, Name: "host_key", Text: "SHA256:abc"})
		put(t, j, transcript.Event{Kind: transcript.Look, Name: "page", Code: "https", State: transcript.Answers, Got: "SHA256:AA"})
		put(t, j, transcript.Event{Kind: transcript.Look, Name: "e0", Code: "icmp", State: transcript.Answers, Got: "192.0.2.21"})
		put(t, j, transcript.Event{Kind: transcript.Phase, Name: "first boot", State: transcript.Begun})
		put(t, j, transcript.Event{Kind: transcript.Phase, Name: "first boot", State: transcript.Over, Code: "held"})
		put(t, j, transcript.Event{Kind: transcript.Punch, Name: "a", Text: "a is dark"})
		put(t, j, transcript.Event{Kind: transcript.Punch, Name: "b", Text: "b is dark"})
		put(t, j, transcript.Event{Kind: transcript.Punch, Name: "a", State: transcript.Closed})
		put(t, j, transcript.Event{Kind: transcript.Ending, Code: "held"})
	})
	e := Earlier(dir, u)
	if e == nil || e.Ended != "held" || e.Record != path || len(e.Ticked) != 1 || e.Ticked[visit.StepKey(visit.Before, "strap")].By != "RK" {
		t.Fatalf("the earlier visit is %+v", e)
	}
	if len(e.Done) != 1 || e.Done[0] != visit.Before || e.Facts["host_key"] != "SHA256:abc" || len(e.Certs) != 1 || e.Certs[visit.LookKey("page", "https")] != "SHA256:AA" {
		t.Errorf("of it is known %+v", e)
	}
	points, _, _, err := OpenPoints(path)
	if err != nil || len(points) != 1 || points[0].Name != "b" {
		t.Errorf("open: %+v, %v", points, err)
	}
	if got := LatestVisit(dir, u); got != path {
		t.Errorf("the latest visit is %q", got)
	}
	if Earlier(dir, &plan.Unit{Name: "deep-1", SHA256: "abd"}) != nil || Earlier(dir, &plan.Unit{Name: "deep", SHA256: "abc"}) != nil {
		t.Error("a record of another plan or unit counts")
	}
	// A visit that came to its end is no earlier part of the next.
	write(t, filepath.Join(dir, "deep-1-20261125T100000Z.record"), h, func(_ *clock, j *transcript.Journal) {
		put(t, j, transcript.Event{Kind: transcript.Phase, Name: "sign-off", State: transcript.Begun})
		put(t, j, transcript.Event{Kind: transcript.Ending, Code: "open"})
	})
	if e := Earlier(dir, u); e != nil {
		t.Errorf("the earlier visit is %+v", e)
	}
}
