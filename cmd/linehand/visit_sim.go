package main

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"linehand/cmd/internal/network"
	"linehand/cmd/internal/rehearsal"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/reach"
	"linehand/fixtures/sim"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/visit"
)

// simulating is what a person says of simulated units.
type simulating struct {
	faults   []string
	seed     uint64
	pauses   float64
	inMemory bool
}

// ground is what the simulated units of one visit stand on: their network,
// and addresses of this host for it.
type ground struct {
	world     *sim.World
	place     func(netip.AddrPort) netip.AddrPort // nil: this system has no addresses for it
	lane      net.Listener                        // keeps the lane from others
	strangers *sim.Services
	benches   []*rehearsal.Bench
	logs      []*reach.LogWatch

	mu     sync.Mutex
	unread []console.Line // that nobody listens to
	drains sync.WaitGroup
}

// lanes are those of the host's own addresses that visits may take.
const lanes = 200

// lanePort is the port by which a visit holds its lane.
const lanePort = 10001

var errNoLane = errors.New("no addresses of this host are free for simulated units: other visits have them all")

func (s *simulating) ground() (*ground, error) {
	g := &ground{world: sim.NewWorld()}
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		return g, nil
	}
	for lane := byte(1); lane <= lanes; lane++ {
		l, err := net.Listen("tcp", net.JoinHostPort(netip.AddrFrom4([4]byte{127, lane, 0, 1}).String(), strconv.Itoa(lanePort)))
		if err == nil {
			g.lane, g.place = l, sim.Loopback(lane)
			return g, nil
		}
	}
	return nil, errNoLane
}

func (g *ground) close() {
	for _, line := range g.unread {
		line.Close()
	}
	g.drains.Wait()
	for _, b := range g.benches {
		b.Close()
	}
	if g.strangers != nil {
		g.strangers.Close()
	}
	for _, l := range g.logs {
		l.Close()
	}
	if g.lane != nil {
		g.lane.Close()
	}
}

// simulate makes a simulated unit, and what a visit to it is served by.
func (v *visiting) simulate(ctx context.Context, g *ground, guest *guest, t *station.Tour) error {
	opts := rehearsal.Options{
		Settings: guest.set, Seed: v.sim.seed, Pauses: v.sim.pauses, InMemory: v.sim.inMemory,
		World: g.world, SetUp: v.only != nil, Owner: "linehand visit " + guest.unit.Name,
	}
	if err := v.sim.spoil(&opts, guest.unit.Name); err != nil {
		return err
	}
	b, err := rehearsal.New(guest.unit, guest.store, opts)
	if err != nil {
		return err
	}
	g.benches = append(g.benches, b)
	// Simulated units take no IPv6 addresses.
	t.Plan.Addresses = slices.DeleteFunc(t.Plan.Addresses, func(a visit.Address) bool { return !a.Address.Is4() })
	t.Plan.Ports = slices.DeleteFunc(t.Plan.Ports, func(l visit.Look) bool { return !l.Address.Is4() })
	serve, err := g.network(t)
	if err != nil {
		return err
	}
	if g.place != nil && g.strangers == nil && opts.InUse {
		g.strangers = sim.ServeStrangers(context.WithoutCancel(ctx), g.world, sim.ServeOptions{Place: g.place})
	}
	p := &power{ground: g, bench: b, serve: serve}
	t.Line, t.Console, t.Shell = simulatedLine, p.console, p.shell(t.Shell)
	return nil
}

// power is the switch of a simulated unit: it goes on when the visit first
// wants something of the unit.
type power struct {
	ground *ground
	bench  *rehearsal.Bench
	serve  func(context.Context, *rehearsal.Bench) error
	once   sync.Once
	err    error
}

func (p *power) on(ctx context.Context) error {
	p.once.Do(func() {
		p.bench.Start(context.WithoutCancel(ctx)) // a stopped visit still needs its unit
		p.err = p.serve(ctx, p.bench)
	})
	return p.err
}

// console opens the unit's console.
func (p *power) console(ctx context.Context) (console.Line, error) {
	line, err := p.bench.Open(ctx)
	if err != nil {
		return nil, err
	}
	if err := p.on(ctx); err != nil {
		line.Close()
		return nil, err
	}
	return line, nil
}

// upWithin is how long a simulated unit may take until it takes a sign-in.
const upWithin = 30 * time.Second

// shell opens a shell at the unit, which is switched on for it if it is not
// on yet: then what its console says goes nowhere.
func (p *power) shell(open shell) shell {
	return func(ctx context.Context, at netip.Addr, s plan.SSH, password func() (string, error), pin string) (console.Line, error) {
		if p.bench.Off() {
			line, err := p.console(ctx)
			if err != nil {
				return nil, err
			}
			p.ground.drain(line)
		}
		for began := time.Now(); ; {
			line, err := open(ctx, at, s, password, pin)
			if !errors.Is(err, console.ErrAbsent) || time.Since(began) > upWithin {
				return line, err
			}
			select {
			case <-time.After(100 * time.Millisecond):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		}
	}
}

// shell opens a shell over SSH, see station.Tour.
type shell = func(ctx context.Context, at netip.Addr, s plan.SSH, password func() (string, error), pin string) (console.Line, error)

// drain reads a line until the ground is closed.
func (g *ground) drain(line console.Line) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.unread = append(g.unread, line)
	g.drains.Go(func() {
		for buf := make([]byte, 4096); ; {
			if _, _, err := line.Read(buf); err != nil {
				return
			}
		}
	})
}

// network is the tour's way to the simulated network. serve opens the
// services of its unit.
func (g *ground) network(t *station.Tour) (serve func(context.Context, *rehearsal.Bench) error, err error) {
	if g.place == nil {
		t.Shell = new(network.Network).Shell
		return func(context.Context, *rehearsal.Bench) error { return nil }, nil
	}
	log, err := reach.ListenForLog(reach.LogOptions{UDP: "127.0.0.1:0", TCP: "-"})
	if err != nil {
		return nil, err
	}
	g.logs = append(g.logs, log)
	udp, _ := log.Addresses()
	n := &network.Network{
		Place: g.place, Log: log, First: 100 * time.Millisecond, Older: t.Plan.Unit.SSH.Older,
		Probes: reach.ProbeOptions{Count: 1, Spread: -1, Between: time.Millisecond, Listen: 200 * time.Millisecond},
	}
	t.Network, t.Shell = n, n.Shell
	return func(ctx context.Context, b *rehearsal.Bench) error {
		return b.Serve(context.WithoutCancel(ctx), sim.ServeOptions{Place: g.place, LogTo: udp})
	}, nil
}

// spoil sets the faults that are named for a unit, or for all of them.
func (s *simulating) spoil(o *rehearsal.Options, unit string) error {
	for _, text := range s.faults {
		name, fault, named := strings.Cut(text, "=")
		if !named {
			fault = text
		} else if !strings.EqualFold(name, unit) {
			continue
		}
		if err := o.SetFault(fault); err != nil {
			return usage("linehand help visit lists them too", "%v", err)
		}
	}
	return nil
}

// watchVisit shows a visit on the board, and keeps the desk told of its part.
func (c *crew) watchVisit(unit string) func(player.Progress) {
	show := c.board.Unit(unit, -1)
	return func(p player.Progress) {
		c.desk.Begin(unit, p.Part)
		show(p)
	}
}
