package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script/engine"
	"linehand/transcript"
)

// Exit codes besides those of run endings, which engine.How.ExitCode gives.
const (
	exitFine      = 0
	exitBroken    = 1   // something that should not happen
	exitUsage     = 2   // the command line or a setting is wrong
	exitInput     = 3   // a profile, dialogue or other input file is wrong
	exitSecret    = 4   // a secret cannot be had
	exitLine      = 5   // a line cannot be opened
	exitKilled    = 130 // ended at once by a second Ctrl-C
	exitDiffers   = 30  // audit: the record is whole, and the unit is not as planned
	exitNotWhole  = 31  // audit, replay: the record is cut off or was altered
	exitUnended   = 32  // audit: the run did not come to its end
	exitNotRecord = 33  // audit, replay: no record, or one of another version
	exitByHand    = 34  // audit: a session by hand, in which nothing was compared with a plan
)

// exitCode is the one place that turns an error into an exit code.
func exitCode(err error) int {
	var coded *codedError
	var secret *station.SecretError
	var record *station.RecordError
	var line *lineError
	var locked *vaultError
	switch {
	case err == nil:
		return exitFine
	case errors.As(err, &coded):
		return coded.code
	case errors.Is(err, station.ErrInput):
		return exitInput
	case errors.As(err, &secret):
		return exitSecret
	case errors.As(err, &locked):
		return locked.code()
	case errors.As(err, &record):
		return engine.NoRecord.ExitCode()
	case errors.Is(err, transcript.ErrNotRecord), errors.Is(err, transcript.ErrOtherVersion):
		return exitNotRecord
	case errors.Is(err, context.Canceled):
		return engine.Stopped.ExitCode()
	case errors.As(err, &line):
		return exitLine
	}
	return exitBroken
}

// exitHelp is the text of `linehand help exit-codes`.
const exitHelp = `Exit codes

   0  done: the unit is set up and reads back as planned, or was so already;
      for other commands: nothing is wrong
   1  a fault of linehand itself, or of the dialogue in the middle of a run
   2  the command line or a setting is wrong
   3  a site profile, a dialogue or another input file is wrong; nothing was sent
   4  a secret cannot be had; nothing was sent
   5  a line cannot be opened; nothing was sent

Endings of a run (with several units, the highest code among them)
  10  given up at a hold, or a hold with nobody to ask
  11  the unit refused an answer
  12  another chassis is on the line than the planned one
  13  a value reads back otherwise than planned
  14  nothing is heard on the line
  15  what is heard is not text: speed or framing is wrong
  16  only our own bytes come back: no null-modem cable, or a loop-back plug
  17  text is heard, but no prompt that the dialogue knows
  18  a stage took longer than it may
  19  the line went away and did not come back
  20  the unit says that it has failed
  21  the session record cannot be written
  22  stopped by a person
  23  as planned, but something is open: the unit is still at work, or a point
      is on the punch list; proof later closes it (audit ends so, too)

Of audit, replay, seal, records and handover
  30  the record is whole, and the unit is not as planned; records confirm: the
      secret is none of those that were typed
  31  a record, the bench's log or a handover pack is cut off, was altered, or
      something of it is missing
  32  the run did not come to its end
  33  this is no session record, or one of another version
  34  this is a session by hand: nothing was compared with a plan

 130  ended at once by a second Ctrl-C
`

func (a *app) exitCodesCommand() *cobra.Command {
	return &cobra.Command{Use: "exit-codes", Short: "What each exit code means", Long: exitHelp,
		Args: cobra.NoArgs, Run: func(*cobra.Command, []string) { fmt.Fprint(a.out, exitHelp) }}
}

// lineError says that the line of a unit cannot be opened.
type lineError struct {
	unit string // "" where there is none
	err  error
}

func (e *lineError) Error() string {
	if e.unit == "" {
		return e.err.Error()
	}
	return fmt.Sprintf("unit %s: %v", e.unit, e.err)
}

func (e *lineError) Unwrap() error { return e.err }

// codedError is an outcome with its own exit code. Its text is for people,
// "" when all has been said already.
type codedError struct {
	code int
	text string
	hint string
}

func (e *codedError) Error() string { return e.text }

func usage(hint, format string, args ...any) error {
	return &codedError{exitUsage, fmt.Sprintf(format, args...), hint}
}

// outcome is an exit code about which everything has been said.
func outcome(code int) error {
	if code == exitFine {
		return nil
	}
	return &codedError{code: code}
}

// report tells the person about an error: a sentence each, with a hint.
func (a *app) report(err error) {
	if err == nil {
		return
	}
	var findings station.Findings
	if errors.As(err, &findings) {
		for _, f := range findings {
			a.complain(f.Sentence(), f.Mend)
		}
		return
	}
	if text := err.Error(); text != "" {
		a.complain(text, hintFor(err))
	}
}

func (a *app) complain(text, hint string) {
	fmt.Fprintf(a.errs, "linehand: error: %s\n", a.masked(strings.TrimSuffix(text, ".")))
	if hint != "" {
		fmt.Fprintf(a.errs, "linehand: hint: %s\n", a.masked(hint))
	}
}

// hintFor says what to do about an error.
func hintFor(err error) string {
	var coded *codedError
	var secret *station.SecretError
	var busy *console.BusyError
	var line *lineError
	var locked *vaultError
	switch {
	case errors.As(err, &coded):
		return coded.hint
	case errors.As(err, &secret):
		return "nothing was opened or sent; set the secret as the profile says and run again"
	case errors.As(err, &locked):
		return "nothing was changed"
	case errors.As(err, &busy):
		return "close the other program, or name another line; nothing was sent"
	case errors.Is(err, console.ErrAbsent):
		return "plug the adapter in, or name another line (linehand lines shows them); nothing was sent"
	case errors.As(err, &line):
		return "nothing was sent"
	case errors.Is(err, transcript.ErrNotRecord):
		return "name a file that a run of linehand has written"
	}
	return ""
}
