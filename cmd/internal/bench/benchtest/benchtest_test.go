package benchtest

import (
	"context"
	"errors"
	"testing"
	"time"

	"go.uber.org/goleak"

	"linehand/cmd/internal/bench"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var who = bench.Person{Name: "Robin", Role: "release"}

func state(t *testing.T, b *Bench, id string) bench.Line {
	t.Helper()
	l, err := b.Line(id)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestReleaseOnce(t *testing.T) {
	b := Demo(time.Unix(0, 0))
	if err := b.Release(t.Context(), who, "h-0001", bench.Release{Choice: "again"}); err != nil {
		t.Fatal(err)
	}
	if l := state(t, b, "usb:1209:00f1:LC2:00"); l.State != bench.Playing || l.Hold != nil || l.Person {
		t.Errorf("after the release: %+v", l)
	}
	if err := b.Release(t.Context(), who, "h-0001", bench.Release{Choice: "again"}); !errors.Is(err, bench.ErrReleased) {
		t.Errorf("released twice: %v", err)
	}
	if err := b.Release(t.Context(), who, "h-9", bench.Release{Choice: "again"}); !errors.Is(err, bench.ErrNoHold) {
		t.Errorf("no such hold: %v", err)
	}
	if c := b.Calls(); len(c) != 1 || c[0].By != who || c[0].Text != "again" {
		t.Errorf("calls: %+v", c)
	}
}

func TestTakeOver(t *testing.T) {
	b := Demo(time.Unix(0, 0))
	const id = "usb:1209:00f1:LC1:00"
	k, err := b.TakeOver(t.Context(), who, id)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.TakeOver(t.Context(), bench.Person{Name: "Sam"}, id); !errors.Is(err, bench.ErrTaken) {
		t.Errorf("taken twice: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	shown, err := b.Show(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	<-shown
	if err := k.Type([]byte("yes\r")); err != nil {
		t.Fatal(err)
	}
	if s := <-shown; s.Screen[2] != "Address of port a1: 192.0.2.21yes" {
		t.Errorf("shown %q", s.Screen)
	}
	if err := k.Secret("hunter2"); err != nil {
		t.Fatal(err)
	}
	if err := k.GiveBack(); err != nil {
		t.Fatal(err)
	}
	if err := k.Type([]byte("x")); !errors.Is(err, bench.ErrState) {
		t.Errorf("typed after giving back: %v", err)
	}
	if l := state(t, b, id); l.State != bench.Playing || l.TakenBy != "" {
		t.Errorf("given back: %+v", l)
	}
	cancel()
	for range shown {
	}
}

func TestScriptAndWatch(t *testing.T) {
	b := New("b", bench.Line{ID: "a", State: bench.Listening})
	ctx, cancel := context.WithCancel(t.Context())
	changes := b.Watch(ctx)
	b.Script("a", Step{Do: func(l *bench.Line) { l.State, l.Unit = bench.Matched, "u" }}, Step{Shown: &bench.Shown{Screen: []string{"hello"}}})
	for b.Next("a") {
	}
	if c := <-changes; c.Line.State != bench.Matched || c.Seq != 2 {
		t.Errorf("first change %+v", c)
	}
	if c := <-changes; c.Seq != 3 {
		t.Errorf("second change %+v", c)
	}
	cancel()
	for range changes {
	}
	if err := b.Match(t.Context(), who, "a", "u"); !errors.Is(err, bench.ErrState) {
		t.Errorf("matched one that is: %v", err)
	}
	b.Fail("Label", errors.New("disk full"))
	if err := b.Label(t.Context(), who, "a", "x"); err == nil {
		t.Error("Label did not fail")
	}
}
