package benchtest

import (
	"time"

	"linehand/cmd/internal/bench"
)

// Demo is a bench with a line in each state, the invented units of the demo
// site on them.
func Demo(now time.Time) *Bench {
	b := New("bench-1",
		bench.Line{ID: "usb:1209:00f1:LC1:00", Label: "cable 1", Device: "/dev/ttyUSB0", State: bench.Playing, Since: now.Add(-4 * time.Minute), Unit: "shelf-01", Kind: "brackwater-s24", Serial: "BW24-0101", Order: "o-0001", Stage: "first port", No: 3, Of: 9, Doing: "waiting", Begun: now.Add(-4 * time.Minute), Left: 380, Record: "shelf-01-20261125T090000Z.record"},
		bench.Line{ID: "usb:1209:00f1:LC2:00", Label: "cable 2", Device: "/dev/ttyUSB1", State: bench.Holding, Since: now.Add(-time.Minute), Why: `the unit shows "Continue? [y/n]", which the dialogue does not know here`, Person: true, Unit: "shelf-02", Kind: "brackwater-s24", Serial: "BW24-0102", Order: "o-0002", Stage: "cluster", No: 4, Of: 9, Doing: "holding", Begun: now.Add(-6 * time.Minute), Record: "shelf-02-20261125T085800Z.record",
			Hold: &bench.Hold{ID: "h-0001", Reason: `the unit shows "Continue? [y/n]", which the dialogue does not know here`, Stage: "cluster", Screen: []string{"Brackwater S24 setup", "", "Continue? [y/n] "}, Hoped: []string{"Cluster name:"}, Choices: []string{"type", "again", "go-to", "give-up"}, Stages: []string{"sign in", "first port", "cluster"}, Raised: now.Add(-time.Minute)}},
		bench.Line{ID: "usb:1209:00f1:LC3:00", Label: "cable 3", Device: "/dev/ttyUSB2", State: bench.Unmatched, Since: now.Add(-30 * time.Second), Why: "no unit of the plan has serial number BW24-0999", Person: true, Serial: "BW24-0999"},
		bench.Line{ID: "usb:1209:00f1:LC4:00", Label: "cable 4", Device: "/dev/ttyUSB3", State: bench.Matched, Since: now.Add(-20 * time.Second), Why: "it waits for a person to allow it", Person: true, Unit: "shelf-03", Kind: "brackwater-s24", Serial: "BW24-0103"},
		bench.Line{ID: "usb:1209:00f1:LC5:00", Label: "cable 5", Device: "/dev/ttyUSB4", State: bench.Finished, Since: now.Add(-2 * time.Minute), Why: "take the cable to the next unit", Person: true, Unit: "switch-01", Kind: "quillon-x48", Serial: "QX48-0201", Ending: &bench.Ending{Code: "done", Sentence: "The unit is set up; 12 values read back as planned.", Next: "Take the cable to the next unit.", At: now.Add(-2 * time.Minute)}, Record: "switch-01-20261125T084000Z.record"},
		bench.Line{ID: "usb:1209:00f1:LC6:00", Device: "/dev/ttyUSB5", State: bench.Listening, Since: now.Add(-time.Hour), Why: "waiting for a unit to speak"},
		bench.Line{ID: "usb:1209:00f1:LC7:00", Device: "/dev/ttyUSB6", State: bench.Busy, Since: now.Add(-time.Hour), Why: "another program has the port"},
		bench.Line{ID: "usbpath:1-4:00", Label: "spare", State: bench.Absent, Since: now.Add(-24 * time.Hour), Why: "the adapter is not plugged in"},
		bench.Line{ID: "platform:ttyS0", Device: "/dev/ttyS0", State: bench.Resting, Since: now.Add(-24 * time.Hour), Why: "kept out of use"},
	)
	b.Print("usb:1209:00f1:LC1:00", bench.Shown{Screen: []string{"Brackwater S24 setup", "", "Address of port a1: 192.0.2.21"}, Row: 2, Column: 30})
	b.Print("usb:1209:00f1:LC2:00", bench.Shown{Screen: []string{"Brackwater S24 setup", "", "Continue? [y/n] "}, Row: 2, Column: 16})
	return b
}
