package engine

import (
	"strings"
	"testing"
	"time"
)

const proof = `
identity: not printed
stages:
  - stage: all
    looks: true
    exchanges:
      - prompt: '>'
        answer: show
        reads:
          - {what: clock, as: time, within: 1m, regexp: 'clock (.+)'}
          - {what: members, as: names, regexp: 'member (\S+)', equals: '${join(["deep-2", "deep-1"], " ")}'}
          - {what: disk check, regexp: 'check (.+)', equals: complete, open: {regexp: '^\d+ %'}}
      - {prompt: '>', answer: bye}
    until: Bye
`

// proves plays the proof over what the unit shows; heard is the wall's time.
func proves(t *testing.T, shows string, heard time.Time) ([]Read, Ending) {
	t.Helper()
	c := begin(t, proof, "S1")
	c.e.Confirm()
	c.types(">", "show")
	live, err := c.e.Live()
	if err != nil {
		t.Fatal(err)
	}
	text := shows + "\n>"
	for i, l := range live {
		if l.Prompts[0].MatchString(text) {
			d, err := c.e.Decide(live, i, Shown{Since: text, Tail: text, Quiet: time.Second, Now: heard.Add(time.Hour), Heard: heard})
			if err != nil {
				t.Fatal(err)
			}
			c.e.Answered(d.(Type), c.now)
			break
		}
	}
	f, ok := c.shows("Bye\n").(Finish)
	if !ok {
		t.Fatal("the proof does not end")
	}
	return c.e.Reads(), f.Ending
}

func TestProof(t *testing.T) {
	heard := time.Date(2026, 11, 25, 16, 2, 57, 0, time.UTC)
	const clock, members, check = "clock 2026-11-25 16:02:30 UTC\n", "member Deep-1\nmember deep-2\n", "check complete"
	for _, tt := range []struct {
		name, shows string
		how         How
		sentence    string
		read        Read // what is asked of it: What, Equal, Open, Fault
	}{
		{"as planned", clock + members + check, Already, "already set up as planned", Read{What: "clock", Equal: true}},
		{"still at work", clock + members + "check 42 % done", Open, "still at work: disk check (42 % done)", Read{What: "disk check", Open: true}},
		{"neither open nor as planned", clock + members + "check failed", Differs, "1 value reads back otherwise", Read{What: "disk check"}},
		{"open and a difference", clock + "member deep-1\ncheck 42 %", Differs, "1 value reads back otherwise", Read{What: "members"}},
		{"wrong member", clock + members + "member shallow-1\n" + check, Differs, "1 value", Read{What: "members"}},
		{"a day off", strings.Replace(clock, "-25", "-24", 1) + members + check, Differs, "1 value", Read{What: "clock"}},
		{"no clock", "clock noon\n" + members + check, Differs, "1 value", Read{What: "clock", Fault: "is not a date with its time"}},
		{"not printed", clock + members, Differs, "1 value", Read{What: "disk check", Fault: "did not print it"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			reads, end := proves(t, tt.shows, heard)
			if end.How != tt.how || !strings.Contains(end.Sentence, tt.sentence) {
				t.Errorf("ended as %+v", end)
			}
			if tt.how == Open && (end.How.ExitCode() != 23 || !strings.Contains(end.Next, "linehand proof")) {
				t.Errorf("exit code %d, next %q", end.How.ExitCode(), end.Next)
			}
			found := false
			for _, r := range reads {
				if r.What != tt.read.What {
					continue
				}
				found = true
				if !r.Compared || r.Equal != tt.read.Equal || r.Open != tt.read.Open || (r.Fault == "") != (tt.read.Fault == "") || !strings.Contains(r.Fault, tt.read.Fault) {
					t.Errorf("read %+v", r)
				}
			}
			if !found || len(reads) != 3 {
				t.Errorf("reads %+v", reads)
			}
			if want := "2026-11-25T16:02:57Z, give or take 1m0s"; reads[0].Want != want {
				t.Errorf("the clock is held against %q, want %q", reads[0].Want, want)
			}
		})
	}
}

// Signs that look like others and are not (UTS 39) are named by number.
func TestLookAlikesAreNamed(t *testing.T) {
	for _, test := range []struct{ got, want, says string }{
		{"deep-1", "deep-1", ""},
		{"deep-2", "deep-1", ""},
		{"d\u0435ep-1", "deep-1", "U+0435"},
		{"deep\u200b-1", "deep-1", "U+200B"},
		{"naïf", "naïve", ""},
	} {
		equal, fault := compare("name", test.got, test.want)
		if !equal && fault == "" {
			fault = lookAlikes(test.got, test.want)
		}
		if test.says == "" && fault != "" || !strings.Contains(fault, test.says) || equal != (test.got == test.want) {
			t.Errorf("%q beside %q: equal %v, %q", test.got, test.want, equal, fault)
		}
	}
}
