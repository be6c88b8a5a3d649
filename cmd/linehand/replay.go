package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"linehand/transcript"
	"linehand/transcript/replay"
)

func (a *app) replayCommand() *cobra.Command {
	var o replay.Options
	var how showing
	cmd := &cobra.Command{
		Use:   "replay RECORD",
		Short: "Show what a record holds, at its own pace or as text",
		Long: `replay shows what the unit printed, at the pace at which it came, step by step,
or the whole record as plain text or as a page that plays without a network.
What could harm a terminal or a browser is left out. Of a record that is cut off
or was altered it shows what stands before the fault.

With --step each key is a step: Space goes on, b back, s to the next stage, 0 to
the beginning, q leaves.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := apart(cmd, "text", "step", "html"); err != nil {
				return err
			}
			return a.replay(cmd.Context(), args[0], o, how)
		},
	}
	cmd.Flags().Float64Var(&o.Speed, "speed", 1, "1 is true time, 2 twice as fast, 0 as fast as possible")
	cmd.Flags().BoolVar(&how.text, "text", false, "as plain text, with what was typed and what came of it")
	cmd.Flags().BoolVar(&how.step, "step", false, "step by step, on the screen as it was")
	cmd.Flags().StringVar(&how.page, "html", "", "write a page to `FILE` (which must not be there yet) that plays the record")
	cmd.Flags().StringVar(&o.From, "from", "", "begin where this `STAGE` was entered")
	cmd.Flags().DurationVar(&o.MaxPause, "longest-pause", 0*time.Second, "shorten longer pauses to this; 0: as they were")
	return cmd
}

// showing is how a record is shown, when not at its own pace.
type showing struct {
	text, step bool
	page       string
}

func (a *app) replay(ctx context.Context, path string, o replay.Options, how showing) error {
	if !(o.Speed >= 0) {
		return usage("1 is true time, 2 twice as fast, 0 as fast as possible", "--speed %v: it cannot be less than 0", o.Speed)
	}
	rec, err := readRecord(path)
	if err != nil {
		return err
	}
	switch {
	case how.text:
		err = replay.Text(a.out, rec, o)
	case how.step:
		err = a.step(ctx, rec, o)
	case how.page != "":
		if err := a.page(how.page, func(w io.Writer) error { return replay.HTML(w, rec) }); err != nil {
			return err
		}
	default:
		err = replay.Play(ctx, a.out, rec, o)
	}
	switch {
	case errors.Is(err, context.Canceled):
		return nil // seen enough
	case err != nil:
		return usage("linehand replay --text shows the stages", "%v", err)
	case rec.Fault != nil && rec.Fault.Kind == transcript.FaultUnended:
		return &codedError{exitUnended, rec.Fault.Error(), "the run was cut off there, or has not ended yet"}
	case rec.Fault != nil:
		return &codedError{exitNotWhole, rec.Fault.Error(), "what is shown stands before the fault"}
	}
	return nil
}

// apart refuses options that do not go together.
func apart(cmd *cobra.Command, names ...string) error {
	first := ""
	for _, name := range names {
		switch {
		case !cmd.Flags().Changed(name):
		case first == "":
			first = name
		default:
			return usage("choose one of them", "--%s and --%s do not go together", first, name)
		}
	}
	return nil
}

// step steps through a record. A terminal is put into raw mode, so that each
// key is a step.
func (a *app) step(ctx context.Context, rec *transcript.Record, o replay.Options) error {
	if f, ok := a.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		before, err := term.MakeRaw(int(f.Fd()))
		if err != nil {
			return fmt.Errorf("put the terminal into raw mode: %w", err)
		}
		defer func() { _ = term.Restore(int(f.Fd()), before) }()
	}
	return replay.Step(ctx, a.in, a.out, rec, o)
}

// page writes a page to a new file, for its owner only as the record is.
func (a *app) page(path string, write func(io.Writer) error) error {
	var text strings.Builder
	if err := write(&text); err != nil {
		return err
	}
	return writeNew(path, text.String(), 0o600)
}

// readRecord reads a record; what cannot be read at all is an error with its
// own exit code.
func readRecord(path string) (*transcript.Record, error) {
	rec, err := transcript.Read(path)
	if err == nil || errors.Is(err, transcript.ErrNotRecord) || errors.Is(err, transcript.ErrOtherVersion) {
		return rec, err
	}
	return nil, &codedError{exitInput, err.Error(), "name a session record that is there and may be read"}
}
