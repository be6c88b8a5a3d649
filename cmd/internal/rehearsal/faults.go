package rehearsal

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/fixtures/sim"
)

// fault is one thing that can go wrong, by its name.
type fault struct {
	name string
	set  func(o *Options)

	later bool // it shows after the first boot only, in a visit or a proof
}

// faults are what --fault knows.
var faults = []fault{
	{"lost-characters", func(o *Options) { o.Faults.DropIn = sim.When{Chance: 0.03} }, false},
	{"doubled-characters", func(o *Options) { o.Faults.DoubleIn = sim.When{Chance: 0.03} }, false},
	{"wrong-bits", func(o *Options) { o.Faults.FlipIn = sim.When{Chance: 0.02} }, false},
	{"no-echo", func(o *Options) { o.Faults.EchoOff = true }, false},
	{"masked-echo", func(o *Options) { o.Faults.EchoMasked = true }, false},
	{"late-echo", func(o *Options) { o.Faults.EchoLate = 700 * time.Millisecond }, false},
	{"restart", func(o *Options) { o.Faults.RebootAfter = 8 }, false},
	{"silence", func(o *Options) { o.Faults.SilentAfter = 8 }, false},
	{"lost-sign-in", func(o *Options) { o.Faults.LoseSignInAfter = 6 }, false},
	{"unknown-question", func(o *Options) { o.Faults.UnknownAfter = 6 }, false},
	{"rubbish", func(o *Options) { o.Faults.Rubbish = true }, false},
	{"wrong-chassis", func(o *Options) { o.Faults.WrongSerial = "ZZ-99999" }, false},
	{"slow-answers", func(o *Options) { o.Faults.SlowAnswers = 2 * time.Second }, false},
	{"cable-out", func(o *Options) { o.Faults.CutCableAt = 3500 }, false},
	{"cable-out-and-back", func(o *Options) { o.Faults.CutCableAt, o.Faults.CutCableFor = 3500, 3*time.Second }, false},
	{"no-cluster", func(o *Options) { o.Lonely = true }, false},
	{"address-in-use", func(o *Options) { o.InUse = true }, false},
	{"factory-still-valid", func(o *Options) { o.Flaws.FactoryOpen = true }, true},
	{"wrong-member", func(o *Options) { o.Flaws.WrongMember = "stray-9" }, true},
	{"port-down", func(o *Options) { o.PortDown = true }, true},
	{"other-layout", func(o *Options) { o.Flaws.OtherLayout = true }, true},
	{"clock-a-day-off", func(o *Options) { o.Flaws.ClockOff = 24 * time.Hour }, true},
	{"certificate-changed", func(o *Options) { o.Flaws.CertificateChanges = true }, true},
	{"log-deaf", func(o *Options) { o.Flaws.LogDeaf = true }, true},
	{"check-running", func(o *Options) { o.Flaws.CheckRuns = true }, true},
	{"random", func(o *Options) { o.Faults = sim.RandomFault(o.Seed) }, false},
}

// FaultNames are the faults that SetFault knows.
func FaultNames() []string {
	names := make([]string, len(faults))
	for i, f := range faults {
		names[i] = f.name
	}
	return names
}

// AfterFirstBoot tells whether a fault shows after the first boot only, in a
// visit or a proof.
func AfterFirstBoot(name string) bool {
	return slices.ContainsFunc(faults, func(f fault) bool { return f.name == name && f.later })
}

// SetFault switches a fault on by its name.
func (o *Options) SetFault(name string) error {
	at := slices.IndexFunc(faults, func(f fault) bool { return f.name == name })
	if at < 0 {
		return fmt.Errorf("no fault is called %q; there are %s", name, strings.Join(FaultNames(), ", "))
	}
	faults[at].set(o)
	return nil
}
