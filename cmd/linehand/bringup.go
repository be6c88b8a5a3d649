package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/dial"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/script/site"
)

// bringing is the command's own options.
type bringing struct {
	*app
	chassis []string
	json    bool
	crew    *crew
	ssh     signingIn
}

// pairing is one UNIT=LINE of the command line, as far as it is known.
type pairing struct {
	name     string // of the unit, as given
	address  dial.Address
	unit     *plan.Unit
	dialogue *script.Dialogue
	set      console.Settings
	chassis  string
	known    []string
}

func (a *app) bringupCommand() *cobra.Command {
	b := &bringing{app: a}
	cmd := &cobra.Command{
		Use:   "bringup UNIT=LINE…",
		Short: "Bring up one or several units over their consoles",
		Long: `bringup plays the dialogue of each unit on its line, all at once, and records
it. Profile, dialogues, secrets and lines are checked first: with any fault
among them nothing is sent.

A LINE is a serial port (/dev/ttyUSB0, COM3, or an identity that linehand lines
shows), unix:PATH, tcp:HOST:PORT, ssh:USER@HOST[:PORT], or serial:PATH for a
pseudo-terminal.

Ctrl-C stops all runs safely; twice ends the program at once.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return b.run(cmd.Context(), args) },
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`")
	f.String("records", "", "put session records into `FOLDER` (default records)")
	f.String("person", "", "who works at the bench, for the record")
	addLineFlags(cmd)
	addVaultFlags(cmd)
	b.ssh.addFlags(cmd)
	f.StringArrayVar(&b.chassis, "chassis", nil, "`[UNIT=]SERIAL`: the serial number that you have read off the chassis, for kinds of unit that print none")
	f.String("on-hold", "", "ask at a hold, or end the run: ask, end or auto (ask at a terminal)")
	f.Duration("away", 0, "how long a lost line may stay away (default 5m)")
	f.BoolVar(&b.json, "json", false, "print the results as JSON")
	return cmd
}

// addLineFlags adds what sets a line otherwise than the dialogue says.
func addLineFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Int("speed", 0, "of the line, bits a second (default: as the dialogue says)")
	f.String("framing", "", "of the line, such as 8N1 (default: as the dialogue says)")
	f.String("flow", "", "flow control: none, hardware or software (default: as the dialogue says)")
}

func (b *bringing) run(ctx context.Context, args []string) error {
	pairs, err := parsePairs(args)
	if err != nil {
		return err
	}
	for _, p := range pairs {
		if p.address, err = b.ssh.complete(b.app, p.address); err != nil {
			return err
		}
	}
	if b.set.Profile == "" {
		return usage("name the site's file with --profile FILE", "no site profile was named")
	}
	sheet, err := station.ReadSheet(b.set.Profile)
	if err != nil {
		return err
	}
	if err := b.prepare(sheet, pairs); err != nil {
		return err
	}
	b.crew = b.app.crew()
	store := secret.Open(sheet.Site.Secrets, b.secretOptions(ctx, sheet.Site))
	if err := b.fetch(sheet, pairs, store); err != nil {
		return err
	}
	stations, err := b.open(ctx, sheet, pairs, store)
	if err != nil {
		return err
	}
	results, errs := b.crew.play(ctx, stations)
	return b.conclude(results, errs)
}

// parsePairs reads UNIT=LINE arguments.
func parsePairs(args []string) ([]*pairing, error) {
	var pairs []*pairing
	units, lines := map[string]bool{}, map[string]bool{}
	for _, arg := range args {
		name, line, ok := strings.Cut(arg, "=")
		if !ok || name == "" || line == "" {
			return nil, usage("write it as in shelf-1=/dev/ttyUSB0", "%q is not UNIT=LINE", arg)
		}
		address, err := dial.Parse(line)
		if err != nil {
			return nil, usage("linehand lines shows the serial ports", "%v", err)
		}
		switch key := strings.ToLower(name); {
		case units[key]:
			return nil, usage("name each unit once", "unit %q is named twice", name)
		case lines[line]:
			return nil, usage("each unit needs a line of its own", "line %s is named twice", line)
		default:
			units[key], lines[line] = true, true
		}
		pairs = append(pairs, &pairing{name: name, address: address})
	}
	return pairs, nil
}

// prepare finds the units and checks their dialogues. All that is wrong with
// any of them is told at once.
func (b *bringing) prepare(sheet *station.Sheet, pairs []*pairing) error {
	chassis, err := b.chassisOf(pairs)
	if err != nil {
		return err
	}
	var faults station.Findings
	errors.As(sheet.Ready(), &faults)
	return together(faults, pairs, func(p *pairing) error {
		p.chassis = chassis[strings.ToLower(p.name)]
		return b.prepareOne(sheet, p)
	})
}

// together prepares all of them, and tells what is wrong with any at once.
func together[T any](faults station.Findings, all []T, prepare func(T) error) error {
	for _, one := range all {
		var found station.Findings
		switch err := prepare(one); {
		case errors.As(err, &found):
			faults = append(faults, found...)
		case err != nil:
			return err
		}
	}
	if len(faults) > 0 {
		return faults
	}
	return nil
}

