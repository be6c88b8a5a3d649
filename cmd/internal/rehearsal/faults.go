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
}

// faults are what --fault knows.
var faults = []fault{
	{"lost-characters", func(o *Options) { o.Faults.DropIn = sim.When{Chance: 0.03} }},
	{"doubled-characters", func(o *Options) { o.Faults.DoubleIn = sim.When{Chance: 0.03} }},
	{"wrong-bits", func(o *Options) { o.Faults.FlipIn = sim.When{Chance: 0.02} }},
	{"no-echo", func(o *Options) { o.Faults.EchoOff = true }},
	{"masked-echo", func(o *Options) { o.Faults.EchoMasked = true }},
	{"late-echo", func(o *Options) { o.Faults.EchoLate = 700 * time.Millisecond }},
	{"restart", func(o *Options) { o.Faults.RebootAfter = 8 }},
	{"silence", func(o *Options) { o.Faults.SilentAfter = 8 }},
	{"lost-sign-in", func(o *Options) { o.Faults.LoseSignInAfter = 6 }},
	{"unknown-question", func(o *Options) { o.Faults.UnknownAfter = 6 }},
	{"rubbish", func(o *Options) { o.Faults.Rubbish = true }},
	{"wrong-chassis", func(o *Options) { o.Faults.WrongSerial = "ZZ-99999" }},
	{"slow-answers", func(o *Options) { o.Faults.SlowAnswers = 2 * time.Second }},
	{"cable-out", func(o *Options) { o.Faults.CutCableAt = 3500 }},
	{"cable-out-and-back", func(o *Options) { o.Faults.CutCableAt, o.Faults.CutCableFor = 3500, 3*time.Second }},
	{"no-cluster", func(o *Options) { o.Lonely = true }},
	{"address-in-use", func(o *Options) { o.InUse = true }},
	{"factory-still-valid", func(o *Options) { o.Flaws.FactoryOpen = true }},
	{"wrong-member", func(o *Options) { o.Flaws.WrongMember = "stray-9" }},
	{"port-down", func(o *Options) { o.PortDown = true }},
	{"other-layout", func(o *Options) { o.Flaws.OtherLayout = true }},
	{"clock-a-day-off", func(o *Options) { o.Flaws.ClockOff = 24 * time.Hour }},
	{"certificate-changed", func(o *Options) { o.Flaws.CertificateChanges = true }},
	{"log-deaf", func(o *Options) { o.Flaws.LogDeaf = true }},
	{"check-running", func(o *Options) { o.Flaws.CheckRuns = true }},
	{"random", func(o *Options) { o.Faults = sim.RandomFault(o.Seed) }},
}

// FaultNames are the faults that SetFault knows.
func FaultNames() []string {
	names := make([]string, len(faults))
	for i, f := range faults {
		names[i] = f.name
	}
	return names
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
