package sums_test

import (
	"strings"
	"testing"
	"time"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
)

const shelf = `
kinds:
  shelf:
    dialogue: none
    height-u: 2
    weight-kg: 20
    depth-mm: 700
    drives: {count: 8, size: 10 TB, weight-kg: 1, DRIVES}
units:
  - name: a
    kind: shelf
    serial: A1
    STORAGE
`

func shelfWith(drives, storage string) string {
	return strings.NewReplacer(", DRIVES", drives, "STORAGE", storage).Replace(shelf)
}

// TestServing: each storage says what either way risks, and the time of the
// check is that of reading a drive from end to end.
func TestServing(t *testing.T) {
	tests := []struct {
		name, drives, storage, serve string
		check                        time.Duration
		atOnce, after                []string // that must be told
		note                         string
		open                         bool
	}{
		// 10 TB at 100 MB/s: 100,000 s.
		{"as usual", ", verify-mb-s: 100", "storage: {layout: double parity}", "after the check", 100_000 * time.Second,
			[]string{"came faulty", "the failure of 2 drives", "27 h 47 min (10 TB at 100 MB/s"}, []string{"27 h 47 min", "ends open"}, "", false},
		{"at once", ", verify-mb-s: 100", "storage: {layout: single parity, serve: at once}", "at once", 100_000 * time.Second,
			[]string{"the failure of one drive"}, nil, "a is to serve before its check has ended", false},
		{"nothing to lose that holds twice", ", verify-mb-s: 100", "storage: {layout: striped, serve: after the check}", "after the check", 100_000 * time.Second,
			[]string{"came faulty"}, nil, "", false},
		{"rate not stated", "", "storage: {layout: double parity}", "after the check", 0,
			[]string{"cannot be reckoned"}, []string{"cannot be reckoned"}, "", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, p := profile(t, shelfWith(tt.drives, tt.storage))
			out, problems := sums.Work(s, p, sums.Options{})
			d := out.Disks[0]
			if d.Serve != tt.serve || len(d.Ways) != 2 || d.Ways[0].Serve != "at once" || d.Ways[1].Serve != "after the check" {
				t.Fatalf("serve %q with %+v", d.Serve, d.Ways)
			}
			for i, want := range [][]string{tt.atOnce, tt.after} {
				told := ""
				for _, r := range d.Ways[i].Risks {
					told += r.Text + "\n"
					if r.Source == "" {
						t.Errorf("without a source: %s", r.Text)
					}
				}
				for _, w := range want {
					if !strings.Contains(told, w) {
						t.Errorf("%s does not tell of %q:\n%s", d.Ways[i].Serve, w, told)
					}
				}
				if d.Ways[i].Check != tt.check {
					t.Errorf("the check takes %v, want %v", d.Ways[i].Check, tt.check)
				}
			}
			if strings.Contains(tt.storage, "striped") && strings.Contains(d.Ways[0].Risks[1].Text, "nothing proves") {
				t.Errorf("a striped layout has no failure to bear: %s", d.Ways[0].Risks[1].Text)
			}
			note := ""
			for _, x := range problems {
				if x.Severity == plan.Note {
					note += x.What
				}
			}
			if (note == "") != (tt.note == "") || !strings.Contains(note, tt.note) {
				t.Errorf("noted %q, want %q", note, tt.note)
			}
			if open := strings.Contains(strings.Join(out.Open, "\n"), "verify rate"); open != tt.open {
				t.Errorf("left open: %q", out.Open)
			}
		})
	}
}

// TestLiftingOf: what dialogues call lift is what the sums of the demo site
// say: a shelf of 24 kg and 24 drives of 0.7 kg is lifted without them.
func TestLiftingOf(t *testing.T) {
	_, p := read(t, demoProfile)
	lifting := sums.LiftingOf(p, sums.Options{})
	deep := lifting["deep-1"]
	if !deep.DrivesOut || deep.Kg != "24.0" || deep.People < 1 || !strings.Contains(deep.Source, "NIOSH") {
		t.Errorf("deep-1: %+v", deep)
	}
	for _, want := range []string{"lifting device, with 2 people to guide: 24.0 kg", "(40.8 kg with the drives in)", "from 0 cm to 17 cm above the floor"} {
		if !strings.Contains(deep.Advice, want) {
			t.Errorf("deep-1 does not tell of %q: %s", want, deep.Advice)
		}
	}
	// It hangs at the side of its rack: nothing was reckoned but its weight.
	if strip := lifting["strip-1a"]; strip.Kg != "3.4" || strip.People != 0 || strip.Source != "common practice, no source" {
		t.Errorf("strip-1a: %+v", strip)
	}
	_, p = profile(t, "kinds: {box: {dialogue: none}}\nunits: [{name: b, kind: box, serial: B1}]\n")
	if got := sums.LiftingOf(p, sums.Options{})["b"]; got.Kg != "" || !strings.Contains(got.Advice, "read it from the chassis") {
		t.Errorf("nothing stated: %+v", got)
	}
	if len(lifting) != len(p.Units)+11 || lifting["quay-sw1"] == (script.LiftValues{}) {
		t.Errorf("%d units have advice", len(lifting))
	}
}
