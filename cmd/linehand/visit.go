package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/network"
	"linehand/cmd/internal/rehearsal"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/dial"
	"linehand/console/ssh"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/script/visit"
	"linehand/transcript"
)

// visiting is the options of visit and proof.
type visiting struct {
	*bringing
	quick      bool
	initials   string
	closes, by string
	from       string
	after      []string
	within     time.Duration
	only       []visit.Part // nil: the whole visit

	// Of simulated units.
	sim simulating
}

// Words that stand in place of a LINE.
const (
	simulatedLine = "simulated"
	noLine        = "none" // the unit has no console
)

func (a *app) visitCommand() *cobra.Command {
	v := &visiting{bringing: &bringing{app: a}}
	cmd := &cobra.Command{
		Use:   "visit UNIT=LINE…",
		Short: "A whole visit: from opening the crate to the sign-off",
		Long: `visit leads through everything that is done to a unit, in one record: the steps
by hand before power, the first boot, the wait until the unit serves, the
set-up after it, the proof of all of it, the steps by hand after it, the punch
list, and the sign-off.

A step is asked at a time. Enter or your initials say that it is done and
looks good; n and why says that it does not; p passes an advisory step by; ? shows its
caution and what to do otherwise; b goes back. --quick shows the list once.
Answers may be piped in with --on-hold ask. With nobody to ask, a required
step ends the visit as held.

Several units go on at once; the units of a cluster keep their turns. A visit
that was stopped is run again: what the unit has already is read, and steps
that are ticked can count. A simulated unit begins anew each time.

A LINE is that of bringup; the word none, for a unit that has no console and is
finished by hand or over SSH; or the word simulated: then the unit, its network
and its secrets are made up, and the record says so. Without a profile these
are units of the demo site.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return v.run(cmd.Context(), args, "visit") },
	}
	v.flags(cmd)
	cmd.Flags().BoolVar(&v.quick, "quick", false, "show the steps by hand once, as a list")
	cmd.Flags().StringVar(&v.from, "from", "", "begin at `PART`: "+partNames())
	return cmd
}

func (a *app) proofCommand() *cobra.Command {
	v := &visiting{bringing: &bringing{app: a}, only: []visit.Part{visit.Proof}}
	cmd := &cobra.Command{
		Use:   "proof UNIT=LINE…",
		Short: "Prove later that units are as planned, and close what was left open",
		Long: `proof plays the proof of a visit again: everything is read back and looked at
over the network, and nothing is changed. Open points of the visit's record are
closed when they are as planned now; for what only a person can see, you are
asked. Make the handover pack again afterwards, with both records.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return v.run(cmd.Context(), args, "proof") },
	}
	v.flags(cmd)
	cmd.Flags().StringArrayVar(&v.after, "after", nil, "the visit's `RECORD` (default: the unit's latest in the folder for records)")
	return cmd
}

func partNames() string {
	var out []string
	for _, p := range visit.Parts() {
		if p != visit.Punch && p != visit.SignOff {
			out = append(out, string(p))
		}
	}
	return strings.Join(out, ", ")
}