func (b *bringing) prepareOne(sheet *station.Sheet, p *pairing) error {
	var err error
	if p.unit, err = sheet.Unit(p.name); err != nil {
		return err
	}
	var warnings station.Findings
	if p.dialogue, warnings, err = sheet.Dialogue(p.unit); err != nil {
		return err
	}
	for _, w := range warnings {
		b.log.Warn().Str("unit", p.unit.Name).Str("place", w.Place()).Str("what", w.What).Msg("dialogue")
	}
	p.set, err = b.lineSettings(p.dialogue.Line.Settings)
	return err
}

// lineSettings are those of the dialogue, with what a person has set instead.
func (a *app) lineSettings(set console.Settings) (console.Settings, error) {
	if a.set.Speed != 0 {
		set.Speed = a.set.Speed
	}
	if a.set.Framing != "" {
		bits, parity, stop, err := console.ParseFraming(a.set.Framing)
		if err != nil {
			return set, usage("8N1 is the usual one", "%v", err)
		}
		set.DataBits, set.Parity, set.StopBits = bits, parity, stop
	}
	switch flow := console.Flow(a.set.Flow); flow {
	case "":
	case console.FlowNone, console.FlowHardware, console.FlowSoftware:
		set.Flow = flow
	default:
		return set, usage("there are none, hardware and software", "flow control %q is not known", a.set.Flow)
	}
	return set, nil
}

// chassisOf reads --chassis, by unit in small letters.
func (b *bringing) chassisOf(pairs []*pairing) (map[string]string, error) {
	out := make(map[string]string)
	for _, text := range b.chassis {
		unit, serial, named := strings.Cut(text, "=")
		if !named {
			if len(pairs) != 1 {
				return nil, usage("write it as in --chassis shelf-1=BW24-0001", "--chassis %q does not say which unit it is of", text)
			}
			unit, serial = pairs[0].name, text
		}
		known := false
		for _, p := range pairs {
			known = known || strings.EqualFold(p.name, unit)
		}
		if !known || serial == "" {
			return nil, usage("write it as in --chassis shelf-1=BW24-0001", "--chassis %q names no unit of this run", text)
		}
		out[strings.ToLower(unit)] = serial
	}
	return out, nil
}

func (b *bringing) secretOptions(ctx context.Context, s *site.Site) secret.Options {
	o := secret.Options{Note: func(text string) { b.log.Warn().Str("note", text).Msg("secret") }}
	if isTerminal(b.in) {
		o.Ask = b.crew.desk.Ask(ctx)
	}
	o.Vault = b.entries(s, o.Ask)
	return o
}

func (b *bringing) fetch(sheet *station.Sheet, pairs []*pairing, store *secret.Store) error {
	for _, p := range pairs {
		var err error
		if p.known, err = station.Fetch(p.unit, station.SecretsOf(p.unit, p.dialogue), sheet.Site.Secrets, store, &b.mask); err != nil {
			return err
		}
	}
	return nil
}

// open opens all lines, or none.
func (b *bringing) open(ctx context.Context, sheet *station.Sheet, pairs []*pairing, store *secret.Store) ([]*station.Station, error) {
	var stations []*station.Station
	for _, p := range pairs {
		owner := "linehand bringup " + p.unit.Name
		opener := func(ctx context.Context, set console.Settings) (console.Line, error) {
			return p.address.Open(ctx, set, owner)
		}
		line, err := opener(ctx, p.set)
		if err != nil {
			closeAll(stations)
			return nil, &lineError{p.unit.Name, err}
		}
		b.log.Info().Str("unit", p.unit.Name).Str("line", line.Info().Device).Str("settings", line.Info().Settings.String()).Msg("line opened")
		s := &station.Station{
			Sheet: sheet, Unit: p.unit, Dialogue: p.dialogue, Secrets: store, Known: p.known, Mask: &b.mask,
			Line: line, Reopen: func(ctx context.Context) (console.Line, error) { return opener(ctx, p.set) },
			Tool: tool(), Mode: "bringup", Records: b.set.Records, Person: b.set.Person, Chassis: p.chassis, Away: b.set.Away, Log: b.log,
		}
		if line.Info().Settings.Speed != 0 {
			s.Tune = opener
		}
		stations = append(stations, s)
	}
	return stations, nil
}

// ended is a unit's result for machines.
type ended struct {
	Unit     string  `json:"unit"`
	Line     string  `json:"line"`
	Ending   string  `json:"ending"`
	Exit     int     `json:"exit"`
	Sentence string  `json:"sentence"`
	Next     string  `json:"next,omitempty"`
	Record   string  `json:"record,omitempty"`
	Seconds  float64 `json:"seconds"`
}

func (b *bringing) conclude(results []station.Result, errs []error) error {
	code := exitFine
	var list []ended
	for i, r := range results {
		e := ended{Unit: r.Unit, Line: r.Line, Ending: string(r.Ending.How), Exit: r.Ending.How.ExitCode(), Sentence: b.masked(r.Ending.Sentence), Next: b.masked(r.Ending.Next), Record: r.Record, Seconds: r.Elapsed.Seconds()}
		if errs[i] != nil {
			e.Ending, e.Exit, e.Sentence = "not-begun", exitCode(errs[i]), b.masked(errs[i].Error())
			b.report(errs[i])
		} else if !b.json {
			b.say(r)
			fmt.Fprintf(b.out, "%s: record: %s\n", r.Unit, r.Record)
		}
		code = max(code, e.Exit)
		list = append(list, e)
	}
	if b.json {
		if err := printJSON(b.out, list); err != nil {
			return err
		}
	}
	return outcome(code)
}
