package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/pack"
	"linehand/cmd/internal/station"
	"linehand/script/plan/sums"
	"linehand/transcript"
	"linehand/transcript/handover"
	"linehand/transcript/seal"
)

// handing is the command's own options.
type handing struct {
	*keeping
	out    string
	labels string
	verify string
}

func (a *app) handoverCommand() *cobra.Command {
	h := &handing{keeping: &keeping{app: a}}
	cmd := &cobra.Command{
		Use:   "handover RECORD… --profile FILE --out FOLDER",
		Short: "Make the pack that stays with the customer, or verify one",
		Long: `handover makes a folder out of session records and the site profile: what is
installed where, values as entered, planned and read back, drawings, checks,
the punch list, secrets by name, seals, and the records themselves, as PDF,
HTML, CSV and JSON, with a sheet of labels and a manifest of digests. The same
records and profile give the same bytes.

With --verify it compares a pack with its manifest, and verifies the records in
it. A pack with open points is made all the same, and says so. The exit code is
31 where a record was altered, or a pack is not as it was made.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error { return h.run(args) },
	}
	cmd.Flags().String("profile", "", "site profile `FILE`")
	cmd.Flags().StringVar(&h.out, "out", "", "the new `FOLDER`")
	cmd.Flags().StringVar(&h.labels, "label-size", pack.UsualLabels.String(), "`WxH` of a label in mm")
	cmd.Flags().StringVar(&h.verify, "verify", "", "verify the pack in `FOLDER`")
	cmd.Flags().StringArrayVar(&h.keys, "key", nil, "a bench's public `KEY`, or a file with it in PEM form: trust it")
	cmd.Flags().BoolVar(&h.asJSON, "json", false, "print the outcome as JSON")
	return cmd
}

func (h *handing) run(args []string) error {
	if h.verify != "" {
		if len(args) > 0 || h.out != "" {
			return usage("linehand handover --verify FOLDER", "--verify takes no records and no --out")
		}
		return h.check()
	}
	switch {
	case len(args) == 0:
		return usage("linehand handover records/*.record --profile FILE --out FOLDER", "name the records that go into the pack")
	case h.set.Profile == "":
		return usage("--profile FILE names it; that of simulated units of the demo site is fixtures/site/skerrymore.yaml", "a pack needs the site profile")
	case h.out == "":
		return usage("--out FOLDER names one that is not there yet", "say where the pack goes")
	}
	return h.make(args)
}

func (h *handing) make(paths []string) error {
	size, err := pack.ParseLabelSize(h.labels)
	if err != nil {
		return usage("--label-size "+pack.UsualLabels.String(), "%v", err)
	}
	keys, err := h.trusted()
	if err != nil {
		return err
	}
	sheet, err := station.ReadSheet(h.set.Profile)
	if err != nil {
		return err
	}
	records, data, err := readForPack(paths, keys)
	if err != nil {
		return err
	}
	worked, _ := sums.Work(sheet.Site, sheet.Plan, sums.Options{}) // its problems are those of check
	doc, err := handover.Make(pack.SiteOf(sheet.Site, sheet.Plan, worked), records)
	if err != nil {
		return &codedError{exitInput, err.Error(), "name the profile that the records' units are planned in"}
	}
	content := pack.Content{Document: doc, Records: make(map[string][]byte), Plan: sheet.Plan, Sums: worked, Labels: size}
	for _, r := range doc.Runs {
		content.Records[r.File] = data[r.SHA256]
	}
	files, err := pack.Files(content)
	if err != nil {
		return err
	}
	if err := pack.Write(h.out, files); err != nil {
		return &codedError{exitInput, err.Error(), "name a folder that is not there yet; nothing was written"}
	}
	return h.tell(doc, files)
}

// readForPack reads records, by their bytes, which go into the pack as they
// are.
func readForPack(paths []string, keys []seal.Public) (records []handover.Record, data map[string][]byte, err error) {
	data = make(map[string][]byte)
	for _, path := range paths {
		file, err := os.ReadFile(path)
		if err != nil {
			return nil, nil, &codedError{exitInput, fmt.Sprintf("read a session record: %v", err), ""}
		}
		rec := handover.Record{Record: new(transcript.Record), SHA256: handover.Digest(file), Size: int64(len(file))}
		if data[rec.SHA256] != nil {
			return nil, nil, usage("name each record once", "%s is among the records twice", path)
		}
		data[rec.SHA256] = file
		rec.Header, err = transcript.Scan(bytes.NewReader(file), func(e transcript.Event) error {
			rec.Events = append(rec.Events, e)
			rec.Record.Seal = e.Seal
			return nil
		})
		if err != nil && !errors.As(err, &rec.Fault) {
			return nil, nil, fmt.Errorf("%s: %w", path, err)
		}
		if rec.Whole = err == nil; !rec.Whole && rec.Header.Unit == "" {
			return nil, nil, &codedError{exitNotWhole, fmt.Sprintf("%s:%d: %s", path, rec.Fault.Line, rec.Fault.Text), "nothing is known of a record whose header is not sound; no pack was made"}
		}
		if rec.Seal, err = seal.Verify(bytes.NewReader(file), keys...); err != nil {
			return nil, nil, fmt.Errorf("%s: %w", path, err)
		}
		records = append(records, rec)
	}
	return records, data, nil
}

// made is the outcome for machines.
type made struct {
	Folder   string          `json:"folder"`
	Files    int             `json:"files"`
	Manifest string          `json:"manifest_sha256"`
	Open     []handover.Open `json:"punch_list"`
}

func (h *handing) tell(doc handover.Document, files []pack.File) error {
	out := made{Folder: h.out, Files: len(files), Manifest: handover.Digest(files[len(files)-1].Data), Open: doc.Punch}
	code := exitFine
	for _, o := range doc.Punch {
		if o.Code == handover.CodeAltered {
			code = exitNotWhole
		}
	}
	if h.asJSON {
		if err := printJSON(h.app.out, out); err != nil {
			return err
		}
		return outcome(code)
	}
	fmt.Fprintf(h.app.out, "%s: %d files, %d records, %d of %d units\n", h.out, out.Files, len(doc.Runs), recorded(doc), len(doc.Units))
	fmt.Fprintf(h.app.out, "manifest SHA-256 %s\n", out.Manifest)
	if len(doc.StillOpen()) == 0 {
		fmt.Fprintln(h.app.out, "nothing is open by the records")
	}
	for _, o := range doc.Punch {
		fmt.Fprintln(h.app.out, pointLine(o))
	}
	return outcome(code)
}

// pointLine is a point of the punch list in one line.
func pointLine(o handover.Open) string {
	what := strings.TrimPrefix(o.Unit+": "+o.What, ": ")
	if c := o.Closed; c != nil {
		return fmt.Sprintf("closed: %s (%s, event %d, %s)", what, c.Record, c.Event, c.At.Format("2006-01-02"))
	}
	var who []string
	if o.By != "" {
		who = append(who, "by "+o.By)
	}
	if o.Due != "" {
		who = append(who, "until "+o.Due)
	}
	if len(who) > 0 {
		what += " (" + strings.Join(who, ", ") + ")"
	}
	return "open: " + what
}

func recorded(doc handover.Document) (n int) {
	for _, u := range doc.Units {
		if len(u.Records) > 0 {
			n++
		}
	}
	return n
}

// check verifies a pack.
func (h *handing) check() error {
	keys, err := h.trusted()
	if err != nil {
		return err
	}
	r, err := pack.Verify(h.verify, keys...)
	if err != nil {
		return &codedError{exitInput, err.Error(), "name a folder that linehand handover has made"}
	}
	code := exitFine
	if !r.Whole() {
		code = exitNotWhole
	}
	if h.asJSON {
		if err := printJSON(h.app.out, r); err != nil {
			return err
		}
		return outcome(code)
	}
	for _, f := range r.Faults {
		fmt.Fprintf(h.app.out, "wrong %s: %s\n", f.File, f.What)
	}
	for _, rec := range r.Records {
		fmt.Fprintf(h.app.out, "record %s: %s\n", rec.File, sealWords(rec))
	}
	fmt.Fprintf(h.app.out, "%s: %d files in the manifest, whose SHA-256 is %s\n", h.verify, r.Files, r.Manifest)
	if r.Whole() {
		fmt.Fprintln(h.app.out, "whole: nothing is altered, missing or added")
	}
	return outcome(code)
}

func sealWords(r *seal.Result) string {
	switch {
	case r.Trusted:
		return "sealed by a key that is trusted"
	case r.Sealed:
		return "sealed; name the bench's key with --key to tell whether it is the bench's"
	case r.Outline != nil && r.Outline.Seal != nil:
		return "the seal is not right"
	}
	return "not sealed"
}
