package bench

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/dial"
	"linehand/console/ports"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/transcript"
)

// Allowance is what a site lets a person allow.
type Allowance string

// The allowances.
const (
	PerUnit  Allowance = "unit"   // each unit by its name
	PerBatch Allowance = "batch"  // several at once, or all that the plan has
	Always   Allowance = "always" // every unit of the plan is played as it turns up
)

// Config is what a bench is made of.
type Config struct {
	Name    string
	Data    string // folder for what must last
	Records string // folder for session records
	Sheet   *station.Sheet
	Lines   []string // addresses of lines that are always there
	Ports   Ports    // serial ports that come and go; nil: none are taken
	Allow   Allowance
	Plays   Plays         // how much of a visit; "": PlayFirstBoot
	Orders  Orders        // nil: they are kept in Data
	Knock   time.Duration // how often a quiet line is asked who is there; 0: only when text has come or a person asks
	Away    time.Duration // how long a line may stay away during a run
	Idle    time.Duration // after which a keyboard that nobody types on is given back; 0: 15 minutes

	// Secrets gives a store to fetch from; it is called again after one could
	// not be had.
	Secrets func() *secret.Store
	// Reread reads the profile again, and gives what takes the place of Sheet
	// and Secrets; nil: it is read when the bench begins.
	Reread func() (*station.Sheet, func() *secret.Store, error)

	Mask *transcript.Mask
	Tune func(console.Settings) console.Settings // what a person has set in place of the dialogue's; may be nil

	// Network gives how a unit is looked at over the network; nil: it is not.
	Network func(*plan.Unit) Network

	// Play plays a job; nil: Job.Play does.
	Play func(context.Context, Job) (station.Result, error)
	// Open opens a line; nil: console/dial does.
	Open func(ctx context.Context, address string, set console.Settings, owner string) (console.Line, error)

	Committer *transcript.Committer
	Head      func(*transcript.Header) // may be nil
	Seal      func(record string)      // seals the record of a run that is over; may be nil
	Tool      string
	Log       zerolog.Logger
}

// Ports are the serial ports of a machine.
type Ports interface {
	List() ([]ports.Port, error)
	Watch(ctx context.Context) <-chan ports.Change
}

// SystemPorts are those of this machine.
type SystemPorts struct{}

// List gives the ports that are there.
func (SystemPorts) List() ([]ports.Port, error) { return ports.List() }

// Watch tells what comes and goes.
func (SystemPorts) Watch(ctx context.Context) <-chan ports.Change { return ports.Watch(ctx) }

func (c *Config) complete() error {
	switch c.Allow {
	case PerUnit, PerBatch, Always:
	case "":
		c.Allow = PerUnit
	default:
		return fmt.Errorf("allow %q: it is %s, %s or %s", c.Allow, PerUnit, PerBatch, Always)
	}
	switch c.Plays {
	case PlayVisit, PlayFirstBoot:
	case "":
		c.Plays = PlayFirstBoot
	default:
		return fmt.Errorf("play %q: it is %q or %q", c.Plays, PlayVisit, PlayFirstBoot)
	}
	if c.Sheet == nil || c.Data == "" || c.Records == "" || c.Secrets == nil {
		return errors.New("a bench needs a site's sheet, a data folder, a folder for records and secrets")
	}
	if c.Mask == nil {
		c.Mask = transcript.NewMask()
	}
	if c.Tune == nil {
		c.Tune = func(s console.Settings) console.Settings { return s }
	}
	if c.Idle == 0 {
		c.Idle = 15 * time.Minute
	}
	if c.Play == nil {
		c.Play = func(ctx context.Context, j Job) (station.Result, error) { return j.Play(ctx) }
	}
	if c.Open == nil {
		known := &addresses{}
		c.Open = known.open
	}
	if c.Seal == nil {
		c.Seal = func(string) {}
	}
	return nil
}

// addresses keeps what was learnt by opening a line.
type addresses struct {
	mu    sync.Mutex
	known map[string]dial.Address
}

func (a *addresses) open(ctx context.Context, text string, set console.Settings, owner string) (console.Line, error) {
	a.mu.Lock()
	address, ok := a.known[text]
	if !ok {
		var err error
		if address, err = dial.Parse(text); err != nil {
			a.mu.Unlock()
			return nil, err
		}
		a.known = orNew(a.known)
		a.known[text] = address
	}
	a.mu.Unlock()
	return address.Open(ctx, set, owner)
}
