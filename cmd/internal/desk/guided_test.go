package desk

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/script/visit"
	"linehand/transcript"
)

var strap = visit.Step{Name: "static strap", Do: "Put the strap on.", Caution: "Static destroys parts.", Source: "IEC 61340-5-1",
	Picture: "  +--+\n  |  |\n", Good: "The check says so.", Otherwise: "Take another one.", MustShow: "ready", Required: true,
	Values: []visit.Value{{Label: "Address", Value: "192.0.2.21"}}}

func guided(input, initials string) (visit.Person, *bytes.Buffer) {
	var out bytes.Buffer
	d := New(strings.NewReader(input), &out, "Robin", nil)
	d.Guide(initials, "office", "2026-12-24", nil)
	return d.Visit("deep-1"), &out
}

func TestStepAnswers(t *testing.T) {
	advisory := strap
	advisory.Required = false
	for _, c := range []struct {
		input string
		step  visit.Step
		want  visit.Answer
		says  string
	}{
		{"\n", strap, visit.Answer{State: transcript.Ticked, By: "RK"}, "deep-1, before, step 2 of 9: static strap (required)"},
		{"ms\n", strap, visit.Answer{State: transcript.Ticked, By: "MS"}, "CAUTION: Static destroys parts. Source: IEC 61340-5-1."},
		{"n torn\n", strap, visit.Answer{State: transcript.NotGood, By: "RK", Note: "torn"}, "Address: 192.0.2.21"},
		{"n\n\ntorn\n", strap, visit.Answer{State: transcript.NotGood, By: "RK", Note: "torn"}, "what is not good:"},
		{"p\n\n", strap, visit.Answer{State: transcript.Ticked, By: "RK"}, "cannot be passed by"},
		{"p\n", advisory, visit.Answer{State: transcript.PassedBy, By: "RK"}, "static strap (advisory)"},
		{"?\n\n", strap, visit.Answer{State: transcript.Ticked, By: "RK"}, "if it is otherwise: Take another one."},
		{"b\n", strap, visit.Answer{State: visit.Back}, "the page must show: ready"},
		{"what?\n\n", strap, visit.Answer{State: transcript.Ticked, By: "RK"}, "Enter or your initials: done and good"},
	} {
		p, out := guided(c.input, "RK")
		a, err := p.Step(t.Context(), visit.Shown{Step: c.step, Part: "before", No: 2, Of: 9})
		if err != nil || a != c.want {
			t.Errorf("%q: got %+v, %v, want %+v", c.input, a, err, c.want)
		}
		if !strings.Contains(out.String(), c.says) {
			t.Errorf("%q: it does not say %q:\n%s", c.input, c.says, out)
		}
	}
	p, out := guided("b\n\n", "RK")
	if a, err := p.Step(t.Context(), visit.Shown{Step: strap, Part: "before", No: 1, Of: 9}); err != nil || a.State != transcript.Ticked ||
		!strings.Contains(out.String(), "deep-1> \n  this is the first step\ndeep-1> \n") {
		t.Errorf("got %+v, %v:\n%s", a, err, out)
	}
	p, out = guided("\n1\nrk\n", "")
	if a, err := p.Step(t.Context(), visit.Shown{Step: strap}); err != nil || a.By != "RK" || strings.Count(out.String(), "two to five letters") != 1 {
		t.Errorf("got %+v, %v:\n%s", a, err, out)
	}
	p, _ = guided("", "RK")
	if _, err := p.Step(t.Context(), visit.Shown{Step: strap}); err == nil {
		t.Error("without input there is an answer")
	}
}

// TestInitialsAreAskedForOnce: they are needed for the first tick, and stand
// for those that follow.
func TestInitialsAreAskedForOnce(t *testing.T) {
	p, out := guided("\n1\nrk\n\n", "")
	for range 2 {
		if a, err := p.Step(t.Context(), visit.Shown{Step: strap}); err != nil || a.By != "RK" {
			t.Errorf("got %+v, %v", a, err)
		}
	}
	if n := strings.Count(out.String(), "your initials:"); n != 2 { // "1" is none
		t.Errorf("they are asked for %d times:\n%s", n, out)
	}
}

