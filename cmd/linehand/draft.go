package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/script"
	"linehand/transcript/draft"
)

// drafting is the command's own options.
type drafting struct {
	*app
	unit, out string
}

func (a *app) draftCommand() *cobra.Command {
	d := &drafting{app: a}
	cmd := &cobra.Command{
		Use:   "draft RECORD…",
		Short: "Propose a dialogue from sessions by hand",
		Long: `draft reads records of sessions by hand (linehand byhand) and the site profile,
and writes the dialogue that would have typed the same: prompts where the unit
waited, answers as values of the plan, secrets by their role, read-backs of what
was shown. What was guessed is marked with "# look here:"; read the whole file
before it is used. Two records of the same kind of unit make a better draft.

A record is of the unit that byhand was told; --unit names it where it was not.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return d.run(args) },
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`")
	f.StringVar(&d.unit, "unit", "", "the `UNIT` that the records are of, as the profile names it")
	f.StringVar(&d.out, "out", "", "write to `FILE`, which must not be there yet (default standard output)")
	return cmd
}

func (d *drafting) run(paths []string) error {
	if d.set.Profile == "" {
		return usage("name the site's file with --profile FILE", "draft needs the site profile, to know planned values from others")
	}
	sheet, err := station.ReadSheet(d.set.Profile)
	if err != nil {
		return err
	}
	var sessions []draft.Session
	for _, path := range paths {
		s, err := d.session(sheet, path)
		if err != nil {
			return err
		}
		sessions = append(sessions, s)
	}
	made, err := draft.Make(sessions...)
	if errors.Is(err, draft.ErrNotByHand) || errors.Is(err, draft.ErrNothing) || errors.Is(err, draft.ErrKinds) {
		return &codedError{exitInput, err.Error(), "name records of linehand byhand, all of one kind of unit"}
	}
	if err != nil {
		return err
	}
	return d.give(made)
}

// session reads a record and finds its unit in the plan.
func (d *drafting) session(sheet *station.Sheet, path string) (draft.Session, error) {
	rec, err := readRecord(path)
	if err != nil {
		return draft.Session{}, err
	}
	if rec.Fault != nil {
		d.complain(rec.Fault.Error(), "the draft is made of what stands before that line")
	}
	name := d.unit
	if name == "" {
		name = rec.Header.Unit
	}
	u, err := sheet.Unit(name)
	if err != nil {
		return draft.Session{}, &codedError{exitInput, fmt.Sprintf("%s: %v", path, err), "say which unit the record is of with --unit UNIT"}
	}
	return draft.Session{Record: rec, Unit: draft.Unit{Name: u.Name, Kind: u.Kind, Serial: u.Serial, Values: u.Values}}, nil
}

// give writes the draft, and tells what is to be looked at.
func (d *drafting) give(made *draft.Draft) error {
	if d.out == "" {
		if _, err := fmt.Fprint(d.app.out, made.Text); err != nil {
			return fmt.Errorf("print the draft: %w", err)
		}
	} else if err := writeNew(d.out, made.Text, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(d.errs, "linehand: %d stages, %d exchanges, %d spots to look at\n", made.Stages, made.Exchanges, len(made.Marks))
	for _, m := range made.Marks {
		fmt.Fprintf(d.errs, "linehand: line %d: %s\n", m.Line, d.masked(m.Text))
	}
	for _, f := range made.Findings {
		fmt.Fprintf(d.errs, "linehand: line %d: %s: %s; %s\n", f.Pos.Line, f.Severity, f.What, f.Mend)
		if f.Severity == script.SeverityError {
			fmt.Fprintln(d.errs, "linehand: the draft cannot be used before that is mended")
		}
	}
	return nil
}

// writeNew writes a file that must not be there.
func writeNew(path, text string, mode os.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err == nil {
		_, err = f.WriteString(text)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		return &codedError{exitInput, err.Error(), "name a file that is not there yet, in a folder that is"}
	}
	return nil
}
