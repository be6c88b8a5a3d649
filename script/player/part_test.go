package player_test

import (
	"testing"
	"time"

	"linehand/script/engine"
	"linehand/transcript"
)

const proofOf = `
facts: {serial: 'Serial no\. (\S+)'}
stages:
  - stage: proof
    looks: true
    exchanges:
      - prompt: 'S24>'
        answer: show
        reads:
          - {what: clock, as: time, within: 30s, regexp: 'clock (.+)'}
          - {what: disk check, regexp: 'check (.+)', equals: complete, open: '%'}
    until: 'S24>'
`

// TestPartOfAVisit: the ending of a dialogue that is a part of a visit is not
// that of the record, and a check that still runs leaves it open. The clock
// is the bubble's.
func TestPartOfAVisit(t *testing.T) {
	for _, tt := range []struct {
		name  string
		ahead time.Duration
		how   engine.How
	}{
		{"open", 29 * time.Second, engine.Open},
		{"a clock that is off", 35 * time.Second, engine.Differs},
	} {
		t.Run(tt.name, func(t *testing.T) {
			o := rig{dialogue: proofOf, serial: "BW-1", part: "proof", device: func(d *device) {
				time.Sleep(3 * time.Minute) // in the bubble: the clock counts when it is heard, not when the run began
				d.say("Serial no. BW-1\r\n")
				for d.ask("S24> ", plainly) == "show" {
					d.say("clock " + time.Now().Add(tt.ahead).UTC().Format(time.RFC3339) + "\r\ncheck 42 %\r\n")
				}
			}}.play(t)
			if o.How != tt.how {
				t.Fatalf("ended as %s: %s", o.How, o.Sentence)
			}
			events := o.rec.Events
			part := events[len(events)-2]
			if part.Kind != transcript.Phase || part.State != transcript.Over || part.Name != "proof" || part.Code != string(tt.how) || part.Exit != tt.how.ExitCode() || part.Text != o.Sentence || part.Next != o.Next {
				t.Errorf("the part's ending is %+v", part)
			}
			states := map[string]string{}
			for _, e := range events {
				if e.Kind == transcript.Ending && e.N != events[len(events)-1].N {
					t.Errorf("an ending in the middle: %+v", e)
				}
				if e.Kind == transcript.ReadBack {
					states[e.Name] = e.State
				}
			}
			if states["disk check"] != transcript.OpenYet || states["clock"] != "" || len(states) != 2 {
				t.Errorf("states of the read-backs: %v", states)
			}
		})
	}
}
