package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/dial"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/secret"
	"linehand/transcript"
)

// leaveKey is Ctrl-].
const leaveKey = 0x1d

// typing is the command's own options.
type typing struct {
	*app
	unit string
	ssh  signingIn
}

func (a *app) byhandCommand() *cobra.Command {
	t := &typing{app: a}
	cmd := &cobra.Command{
		Use:   "byhand LINE",
		Short: "Type to a unit yourself, on record",
		Long: `byhand connects the terminal to a line and records the session. Ctrl-] leaves.

Each burst of keys is on record before it is sent. Nobody can know which of it
is a secret, so printable keys are recorded like one; a line that the unit
shows as it was typed is noted in clear when it is entered, one that the unit
hides or masks is not.

With a unit and a profile the line is set as the unit's dialogue says, and the
secrets that the unit refers to are kept out of the record wherever they show.
The dialogue may be missing still: linehand draft writes it from the record.

Where standard input is no terminal, its lines are typed one after the other,
each when the unit has been quiet for half a second.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return t.run(cmd.Context(), args[0]) },
	}
	f := cmd.Flags()
	f.StringVar(&t.unit, "unit", "", "the `UNIT` on the line, as the profile names it")
	f.String("profile", "", "site profile `FILE`")
	f.String("records", "", "put session records into `FOLDER` (default records)")
	f.String("person", "", "who works at the bench, for the record")
	addLineFlags(cmd)
	addVaultFlags(cmd)
	t.ssh.addFlags(cmd)
	return cmd
}

func (t *typing) run(ctx context.Context, line string) error {
	address, err := dial.Parse(line)
	if err != nil {
		return usage("linehand lines shows the serial ports", "%v", err)
	}
	if address, err = t.ssh.complete(t.app, address); err != nil {
		return err
	}
	header := transcript.Header{Tool: tool(), Unit: "by-hand", Mode: "byhand", Person: t.set.Person}
	set, columns := console.Default, 0
	if t.unit != "" {
		d, err := t.about(ctx, &header)
		if err != nil {
			return err
		}
		set, columns = d.settings, d.columns
	}
	if set, err = t.lineSettings(set); err != nil {
		return err
	}
	opened, err := address.Open(ctx, set, "linehand byhand")
	if err != nil {
		return &lineError{"", err}
	}
	return t.play(ctx, opened, header, columns)
}

// lineOfUnit is what a unit's dialogue says of its line.
type lineOfUnit struct {
	settings console.Settings
	columns  int
}

// about fills the header in and makes the unit's secrets known to the mask.
func (t *typing) about(ctx context.Context, h *transcript.Header) (lineOfUnit, error) {
	if t.set.Profile == "" {
		return lineOfUnit{}, usage("name the site's file with --profile FILE", "--unit needs a site profile")
	}
	sheet, err := station.ReadSheet(t.set.Profile)
	if err != nil {
		return lineOfUnit{}, err
	}
	u, err := sheet.Unit(t.unit)
	if err != nil {
		return lineOfUnit{}, err
	}
	line, err := t.lineOf(sheet, u)
	if err != nil {
		return line, err
	}
	store := secret.Open(sheet.Site.Secrets, t.vaultOptions(ctx, sheet.Site))
	for _, name := range u.Secrets {
		value, err := store.Secret(name)
		if err != nil {
			t.log.Warn().Str("secret", name).Msg("this secret is not known here: if the unit shows it, it stands in the record")
			continue
		}
		t.mask.Add(name, value)
		h.Secrets = append(h.Secrets, name)
	}
	h.Unit, h.Kind, h.Serial, h.Site = u.Name, u.Kind, u.Serial, sheet.Plan.Site.Name
	h.Profile = transcript.Source{Name: sheet.Plan.Site.Name, File: sheet.File, SHA256: sheet.SHA256}
	h.Plan, h.Planned = u.SHA256, u.Planned
	return line, nil
}

// lineOf is what the unit's dialogue says of its line. A dialogue that is not
// written yet says nothing: a session by hand is what it is drafted from.
func (t *typing) lineOf(sheet *station.Sheet, u *plan.Unit) (lineOfUnit, error) {
	if _, err := os.Stat(u.Dialogue); errors.Is(err, fs.ErrNotExist) {
		t.log.Info().Str("dialogue", u.Dialogue).Msg("there is no dialogue yet: the line is set as --speed and --framing say")
		return lineOfUnit{console.Default, 0}, nil
	}
	d, _, err := sheet.Dialogue(u)
	if err != nil {
		return lineOfUnit{}, err
	}
	return lineOfUnit{d.Line.Settings, d.Line.Columns}, nil
}

func (t *typing) play(ctx context.Context, line console.Line, h transcript.Header, columns int) error {
	h.Started = time.Now()
	h.Zone = h.Started.Format("-07:00")
	h.Line = station.LineInfo(line.Info())
	path, err := station.RecordPath(t.set.Records, h.Unit, h.Started)
	if err != nil {
		line.Close()
		return err
	}
	t.beginSeal(&h)
	journal, err := transcript.Create(path, h, &t.mask, transcript.WithCommitments(transcript.NewCommitter()))
	if err != nil {
		line.Close()
		return &station.RecordError{Err: err}
	}
	keys, piped, restore, err := t.keys()
	if err != nil {
		line.Close()
		return errors.Join(err, journal.Close())
	}
	fmt.Fprintf(t.errs, "linehand: %s is open at %s and recorded in %s; Ctrl-] leaves\r\n", line.Info().Name, line.Info().Settings, path)
	ending := player.Hand{
		Line: line, Record: journal, Keys: keys, Screen: t.out, Leave: leaveKey, Piped: piped,
		Columns: columns, Person: t.set.Person, Log: t.log,
	}.Play(ctx)
	restore()
	fmt.Fprintf(t.errs, "\nlinehand: %s %s\n", t.masked(ending.Sentence), t.masked(ending.Next))
	if err := journal.Close(); err != nil {
		return &station.RecordError{Err: err}
	}
	t.sealRun(path)
	return outcome(ending.How.ExitCode())
}

// keys is where keys come from. A terminal is put into raw mode, so that
// every key goes to the unit.
func (t *typing) keys() (keys io.Reader, piped bool, restore func(), err error) {
	f, ok := t.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return enterKeys{t.in}, true, func() {}, nil
	}
	before, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return nil, false, nil, fmt.Errorf("put the terminal into raw mode: %w", err)
	}
	return f, false, func() { _ = term.Restore(int(f.Fd()), before) }, nil
}

// enterKeys turns line ends into what the Enter key sends.
type enterKeys struct{ in io.Reader }

func (e enterKeys) Read(p []byte) (int, error) {
	n, err := e.in.Read(p)
	for i, c := range p[:n] {
		if c == '\n' {
			p[i] = '\r'
		}
	}
	return n, err
}
