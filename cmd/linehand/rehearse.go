package main

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/rehearsal"
	"linehand/cmd/internal/station"
	"linehand/fixtures"
	"linehand/script/plan"
	"linehand/script/secret"
)

// rehearsing is the command's own options.
type rehearsing struct {
	*app
	faults    []string
	seed      uint64
	pauses    float64
	inMemory  bool
	keep      bool
	recordDir string
}

func (a *app) rehearseCommand() *cobra.Command {
	r := &rehearsing{app: a}
	cmd := &cobra.Command{
		Use:   "rehearse [UNIT…]",
		Short: "Bring up simulated units: no hardware, no real secret",
		Long: `rehearse plays the dialogues of the profile's units against simulated units, on
a line that is as slow as a real one. Secrets are made up for the occasion. It
then shows the audit of each record, and how the time compares with what the
wire and the unit's own pauses need.

Without a profile it rehearses a shelf of the demo site.`,
		RunE: func(cmd *cobra.Command, args []string) error { return r.run(cmd.Context(), args) },
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE` (default: the demo site)")
	f.StringSliceVar(&r.faults, "fault", nil, "what goes wrong: "+strings.Join(atFirstBoot(), ", "))
	f.Uint64Var(&r.seed, "seed", 0, "of secrets and faults; the same seed gives the same again")
	f.Int("speed", 0, "of the line, bits a second (default: as the dialogue says)")
	f.Float64Var(&r.pauses, "pauses", 1, "the unit's own pauses, as a share of the true ones")
	f.BoolVar(&r.inMemory, "in-memory", false, "a cable in memory instead of a pseudo-terminal")
	f.StringVar(&r.recordDir, "record-dir", "", "put the records into `DIR` and keep them")
	f.BoolVar(&r.keep, "keep", false, "keep the records in the usual folder for records")
	f.String("on-hold", "", "ask at a hold, or end the run: ask, end or auto (ask at a terminal)")
	return cmd
}

// atFirstBoot are the faults that a rehearsal can meet.
func atFirstBoot() []string {
	return slices.DeleteFunc(rehearsal.FaultNames(), rehearsal.AfterFirstBoot)
}

func (r *rehearsing) run(ctx context.Context, names []string) error {
	for _, fault := range r.faults {
		if rehearsal.AfterFirstBoot(fault) {
			return usage("linehand visit UNIT=simulated --fault "+fault, "the fault %q shows after the first boot only, and rehearse ends there", fault)
		}
	}
	sheet, units, err := r.units(names)
	if err != nil {
		return err
	}
	folder, done, err := r.folder()
	if err != nil {
		return err
	}
	defer done()
	return r.play(ctx, sheet, units, folder, r.conclude)
}

// played is what rehearsals of some units, all at once, have come to.
type played struct {
	stations []*station.Station
	results  []station.Result
	errs     []error // of those that could not begin
	floors   []rehearsal.Floor
}

// play rehearses units and hands over what came of it while the records are
// still there.
func (r *rehearsing) play(ctx context.Context, sheet *station.Sheet, units []*plan.Unit, folder string, conclude func(played) error) error {
	store := secret.Throwaway(sheet.Plan.Secrets, r.seed)
	var stations []*station.Station
	var benches []*rehearsal.Bench
	defer func() {
		for _, b := range benches {
			b.Close()
		}
	}()
	for _, u := range units {
		s, b, err := r.setUp(ctx, sheet, u, store)
		if b != nil {
			benches = append(benches, b)
		}
		if err != nil {
			closeAll(stations)
			return err
		}
		s.Records = folder
		stations = append(stations, s)
	}
	c := r.crew()
	for _, b := range benches {
		b.Start(context.WithoutCancel(ctx)) // a stopped run still needs its unit
	}
	p := played{stations: stations, floors: make([]rehearsal.Floor, len(benches))}
	p.results, p.errs = c.play(ctx, stations)
	for i, b := range benches {
		p.floors[i] = b.Floor()
	}
	return conclude(p)
}

// units reads the profile and finds what is to be rehearsed.
func (r *rehearsing) units(names []string) (*station.Sheet, []*plan.Unit, error) {
	if r.set.Profile == "" {
		sheet, err := demoSheet()
		if err != nil {
			return nil, nil, err
		}
		if len(names) == 0 {
			names = []string{fixtures.DemoUnit}
		}
		units, err := find(sheet, names)
		return sheet, units, err
	}
	sheet, err := station.ReadSheet(r.set.Profile)
	if err != nil {
		return nil, nil, err
	}
	if len(names) > 0 {
		units, err := find(sheet, names)
		return sheet, units, err
	}
	units := simulated(sheet)
	if len(units) == 0 {
		return nil, nil, usage("there are simulated units of the kinds "+strings.Join(rehearsal.Kinds(), ", "), "the profile %s has no unit that can be rehearsed", r.set.Profile)
	}
	return sheet, units, nil
}

// simulated are the units of a profile that can be rehearsed.
func simulated(sheet *station.Sheet) (units []*plan.Unit) {
	for _, u := range sheet.Plan.Units {
		if rehearsal.Simulated(u.Kind) {
			units = append(units, u)
		}
	}
	return units
}

func demoSheet() (*station.Sheet, error) {
	var files []string
	err := fs.WalkDir(fixtures.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list the demo site: %w", err)
	}
	return station.Embedded(fixtures.Files, files, fixtures.DemoProfile, "the demo site")
}

// find finds units by their names, each once.
func find(sheet *station.Sheet, names []string) ([]*plan.Unit, error) {
	var units []*plan.Unit
	seen := make(map[string]bool)
	for _, name := range names {
		u, err := sheet.Unit(name)
		if err != nil {
			return nil, err
		}
		if seen[u.Name] {
			return nil, usage("name each unit once", "unit %q is named twice", u.Name)
		}
		seen[u.Name] = true
		units = append(units, u)
	}
	return units, nil
}

// setUp makes a simulated unit, and the station that brings it up.
func (r *rehearsing) setUp(ctx context.Context, sheet *station.Sheet, u *plan.Unit, store *secret.Store) (*station.Station, *rehearsal.Bench, error) {
	if !rehearsal.Simulated(u.Kind) {
		return nil, nil, usage("there are simulated units of the kinds "+strings.Join(rehearsal.Kinds(), ", "), "unit %q is a %s, which cannot be rehearsed", u.Name, u.Kind)
	}
	d, _, err := sheet.Dialogue(u)
	if err != nil {
		return nil, nil, err
	}
	if r.set.Speed != 0 {
		d.Line.Settings.Speed = r.set.Speed
	}
	known, err := station.Fetch(u, station.SecretsOf(u, d), nil, store, &r.mask)
	if err != nil {
		return nil, nil, err
	}
	opts := rehearsal.Options{Settings: d.Line.Settings, Seed: r.seed, Pauses: r.pauses, InMemory: r.inMemory, Owner: "linehand rehearse " + u.Name}
	for _, name := range r.faults {
		if err := opts.SetFault(name); err != nil {
			return nil, nil, usage("linehand help rehearse lists them too", "%v", err)
		}
	}
	b, err := rehearsal.New(u, store, opts)
	if err != nil {
		return nil, nil, err
	}
	line, err := b.Open(ctx)
	if err != nil {
		return nil, b, err
	}
	return &station.Station{
		Sheet: sheet, Unit: u, Dialogue: d, Secrets: store, Known: known, Mask: &r.mask,
		Line: line, Reopen: b.Open,
		Tool: tool(), Mode: "rehearse", Person: r.set.Person, Away: time.Minute, Log: r.log,
	}, b, nil
}

func (r *rehearsing) kept() bool { return r.keep || r.recordDir != "" }

// folder is where the records go, and what takes it away again.
func (r *rehearsing) folder() (string, func(), error) {
	switch {
	case r.recordDir != "":
		return r.recordDir, func() {}, nil
	case r.keep:
		return r.set.Records, func() {}, nil
	}
	dir, err := os.MkdirTemp("", "linehand-rehearsal-")
	if err != nil {
		return "", nil, fmt.Errorf("make a folder for the records: %w", err)
	}
	return dir, func() { os.RemoveAll(dir) }, nil
}

// conclude shows the audits and the times.
func (r *rehearsing) conclude(p played) error {
	code := exitFine
	var met met
	for i, res := range p.results {
		if p.errs[i] != nil {
			r.report(p.errs[i])
			code = max(code, exitCode(p.errs[i]))
			continue
		}
		code = max(code, res.Ending.How.ExitCode())
		fmt.Fprintln(r.out)
		r.say(res)
		if err := r.showAudit(res.Record); err != nil {
			return err
		}
		r.showFloor(res, p.floors[i])
		if err := met.add(p.stations[i].Dialogue, res.Record); err != nil {
			return err
		}
		if r.kept() {
			fmt.Fprintf(r.out, "%s: record: %s\n", res.Unit, filepath.ToSlash(res.Record))
		}
	}
	met.write(r.out)
	return outcome(code)
}

func (r *rehearsing) showFloor(res station.Result, f rehearsal.Floor) {
	fmt.Fprintf(r.out, "%s: took %.1f s; the wire and the unit need %.1f s (%d characters from and %d to the unit at %.3f ms each, %.1f s of the unit's own pauses): %.3f times that\n",
		res.Unit, res.Elapsed.Seconds(), f.Total.Seconds(), f.Out, f.In, float64(f.Char)/float64(time.Millisecond), f.Pauses.Seconds(), res.Elapsed.Seconds()/f.Total.Seconds())
}

func closeAll(stations []*station.Station) {
	for _, s := range stations {
		s.Line.Close()
	}
}
