// Package rehearsal puts a simulated unit on a line, so that a dialogue can
// be played without hardware: the unit is made to fit what the plan says of
// it, with secrets that are made up for the occasion.
//
// A Bench owns everything that it starts; Close ends it and waits.
package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"linehand/console"
	"linehand/console/dial"
	"linehand/fixtures/sim"
	"linehand/script/plan"
	"linehand/script/player"
)

// Options say what is rehearsed, and how.
type Options struct {
	Settings console.Settings // of both ends
	Seed     uint64
	Faults   sim.Faults
	Flaws    sim.Flaws
	Lonely   bool    // the network holds no cluster, whatever the plan says
	InUse    bool    // a stranger has the address of the unit's first port
	PortDown bool    // the unit's last port has no link
	Pauses   float64 // the unit's own pauses, as a share of the true ones; 0 means 1
	InMemory bool    // no pseudo-terminal, also where there is one

	// World is the network that the unit shares with others. Without one it
	// has a network of its own, where the cluster that it joins is there with
	// the members that the plan has before it.
	World *sim.World
	// SetUp makes a unit that has been brought up as planned already, and
	// whose drives have been checked: what a later proof meets.
	SetUp bool

	// Owner is who opens the pseudo-terminal, for others that try.
	Owner string
}

// Bench is one simulated unit and the line to it.
type Bench struct {
	opts     Options
	name     string
	unit     sim.Unit
	world    *sim.World
	session  *sim.Session
	services []*sim.Services
	folder   string // of the pseudo-terminal's link; "" in memory
	port     port
}

// port is the unit's end of the cable.
type port interface {
	io.ReadWriteCloser
	open(ctx context.Context, set console.Settings) (console.Line, error)
}

// Kinds are the kinds of unit that can be simulated.
func Kinds() []string { return []string{"brackwater-s24", "quillon-x48"} }

// Simulated tells whether a kind of unit can be simulated.
func Simulated(kind string) bool { return slices.Contains(Kinds(), kind) }

// InMemory tells whether rehearsals on this system can only be in memory.
func InMemory() bool { return runtime.GOOS != "linux" }

// New prepares a bench for a unit; Start switches the unit on.
func New(u *plan.Unit, secrets player.Secrets, opts Options) (*Bench, error) {
	world, err := worldOf(u, secrets, opts)
	if err != nil {
		return nil, err
	}
	unit, err := simulate(u, secrets, opts, world)
	if err != nil {
		return nil, err
	}
	b := &Bench{opts: opts, name: u.Name, unit: unit, world: world}
	if opts.InMemory || InMemory() {
		b.port = jack{sim.NewJack("rehearsal:"+u.Name, opts.Settings)}
		return b, nil
	}
	if b.folder, err = os.MkdirTemp("", "linehand-line-"); err != nil {
		return nil, fmt.Errorf("make a line for the rehearsal: %w", err)
	}
	pty, err := sim.OpenPTY(filepath.Join(b.folder, "line-"+u.Name))
	if err != nil {
		os.RemoveAll(b.folder)
		return nil, err
	}
	b.port = terminal{pty, opts.Owner}
	return b, nil
}

// Open opens the line. It can be called again after the line was lost.
func (b *Bench) Open(ctx context.Context) (console.Line, error) {
	return b.port.open(ctx, b.opts.Settings)
}

// Start switches the unit on.
func (b *Bench) Start(ctx context.Context) {
	var conn io.ReadWriteCloser = b.port
	if t, ok := b.port.(terminal); ok {
		conn = t.Port
	}
	b.session = sim.Start(ctx, b.unit, conn, sim.Options{
		Settings: b.opts.Settings, Seed: b.opts.Seed, Faults: b.opts.Faults, Paced: true,
	})
}

// Off tells whether Start has not been called yet.
func (b *Bench) Off() bool { return b.session == nil }

// Serve opens the unit's services on real sockets, for as long as it has
// power, and what strangers have at addresses of a network of its own. It is
// called once.
func (b *Bench) Serve(ctx context.Context, o sim.ServeOptions) error {
	s, err := sim.Serve(ctx, b.unit, o)
	if err != nil {
		return fmt.Errorf("serve %s: %w", b.name, err)
	}
	b.services = append(b.services, s)
	if b.opts.World == nil {
		b.services = append(b.services, sim.ServeStrangers(ctx, b.world, o))
	}
	return nil
}

// Close switches the unit off and takes everything down.
func (b *Bench) Close() error {
	var err error
	for _, s := range b.services {
		err = errors.Join(err, s.Close())
	}
	if b.session != nil {
		b.session.Stop()
	} else {
		err = errors.Join(err, b.port.Close())
	}
	if b.folder != "" {
		err = errors.Join(err, os.RemoveAll(b.folder))
	}
	return err
}

// Floor is what the wire and the unit's own pauses need at the least.
type Floor struct {
	Out, In int // characters from and to the unit
	Char    time.Duration
	Pauses  time.Duration
	Total   time.Duration
}

// Floor gives the figures up to now.
func (b *Bench) Floor() Floor {
	st := b.session.Stats()
	return Floor{Out: st.Out, In: st.In, Char: b.opts.Settings.CharTime(), Pauses: st.Pauses, Total: st.Floor}
}

// Holds tells what the unit holds now.
func (b *Bench) Holds() map[string]string { return b.unit.Holds() }

// terminal is a pseudo-terminal that the host opens as a serial line.
type terminal struct {
	*sim.Port
	owner string
}

func (t terminal) open(ctx context.Context, set console.Settings) (console.Line, error) {
	address, err := dial.Parse("serial:" + t.Path())
	if err != nil {
		return nil, err
	}
	return address.Open(ctx, set, t.owner)
}

// jack is a cable in memory.
type jack struct{ *sim.Jack }

func (j jack) open(context.Context, console.Settings) (console.Line, error) { return j.Open() }

func valueOf(secrets player.Secrets, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	return secrets.Secret(name)
}
