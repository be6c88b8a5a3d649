package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"linehand/transcript"
	"linehand/transcript/ledger"
	"linehand/transcript/seal"
)

func (a *app) sealCommand() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:   "seal [RECORD…]",
		Short: "Seal records that a crash left without a seal",
		Long: `seal signs session records with the bench's key and enters them into the
bench's log: those named, or all in the folder of records that bear no seal.

A run seals its own record. What is sealed here says that it was sealed late,
and a run that was cut off stays one. A record that was altered, or that is
still being written, is not sealed.`,
		RunE: func(_ *cobra.Command, args []string) error { return a.seal(args, reason) },
	}
	cmd.Flags().StringVar(&reason, "why", "", "one sentence on why the record is sealed late, for the record")
	cmd.Flags().String("records", "", "the `FOLDER` of session records (default records)")
	return cmd
}

func (a *app) seal(paths []string, reason string) error {
	named := len(paths) > 0
	l, err := a.openLedger()
	if err != nil {
		return err
	}
	defer l.Close()
	if !named {
		if paths, err = recordsIn(a.set.Records); err != nil {
			return err
		}
	}
	code := exitFine
	for _, path := range paths {
		e, err := l.Seal(path, ledger.SealOptions{Late: true, Reason: a.masked(reason)})
		switch {
		case err == nil:
			fmt.Fprintf(a.out, "%s: sealed as entry %d of the log of %s\n", path, e.Entry, l.Log().Bench())
		case errors.Is(err, ledger.ErrSealed) && !named, errors.Is(err, ledger.ErrRunning) && !named:
		default:
			a.complain(err.Error(), "linehand records verify tells what is wrong with it")
			code = exitNotWhole
		}
	}
	return outcome(code)
}

// recordsIn are the records in a folder and below it.
func recordsIn(folder string) (paths []string, err error) {
	err = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.HasSuffix(path, ".record") {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		return nil, &codedError{exitInput, fmt.Sprintf("list the records: %v", err), "name the folder with --records FOLDER"}
	}
	slices.Sort(paths)
	return paths, nil
}

// keyRing is where the bench's keys are.
func (a *app) keyRing() *seal.Ring { return seal.OpenRing(filepath.Join(a.set.Records, "keys")) }

// openLedger opens the log in the folder of records for writing.
func (a *app) openLedger() (*ledger.Ledger, error) {
	log, _, err := ledger.Read(a.set.Records)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &codedError{exitInput, fmt.Sprintf("%s has no log of a bench", a.set.Records), "linehand keys new BENCH makes a key and begins one"}
	}
	if err != nil {
		return nil, &codedError{exitInput, err.Error(), ""}
	}
	current, err := log.Current()
	if err != nil {
		return nil, err
	}
	key, err := a.keyRing().Key(current, a.passphrase)
	if err != nil {
		return nil, &codedError{exitSecret, err.Error(), "nothing was changed"}
	}
	l, err := ledger.Open(a.set.Records, key)
	if errors.Is(err, ledger.ErrAltered) {
		return nil, &codedError{exitNotWhole, err.Error(), "keep the folder as it is; linehand records verify tells more"}
	}
	return l, err
}

// passphrase asks for the passphrase of the bench's key.
func (a *app) passphrase() (string, error) {
	if a.unlock != nil {
		return a.unlock()
	}
	return a.askHidden("Passphrase of the bench's key: ")
}

// beginSeal fills in what a new record's header says of the bench's log. A
// bench without a log makes records without a seal.
func (a *app) beginSeal(h *transcript.Header) {
	log, fault, err := ledger.Read(a.set.Records)
	if err != nil || fault != nil {
		return
	}
	h.Bench, h.After = log.Bench(), log.LastSeal()
}

// sealRun seals the record of a run that has just ended. What keeps it from
// that is logged: the record stands, and can be sealed later.
func (a *app) sealRun(path string) {
	rel, err := filepath.Rel(a.set.Records, path)
	if path == "" || err != nil || !filepath.IsLocal(rel) {
		return // there is no record, or it is kept apart
	}
	if _, err := os.Stat(filepath.Join(a.set.Records, ledger.File)); err != nil {
		return // this bench has no key
	}
	l, err := a.openLedger()
	if err == nil {
		_, err = l.Seal(path, ledger.SealOptions{})
		if errors.Is(err, ledger.ErrFault) { // the run did not come to its ending
			_, err = l.Seal(path, ledger.SealOptions{Late: true, Reason: "The run did not come to its ending."})
		}
		err = errors.Join(err, l.Close())
	}
	if err != nil {
		a.complain(err.Error(), "the record is kept without a seal; linehand seal seals it later")
	}
}
