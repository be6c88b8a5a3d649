package main

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"

	"linehand/transcript"
	"linehand/transcript/replay"
)

func (a *app) replayCommand() *cobra.Command {
	var o replay.Options
	var asText bool
	cmd := &cobra.Command{
		Use:   "replay RECORD",
		Short: "Show what a record holds, at its own pace or as text",
		Long: `replay shows what the unit printed, at the pace at which it came, or the whole
record as plain text. What could harm a terminal is left out. Of a record that
is cut off or was altered it shows what stands before the fault.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return a.replay(cmd.Context(), args[0], o, asText) },
	}
	cmd.Flags().Float64Var(&o.Speed, "speed", 1, "1 is true time, 2 twice as fast, 0 as fast as possible")
	cmd.Flags().BoolVar(&asText, "text", false, "as plain text, with what was typed and what came of it")
	cmd.Flags().StringVar(&o.From, "from", "", "begin where this `STAGE` was entered")
	cmd.Flags().DurationVar(&o.MaxPause, "longest-pause", 0*time.Second, "shorten longer pauses to this; 0: as they were")
	return cmd
}

func (a *app) replay(ctx context.Context, path string, o replay.Options, asText bool) error {
	if !(o.Speed >= 0) {
		return usage("1 is true time, 2 twice as fast, 0 as fast as possible", "--speed %v: it cannot be less than 0", o.Speed)
	}
	rec, err := readRecord(path)
	if err != nil {
		return err
	}
	if asText {
		err = replay.Text(a.out, rec, o)
	} else {
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

// readRecord reads a record; what cannot be read at all is an error with its
// own exit code.
func readRecord(path string) (*transcript.Record, error) {
	rec, err := transcript.Read(path)
	if err == nil || errors.Is(err, transcript.ErrNotRecord) || errors.Is(err, transcript.ErrOtherVersion) {
		return rec, err
	}
	return nil, &codedError{exitInput, err.Error(), "name a session record that is there and may be read"}
}
