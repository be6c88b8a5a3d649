package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/rehearsal"
	"linehand/cmd/internal/station"
	"linehand/fixtures"
	"linehand/script/plan"
	"linehand/script/secret"
)

// simulatedBench is a bench without hardware: units of the plan wake on its
// lines one after another, and secrets are made up.
type simulatedBench struct {
	lines int // 0: the bench is a real one
	simulating

	store *secret.Store
	row   *rehearsal.Row
}

func (s *simulatedBench) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.IntVar(&s.lines, "simulated", 0, "a rehearsal without hardware: simulated units of the plan wake one after another on `N` lines; without --profile those of the demo site")
	f.StringArrayVar(&s.faults, "fault", nil, "simulated: `[UNIT=]FAULT`, what goes wrong; linehand help rehearse lists them")
	f.Uint64Var(&s.seed, "seed", 0, "simulated: of secrets and faults; the same seed gives the same again")
	f.Float64Var(&s.pauses, "pauses", 0.2, "simulated: the units' own pauses, as a share of the true ones")
}

// mostSimulated is how many lines the sums of a bench were made for.
const mostSimulated = 64

// settle makes the settings fit a rehearsal, which must reach nothing that is
// real. done takes away what it has put into a folder of its own.
func (s *simulatedBench) settle(a *app, cmd *cobra.Command) (done func(), err error) {
	set, given := &a.set.Bench, cmd.Flags().Changed
	switch {
	case s.lines < 1 || s.lines > mostSimulated:
		return nil, usage(fmt.Sprintf("name 1 to %d", mostSimulated), "a bench cannot have %d simulated lines", s.lines)
	case given("line"):
		return nil, usage("leave --line out, or --simulated", "a bench with simulated units has no real lines: made-up secrets would be typed on them")
	case given("orders-url"), given("orders-leaf"):
		return nil, usage("leave --orders-url and --orders-leaf out, or --simulated", "a rehearsal does not join the firm's orders: it would mark them as done")
	}
	// What the settings say of the real bench is not for a rehearsal.
	set.HotPlug, set.Lines, set.OrdersURL, set.OrdersLeaf, set.OrdersCredentials = false, nil, "", nil, ""
	if !given("allow") {
		set.Allow = string(bench.PerBatch)
	}
	folder, err := os.MkdirTemp("", "linehand-bench-")
	if err != nil {
		return nil, fmt.Errorf("make a folder for the rehearsal: %w", err)
	}
	if !given("data") {
		set.Data = filepath.Join(folder, "data")
	}
	if !given("records") {
		a.set.Records = filepath.Join(folder, "records")
	}
	if a.set.Profile == "" {
		if err := os.CopyFS(filepath.Join(folder, "demo"), fixtures.Files); err != nil {
			os.RemoveAll(folder)
			return nil, fmt.Errorf("write the demo site down: %w", err)
		}
		a.set.Profile = filepath.Join(folder, "demo", filepath.FromSlash(fixtures.DemoProfile))
	}
	kept := "; they go when the bench stops, unless --data and --records name folders"
	if given("data") && given("records") {
		kept = ""
	}
	fmt.Fprintf(a.errs, "linehand: a rehearsal: simulated units on %d lines, made-up secrets; data in %s, records in %s%s\n", s.lines, set.Data, a.set.Records, kept)
	return func() { os.RemoveAll(folder) }, nil
}

// prepare makes the units, and puts their lines onto the bench.
func (s *simulatedBench) prepare(b *benching) error {
	units := simulated(b.sheet)
	if len(units) == 0 {
		return usage("there are simulated units of the kinds "+fmt.Sprint(rehearsal.Kinds()), "the profile %s has no unit that can be simulated", b.set.Profile)
	}
	s.store = secret.Throwaway(b.sheet.Plan.Secrets, s.seed)
	s.row = rehearsal.NewRow(units, s.lines, s.store, func(u *plan.Unit) (rehearsal.Options, error) {
		d, _, err := b.sheet.Dialogue(u)
		if err != nil {
			return rehearsal.Options{}, err
		}
		line, err := b.lineSettings(d.Line.Settings)
		if err != nil {
			return rehearsal.Options{}, err
		}
		opts := rehearsal.Options{Settings: line, Seed: s.seed, Pauses: s.pauses}
		return opts, s.spoil(&opts, u.Name)
	})
	for _, u := range units { // a fault's name that nobody knows shows now
		opts := rehearsal.Options{}
		if err := s.spoil(&opts, u.Name); err != nil {
			return err
		}
	}
	b.set.Bench.Lines = s.row.Lines()
	return nil
}

// configure has the bench open the simulated lines, and its records say that
// they are of a rehearsal.
func (s *simulatedBench) configure(cfg *bench.Config) {
	// The first boot alone: there is no network around simulated units here.
	cfg.Plays, cfg.Network, cfg.Reread = bench.PlayFirstBoot, nil, nil
	cfg.Open = s.row.Open
	cfg.Secrets = func() *secret.Store { return s.store }
	play := cfg.Play
	cfg.Play = func(ctx context.Context, j bench.Job) (station.Result, error) {
		j.Station.Mode = station.Rehearse
		if j.Tour != nil {
			j.Tour.Mode = station.Rehearse
		}
		return play(ctx, j)
	}
}

// readIt is how long a finished unit stays on its cable, for a person to see.
const readIt = 5 * time.Second

// run wakes the units, and takes each cable on as a person would.
func (s *simulatedBench) run(ctx context.Context, d *bench.Daemon) error {
	return s.row.Run(ctx, readIt, func(line, unit string) bool {
		l, err := d.Line(line)
		return err == nil && l.State == bench.Finished && l.Unit == unit
	})
}