func (v *visiting) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`")
	f.String("records", "", "put session records into `FOLDER` (default records)")
	f.String("person", "", "who works at the bench, for the record")
	addLineFlags(cmd)
	addVaultFlags(cmd)
	v.ssh.addFlags(cmd)
	f.StringArrayVar(&v.chassis, "chassis", nil, "`[UNIT=]SERIAL`: the serial number that you have read off the chassis, for kinds of unit that print none")
	f.String("on-hold", "", "ask the person, or end at a hold: ask, end or auto (ask at a terminal)")
	f.Duration("away", 0, "how long a lost line may stay away (default 5m)")
	f.BoolVar(&v.json, "json", false, "print the results as JSON")
	f.StringVar(&v.initials, "initials", "", "your `INITIALS`, for ticks that you give with Enter alone")
	f.StringVar(&v.closes, "closes-by", "", "`NAME` of who closes open points, unless you say another")
	f.StringVar(&v.by, "by", "", "`DATE` by which open points are closed, as 2026-01-31")
	f.DurationVar(&v.within, "look-within", 0, "how long the proof waits for what must answer (default 20s), and for a message at the log target (10s)")
	f.StringArrayVar(&v.sim.faults, "fault", nil, "simulated: `[UNIT=]FAULT`, what goes wrong: "+strings.Join(rehearsal.FaultNames(), ", "))
	f.Uint64Var(&v.sim.seed, "seed", 0, "simulated: of secrets and faults")
	f.Float64Var(&v.sim.pauses, "pauses", 1, "simulated: the unit's own pauses, as a share of the true ones")
	f.BoolVar(&v.sim.inMemory, "in-memory", false, "simulated: a cable in memory instead of a pseudo-terminal")
}

// guest is one unit of a visit, as far as it is known.
type guest struct {
	*pairing
	simulated bool
	none      bool // it has no console
	plan      *station.VisitPlan
	store     *secret.Store
}

func (v *visiting) run(ctx context.Context, args []string, mode string) error {
	guests, err := v.guests(args)
	if err != nil {
		return err
	}
	sheet, err := v.sheet(guests)
	if err != nil {
		return err
	}
	if err := v.prepare(sheet, guests); err != nil {
		return err
	}
	v.crew = v.app.crew()
	if err := v.secrets(ctx, sheet, guests); err != nil {
		return err
	}
	tours, done, err := v.tours(ctx, sheet, guests, mode)
	if err != nil {
		return err
	}
	defer done()
	results, errs := v.crew.tour(ctx, tours)
	return v.conclude(results, errs)
}

// guests reads UNIT=LINE arguments.
func (v *visiting) guests(args []string) ([]*guest, error) {
	var guests []*guest
	var real []string
	seen := make(map[string]bool)
	for _, arg := range args {
		name, line, _ := strings.Cut(arg, "=")
		if line != simulatedLine && line != noLine {
			real = append(real, arg)
			continue
		}
		if seen[strings.ToLower(name)] {
			return nil, usage("name each unit once", "unit %q is named twice", name)
		}
		seen[strings.ToLower(name)] = true
		guests = append(guests, &guest{pairing: &pairing{name: name}, simulated: line == simulatedLine, none: line == noLine})
	}
	pairs, err := parsePairs(real)
	for _, p := range pairs {
		if seen[strings.ToLower(p.name)] {
			return nil, usage("name each unit once", "unit %q is named twice", p.name)
		}
		guests = append(guests, &guest{pairing: p})
	}
	for _, g := range guests {
		if g.simulated != guests[0].simulated {
			return nil, usage("make two visits of it", "real units and simulated ones do not go together")
		}
	}
	return guests, err
}

// sheet reads the profile; simulated units may be those of the demo site.
func (v *visiting) sheet(guests []*guest) (*station.Sheet, error) {
	demo := v.set.Profile == "" && guests[0].simulated
	switch {
	case v.set.Profile == "" && !demo:
		return nil, usage("name the site's file with --profile FILE", "no site profile was named")
	case v.from != "" && !slices.Contains(visit.Parts(), visit.Part(v.from)):
		return nil, usage("the parts are "+partNames(), "a visit has no part %q", v.from)
	case v.ssh.pin != "" && ssh.CheckPin(v.ssh.pin) != nil:
		return nil, usage("copy it from what the unit's console prints", "%v", ssh.CheckPin(v.ssh.pin))
	case v.by != "":
		if _, err := time.Parse(time.DateOnly, v.by); err != nil {
			return nil, usage("write it as in 2026-01-31", "--by %q is no date", v.by)
		}
	}
	if demo {
		return demoSheet()
	}
	return station.ReadSheet(v.set.Profile)
}

// prepare finds the units and works their visits out. All that is wrong with
// any of them is told at once.
func (v *visiting) prepare(sheet *station.Sheet, guests []*guest) error {
	pairs := make([]*pairing, len(guests))
	for i, g := range guests {
		pairs[i] = g.pairing
	}
	chassis, err := v.chassisOf(pairs)
	if err != nil {
		return err
	}
	var faults station.Findings
	if v.only == nil {
		errors.As(sheet.Ready(), &faults)
	}
	return together(faults, guests, func(g *guest) error {
		g.chassis = chassis[strings.ToLower(g.name)]
		return v.prepareGuest(sheet, g)
	})
}

func (v *visiting) prepareGuest(sheet *station.Sheet, g *guest) error {
	var err error
	if g.unit, err = sheet.Unit(g.name); err != nil {
		return err
	}
	if g.simulated && !rehearsal.Simulated(g.unit.Kind) {
		return usage("there are simulated units of the kinds "+strings.Join(rehearsal.Kinds(), ", "), "unit %q is a %s, which cannot be simulated", g.unit.Name, g.unit.Kind)
	}
	var warnings station.Findings
	if g.plan, warnings, err = sheet.Visit(g.unit); err != nil {
		return err
	}
	for _, w := range warnings {
		v.log.Warn().Str("unit", g.unit.Name).Str("place", w.Place()).Str("what", w.What).Msg("dialogue")
	}
	if g.dialogue = g.plan.First; g.dialogue == nil {
		g.dialogue = g.plan.Proof
	}
	if v.only != nil && g.plan.Proof == nil {
		return usage("name it as proof: in the kind "+g.unit.Kind, "there is no dialogue that proves unit %q", g.unit.Name)
	}
	switch {
	case g.none && g.plan.First != nil:
		return usage("name the line of its console", "unit %q has a console", g.unit.Name)
	case !g.none && !g.simulated && g.plan.First == nil && v.only == nil:
		return usage("write "+g.unit.Name+"=none", "unit %q has no console", g.unit.Name)
	case g.dialogue == nil:
		return nil
	}
	g.set, err = v.lineSettings(g.dialogue.Line.Settings)
	return err
}

// secrets fetches every secret that the visits type.
func (v *visiting) secrets(ctx context.Context, sheet *station.Sheet, guests []*guest) error {
	var store *secret.Store
	refs := sheet.Site.Secrets
	if guests[0].simulated {
		store, refs = secret.Throwaway(sheet.Plan.Secrets, v.sim.seed), nil
	} else {
		store = secret.Open(refs, v.secretOptions(ctx, sheet.Site))
	}
	for _, g := range guests {
		g.store = store
		needed := station.VisitSecrets(g.unit, g.plan.First, g.plan.SetUp, g.plan.Proof)
		if v.only != nil {
			needed = station.VisitSecrets(g.unit, nil, nil, g.plan.Proof)
		}
		if _, _, shell := g.address.BySSH(); shell && g.unit.SSH.Secret != "" {
			needed = append(needed, g.unit.SSH.Secret)
		}
		for _, s := range g.plan.SignIns {
			if !slices.Contains(needed, s.Secret) {
				needed = append(needed, s.Secret)
			}
		}
		var err error
		if g.known, err = station.Fetch(g.unit, needed, refs, store, &v.mask); err != nil {
			return err
		}
	}
	return nil
}

// tours makes the visits ready. done takes down what serves them.
func (v *visiting) tours(ctx context.Context, sheet *station.Sheet, guests []*guest, mode string) (tours []*station.Tour, done func(), err error) {
	turns := turnsOf(sheet.Plan, guests)
	field := func() {}
	var ground *ground
	if guests[0].simulated {
		if ground, err = v.sim.ground(); err != nil {
			return nil, nil, err
		}
		field, mode = ground.close, station.Rehearse
	}
	v.crew.desk.Guide(strings.ToUpper(v.initials), v.closes, v.by, v.orderOf(guests))
	for _, g := range guests {
		t := &station.Tour{
			Sheet: sheet, Plan: g.plan, Secrets: g.store, Known: g.known, Mask: &v.mask, Line: g.address.String(),
			Tool: tool(), Mode: mode, Records: v.set.Records, Person: v.set.Person, Chassis: g.chassis, Away: v.set.Away,
			Quick: v.quick, Turns: turns, ClosesBy: v.closes, By: v.by, From: visit.Part(v.from), Only: v.only, ProofWithin: v.within, Log: v.log,
		}
		if g.plan.Log != nil && v.within > 0 {
			g.plan.Log.Within = min(g.plan.Log.Within, v.within)
		}
		if g.simulated {
			err = v.simulate(ctx, ground, g, t)
		} else {
			v.atTheUnit(g, t)
		}
		if err == nil {
			err = v.earlier(g, t)
		}
		if err != nil {
			field()
			return nil, nil, err
		}
		tours = append(tours, t)
	}
	return tours, field, nil
}

// atTheUnit is what a visit to a real unit is served by.
func (v *visiting) atTheUnit(g *guest, t *station.Tour) {
	owner := "linehand visit " + g.unit.Name
	_, _, t.Fresh = g.address.BySSH()
	open := func(ctx context.Context, set console.Settings) (console.Line, error) {
		return v.signedIn(g, t).Open(ctx, set, owner)
	}
	t.Console = func(ctx context.Context) (console.Line, error) { return open(ctx, g.set) }
	switch {
	case g.none:
		t.Line = noLine
		t.Console = func(context.Context) (console.Line, error) {
			return nil, fmt.Errorf("unit %s has no console", g.unit.Name)
		}
	case g.set.Speed != 0 && !t.Fresh:
		t.Tune = open
	}
	net := &network.Network{Older: g.unit.SSH.Older}
	t.Network, t.Shell = net, net.Shell
}

// signedIn gives an address by SSH what it needs: the planned secret, and the
// host key that was named or that the console has shown at an earlier visit.
func (v *visiting) signedIn(g *guest, t *station.Tour) dial.Address {
	pin := v.ssh.pin
	if pin == "" && t.Earlier != nil {
		pin = t.Earlier.Facts[visit.HostKey]
	}
	return g.address.WithSSH(ssh.Options{
		Pin: pin, KnownHosts: v.ssh.known, Older: slices.Concat(g.unit.SSH.Older, v.ssh.older),
		Password: func() (string, error) { return g.store.Secret(g.unit.SSH.Secret) },
	})
}

// earlier finds what earlier records of the unit tell.
func (v *visiting) earlier(g *guest, t *station.Tour) error {
	if v.only == nil {
		if g.simulated { // it begins anew each time
			return nil
		}
		t.Earlier = station.Earlier(v.set.Records, g.unit)
		if path := station.LatestVisit(v.set.Records, g.unit); t.Earlier == nil && v.from != "" && path != "" {
			var err error
			if _, t.Earlier, _, err = station.OpenPoints(path); err != nil {
				return &codedError{exitInput, fmt.Sprintf("read the record of the visit: %v", err), ""}
			}
		}
		return nil
	}
	path := ""
	for _, named := range v.after {
		_, _, h, err := station.OpenPoints(named)
		if err != nil {
			return &codedError{exitInput, fmt.Sprintf("read the record of the visit: %v", err), "name a record that linehand visit has written"}
		}
		if h.Unit == g.unit.Name {
			path = named
		}
	}
	if path == "" && len(v.after) == 0 {
		path = station.LatestVisit(v.set.Records, g.unit)
	}
	if path == "" {
		return nil
	}
	points, earlier, _, err := station.OpenPoints(path)
	if err != nil {
		return &codedError{exitInput, fmt.Sprintf("read the record of the visit: %v", err), ""}
	}
	earlier.Ticked = nil
	t.Closes, t.Earlier = points, earlier
	return nil
}

// turnsOf are the turns of the clusters, as far as their units are visited.
func turnsOf(p *plan.Plan, guests []*guest) *visit.Turns {
	visited := make(map[string]bool)
	for _, g := range guests {
		visited[g.unit.Name] = true
	}
	clusters := make(map[string][]string)
	var names []string
	for _, turn := range plan.Order(p) {
		for _, name := range turn {
			u, err := p.Unit(name)
			if err != nil || !visited[name] || u.Cluster == "" {
				continue
			}
			if clusters[u.Cluster] == nil {
				names = append(names, u.Cluster)
			}
			clusters[u.Cluster] = append(clusters[u.Cluster], name)
		}
	}
	out := make([][]string, len(names))
	for i, name := range names {
		out[i] = clusters[name]
	}
	return visit.NewTurns(out)
}

// orderOf is the order in which units' lists are asked, where answers are
// piped in; nil at a terminal.
func (v *visiting) orderOf(guests []*guest) []string {
	if isTerminal(v.in) {
		return nil
	}
	var out []string
	for _, g := range guests {
		out = append(out, g.unit.Name)
	}
	return out
}

// tour plays all visits and waits for them.
func (c *crew) tour(ctx context.Context, tours []*station.Tour) ([]station.Result, []error) {
	results, errs := make([]station.Result, len(tours)), make([]error, len(tours))
	var all sync.WaitGroup
	committer := transcript.NewCommitter()
	asks := c.deskFor("") != nil
	for i, t := range tours {
		name := t.Plan.Unit.Name
		t.Head, t.Committer = c.beginSeal, committer
		if t.Mode == station.Rehearse {
			t.Committer = transcript.NewCheapCommitter()
		}
		if asks {
			t.Desk = c.desk.Visit(name)
		}
		t.Watch = c.watchVisit(name)
		all.Go(func() {
			results[i], errs[i] = t.Play(ctx)
			c.desk.Leave(name)
		})
	}
	all.Wait()
	c.board.Close()
	for _, r := range results {
		c.sealRun(r.Record)
	}
	return results, errs
}
