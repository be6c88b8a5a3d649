package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"linehand/transcript"
	"linehand/transcript/ledger"
	"linehand/transcript/seal"
)

// keeping is the command's own options.
type keeping struct {
	*app
	keys, lodged []string
	asJSON       bool
	site, why    string
	older        string
	keep         int
	dry          bool
}

func (a *app) recordsCommand() *cobra.Command {
	k := &keeping{app: a}
	cmd := &cobra.Command{
		Use:   "records",
		Short: "Verify, prove, keep and hand on session records",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().String("records", "", "the `FOLDER` of session records (default records)")
	cmd.PersistentFlags().StringArrayVar(&k.keys, "key", nil, "a bench's public `KEY`, or a file with it in PEM form: trust it")
	sub := func(use, short string, args cobra.PositionalArgs, run func([]string) error) *cobra.Command {
		c := &cobra.Command{Use: use, Short: short, Args: usageArgs(args), RunE: func(_ *cobra.Command, args []string) error { return run(args) }}
		cmd.AddCommand(c)
		return c
	}
	verify := sub("verify [FOLDER | RECORD…]", "Is nothing altered, cut or missing? The whole folder, or the records named", nil, k.verify)
	verify.Flags().StringArrayVar(&k.lodged, "lodged", nil, "a `LINE` of the log that was lodged elsewhere")
	verify.Flags().BoolVar(&k.asJSON, "json", false, "as JSON")
	sub("line", "Print the log's state as one line, to be lodged elsewhere", cobra.NoArgs, k.line)
	sub("prove RECORD", "Print a proof that the record is in the log", cobra.ExactArgs(1), k.prove)
	sub("since LINE", "Print a proof that the log only grew since a lodged line", cobra.ExactArgs(1), k.since)
	sub("check-proof FILE", "Check a proof", cobra.ExactArgs(1), k.checkProof)
	sub("confirm RECORD", "Ask for a secret, without showing it, and say where it was typed", cobra.ExactArgs(1), k.confirm)
	sub("stamp-request FILE", "Write a time-stamp request (RFC 3161) for the log's state", cobra.ExactArgs(1), k.stampRequest)
	sub("stamp-attach REQUEST REPLY", "Check the reply to a time-stamp request and keep both", cobra.ExactArgs(2), k.stampAttach)
	thin := sub("thin", "Remove records that are older or more than wanted; the log says so", cobra.NoArgs, k.thin)
	thin.Flags().StringVar(&k.older, "older-than", "", "remove what began longer ago than `AGE`, such as 90d or 12h")
	thin.Flags().IntVar(&k.keep, "keep", 0, "keep the newest `N` of each site")
	thin.Flags().StringVar(&k.why, "why", "", "why, for the log")
	thin.Flags().StringVar(&k.site, "site", "", "only records of this site")
	thin.Flags().BoolVar(&k.dry, "dry-run", false, "only say which")
	pack := sub("pack FILE", "Write the records of a site into one archive", cobra.ExactArgs(1), k.pack)
	pack.Flags().StringVar(&k.site, "site", "", "the `SITE` whose records go into the archive")
	sub("unpack FILE", "Verify an archive and take its records in", cobra.ExactArgs(1), k.unpack)
	return cmd
}

// trusted are the keys that were given.
func (k *keeping) trusted() ([]seal.Public, error) {
	var list []seal.Public
	for _, text := range k.keys {
		data := []byte(text)
		if file, err := os.ReadFile(text); err == nil {
			data = file
		}
		p, err := seal.ReadPublic(data)
		if err != nil {
			return nil, usage("linehand keys show prints the key in use", "--key: %v", err)
		}
		list = append(list, p)
	}
	return list, nil
}

func (k *keeping) verify(paths []string) error {
	keys, err := k.trusted()
	if err != nil {
		return err
	}
	folder := k.set.Records
	if len(paths) == 1 && isFolder(paths[0]) {
		folder, paths = paths[0], nil
	}
	if len(paths) > 0 {
		return k.verifyRecords(paths, keys)
	}
	trust := ledger.Trust{Keys: keys}
	for _, line := range k.lodged {
		c, err := ledger.ReadCheckpoint([]byte(line))
		if err != nil {
			return usage("give the line in quotation marks, as linehand records line printed it", "--lodged: %v", err)
		}
		trust.Lodged = append(trust.Lodged, c)
	}
	report, err := ledger.Verify(folder, trust)
	if err != nil {
		return &codedError{exitInput, err.Error(), ""}
	}
	if k.asJSON {
		err = printJSON(k.out, report)
	} else {
		k.showFolder(report)
	}
	if err == nil && !report.Whole() {
		return outcome(exitNotWhole)
	}
	return err
}

func (k *keeping) showFolder(r *ledger.Report) {
	for _, f := range r.Findings {
		mark := "wrong "
		if f.Remark {
			mark = "remark"
		}
		fmt.Fprintf(k.out, "%s  %s\n", mark, f)
	}
	verdict := "whole: nothing is altered, cut or missing"
	if !r.Whole() {
		verdict = "not whole"
	}
	fmt.Fprintf(k.out, "%d records, %d entries in the log of %s\n%s\n", r.Records, r.Entries, transcript.Printable(r.Bench), verdict)
	if !r.Trusted && len(r.Keys) > 0 {
		fmt.Fprintf(k.out, "by the folder's own key, %s: compare it with the one that the bench gave you\n", r.Keys[0])
	}
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func (k *keeping) verifyRecords(paths []string, keys []seal.Public) error {
	code := exitFine
	list := []*seal.Result{}
	for _, path := range paths {
		res, err := seal.VerifyFile(path, keys...)
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
			err = &codedError{exitInput, err.Error(), "name a session record that is there and may be read"}
		}
		if err != nil {
			k.report(err)
			code = max(code, exitCode(err))
			continue
		}
		list = append(list, res)
		if !res.Whole() {
			code = max(code, exitNotWhole)
		}
		if !k.asJSON {
			k.showRecord(res)
		}
	}
	if k.asJSON {
		if err := printJSON(k.out, list); err != nil {
			return err
		}
	}
	return outcome(code)
}

func (k *keeping) showRecord(res *seal.Result) {
	for _, f := range res.Findings {
		fmt.Fprintln(k.out, f)
	}
	if !res.Sealed {
		return
	}
	s, how := res.Outline.Seal, "sealed"
	if res.Late {
		how = "sealed late"
	}
	fmt.Fprintf(k.out, "%s: %s on %s at %s, entry %d, key %s\n", res.File, how, transcript.Printable(s.Seal.Bench), s.Wall.Format(time.RFC3339), s.Seal.Entry, s.Seal.Key)
}

// state is the log and its checkpoint.
func (k *keeping) state() (*ledger.Log, ledger.Checkpoint, error) {
	log, fault, err := ledger.Read(k.set.Records)
	if err != nil {
		return nil, ledger.Checkpoint{}, &codedError{exitInput, err.Error(), "linehand keys new BENCH begins a log"}
	}
	if fault != nil {
		return nil, ledger.Checkpoint{}, &codedError{exitNotWhole, fault.String(), "linehand records verify tells more"}
	}
	text, err := os.ReadFile(filepath.Join(k.set.Records, ledger.CheckpointFile))
	if err != nil {
		return nil, ledger.Checkpoint{}, &codedError{exitNotWhole, err.Error(), "linehand seal signs the log's state"}
	}
	c, err := ledger.ReadCheckpoint(text)
	return log, c, err
}

func (k *keeping) line([]string) error {
	_, c, err := k.state()
	if err == nil {
		fmt.Fprintln(k.out, c)
	}
	return err
}

func (k *keeping) prove(args []string) error {
	log, c, err := k.state()
	if err != nil {
		return err
	}
	rel, err := filepath.Rel(k.set.Records, args[0])
	e := log.Find(filepath.ToSlash(rel))
	if err != nil || e == nil {
		return &codedError{exitInput, fmt.Sprintf("the log has no record %s", args[0]), "linehand seal enters it"}
	}
	proof, err := log.Prove(e.Entry, c)
	if err != nil {
		return err
	}
	return printJSON(k.out, proof)
}

func (k *keeping) since(args []string) error {
	log, c, err := k.state()
	if err != nil {
		return err
	}
	from, err := ledger.ReadCheckpoint([]byte(args[0]))
	if err != nil {
		return usage("give the line in quotation marks", "%v", err)
	}
	proof, err := log.ProveSince(from, c)
	if err != nil {
		return &codedError{exitNotWhole, err.Error(), "linehand records verify --lodged tells more"}
	}
	return printJSON(k.out, proof)
}

func (k *keeping) confirm(args []string) error {
	rec, err := readRecord(args[0])
	if err != nil {
		return err
	}
	var list []transcript.Event
	for _, e := range rec.Events {
		if e.Kind == transcript.Commitment {
			list = append(list, e)
		}
	}
	if len(list) == 0 {
		return &codedError{exitInput, fmt.Sprintf("%s holds no commitment to a secret", args[0]), "records of runs that typed no secret, and older ones, hold none"}
	}
	value, err := k.askHidden("Secret: ")
	if err != nil {
		return err
	}
	return k.compare(list, value)
}

// compare tells which commitments bind to the value. Equal ones are worked
// out once.
func (k *keeping) compare(list []transcript.Event, value string) error {
	known, any := map[string]bool{}, false
	for _, e := range list {
		same, ok := known[e.Text]
		if !ok {
			var err error
			if same, err = transcript.CheckCommitment(e.Text, value); err != nil {
				return fmt.Errorf("event %d: %w", e.N, err)
			}
			known[e.Text] = same
		}
		word := "another value"
		if same {
			word, any = "this value", true
		}
		fmt.Fprintf(k.out, "event %d: secret %s: %s\n", e.Of, transcript.Printable(e.Name), word)
	}
	if !any {
		return outcome(exitDiffers)
	}
	return nil
}

func (k *keeping) thin([]string) error {
	age, err := parseAge(k.older)
	if err != nil || age == 0 && k.keep <= 0 {
		return usage("such as --older-than 90d, or --keep 100", "say which records go: %v", errors.Join(err, errors.New("--older-than AGE or --keep N")))
	}
	l, err := k.openLedger()
	if err != nil {
		return err
	}
	defer l.Close()
	why := k.why
	if why == "" {
		why = strings.TrimSpace(fmt.Sprintf("policy: older than %s, keep %d", k.older, k.keep))
	}
	for _, e := range l.Log().Due(ledger.Policy{Site: k.site, MaxAge: age, Keep: k.keep}, time.Now()) {
		if !k.dry {
			if err := l.Remove(e, why, k.set.Person); err != nil {
				return err
			}
		}
		fmt.Fprintf(k.out, "%s of unit %s, entry %d\n", e.Record, transcript.Printable(e.Unit), e.Entry)
	}
	return nil
}

// parseAge reads a duration; days are 24 hours.
func parseAge(text string) (time.Duration, error) {
	if text == "" {
		return 0, nil
	}
	if days, ok := strings.CutSuffix(text, "d"); ok {
		var n int
		if _, err := fmt.Sscanf(days+" ", "%d ", &n); err == nil && n > 0 && n < 1<<16 {
			return time.Duration(n) * 24 * time.Hour, nil
		}
	}
	age, err := time.ParseDuration(text)
	if err != nil || age <= 0 {
		return 0, fmt.Errorf("%q is no age", text)
	}
	return age, nil
}
