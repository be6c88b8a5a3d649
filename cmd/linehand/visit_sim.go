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
	ctx = context.WithoutCancel(ctx) // a stopped visit still needs its unit
	if g.place != nil && g.strangers == nil && opts.InUse {
		g.strangers = sim.ServeStrangers(ctx, g.world, sim.ServeOptions{Place: g.place})
	}
	var once sync.Once
	t.Line = simulatedLine
	t.Console = func(ctx context.Context) (console.Line, error) {
		line, err := b.Open(ctx)
		if err == nil {
			once.Do(func() { b.Start(context.WithoutCancel(ctx)); err = serve(ctx, b) })
		}
		return line, err
	}
	return nil
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