func TestListAnswers(t *testing.T) {
	more := visit.Step{Name: "labels", Do: "Put them on."}
	p, out := guided("n\nn 2 no printer\np 1\nq 1\n? 1\np 3\nrk\n", "")
	got, err := p.List(t.Context(), "before", []visit.Step{strap, more, more})
	want := []visit.Answer{{State: transcript.Ticked, By: "RK"}, {State: transcript.NotGood, By: "RK", Note: "no printer"}, {State: transcript.PassedBy, By: "RK"}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %+v, %v", got, err)
	}
	for _, text := range []string{" 1  static strap (required): Put the strap on.", "CAUTION: Static", "write it as in n 3", "cannot be passed by", "Take another one."} {
		if !strings.Contains(out.String(), text) {
			t.Errorf("it does not say %q:\n%s", text, out)
		}
	}
}

func TestPointsAndSigning(t *testing.T) {
	p, out := guided("\n\nsite staff\nsoon\n2026-12-01\n\n\n\nn\nrk\n\n", "")
	if by, when, err := nameless(t); by != "MS" || when != "2026-12-01" || err != nil {
		t.Errorf("without any name given before: %s, %s, %v", by, when, err)
	}
	for _, want := range [][2]string{{"office", "2026-12-24"}, {"site staff", "2026-12-01"}, {"site staff", "2026-12-01"}} {
		by, when, err := p.Point(t.Context(), visit.Point{Text: "a port is dark"})
		if err != nil || by != want[0] || when != want[1] {
			t.Errorf("got %s, %s, %v, want %v", by, when, err, want)
		}
	}
	for _, want := range []string{"", "RK", "RK"} {
		got, err := p.Sign(t.Context(), visit.Summary{Sentence: "The unit is set up."})
		if want == "" && got != "" || err != nil || got != want {
			t.Errorf("signed %q, %v, want %q", got, err, want)
		}
	}
	if !strings.Contains(out.String(), "Enter signs as RK") {
		t.Errorf("it does not offer the initials:\n%s", out)
	}
	p, _ = guided("\nn\n", "RK")
	e := &visit.Earlier{Record: "a.record"}
	for _, want := range []bool{true, false} {
		if got, err := p.Count(t.Context(), e, 3); got != want || err != nil {
			t.Errorf("counts %v, %v, want %v", got, err, want)
		}
	}
}

// TestListsInOrder: where answers are piped in, the second unit's list waits
// for the first unit's of the same part, or for that unit to leave.
func TestListsInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(strings.NewReader(""), &bytes.Buffer{}, "", nil)
		d.Guide("RK", "", "", []string{"deep-1", "deep-2", "deep-3"})
		var mu sync.Mutex
		var took []string
		sit := func(unit, part string, after time.Duration) {
			time.Sleep(after)
			done, err := d.Visit(unit).Sit(t.Context(), part)
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			took = append(took, unit+" "+part)
			mu.Unlock()
			time.Sleep(time.Second)
			done()
		}
		go func() { sit("deep-2", "before", 0); sit("deep-2", "after", 0) }()
		go func() { sit("deep-1", "before", 5*time.Second); sit("deep-1", "after", 50*time.Second) }()
		go func() { sit("deep-3", "before", 0); d.Begin("deep-3", "first boot"); d.Leave("deep-3") }()
		time.Sleep(time.Hour)
		mu.Lock()
		defer mu.Unlock()
		want := []string{"deep-1 before", "deep-2 before", "deep-3 before", "deep-1 after", "deep-2 after"}
		if !slices.Equal(took, want) {
			t.Errorf("got %q", took)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		d = New(strings.NewReader(""), &bytes.Buffer{}, "", nil)
		d.Guide("RK", "", "", []string{"deep-1", "deep-2"})
		if _, err := d.Visit("deep-2").Sit(ctx, "before"); err == nil {
			t.Error("a list begins before its turn")
		}
	})
}

// nameless asks about a point where nobody was named, and Enter names nobody.
func nameless(t *testing.T) (by, when string, err error) {
	var out bytes.Buffer
	d := New(strings.NewReader("\nMS\n\nsoon\n\n2026-12-01\n\n\n\n\n"), &out, "Robin", nil)
	d.Guide("", "", "", nil)
	by, when, err = d.Visit("deep-1").Point(t.Context(), visit.Point{Text: "a port is dark"})
	for _, says := range []string{"an open point needs a name", "an open point needs a date", "write a date as in 2026-01-31"} {
		if !strings.Contains(out.String(), says) {
			t.Errorf("it does not say %q:\n%s", says, out.String())
		}
	}
	d.Guide("", "", "", nil)
	if by, when, err := d.Visit("deep-1").Point(t.Context(), visit.Point{Text: "a port is dark"}); by != "" || when != "" || err != nil {
		t.Errorf("Enter twice gives %q, %q, %v", by, when, err)
	}
	return by, when, err
}
