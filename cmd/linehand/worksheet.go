package main

import (
	"bytes"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/station"
	"linehand/cmd/internal/worksheet"
	"linehand/script"
	"linehand/script/plan"
)

// sheets is the worksheet command with its options.
type sheets struct {
	*app
	pdf, html, paper string
}

func (a *app) worksheetCommand() *cobra.Command {
	s := &sheets{app: a}
	cmd := &cobra.Command{
		Use:   "worksheet [UNIT…]",
		Short: "Make the printed sheets that go with the units",
		Long: `worksheet writes a sheet for each unit (all of the profile, unless some are
named), to be printed: what the plan says of it, the steps by hand with their
cautions, what good looks like and what to do when it does not, then its
dialogues stage by stage with what is answered, what must be read back, and
room for initials and times. Secrets stand on it by name only.

It makes none from a plan that is not sound. Cautions name the standard that
they come from, or common practice; local codes and licensed practice come
before anything on a sheet.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error { return s.run(args) },
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`")
	f.StringVar(&s.pdf, "pdf", "", "write the sheets as PDF to `FILE`")
	f.StringVar(&s.html, "html", "", "write the sheets as one HTML page to `FILE`")
	f.StringVar(&s.paper, "paper", string(worksheet.A4), "of the PDF: A4 or Letter")
	return cmd
}

func (s *sheets) run(names []string) error {
	paper, err := worksheet.ParsePaper(s.paper)
	switch {
	case err != nil:
		return usage("write --paper A4 or --paper Letter", "%v", err)
	case s.set.Profile == "":
		return usage("linehand worksheet --profile FILE --pdf FILE", "no site profile was named")
	case s.pdf == "" && s.html == "":
		return usage("name a file with --pdf or --html, or both", "nothing was said about what to write")
	}
	set, err := s.make(names)
	if err != nil {
		return err
	}
	if s.pdf != "" {
		if err := s.save(s.pdf, func(w io.Writer) error { return set.PDF(w, paper) }); err != nil {
			return err
		}
	}
	if s.html != "" {
		return s.save(s.html, set.HTML)
	}
	return nil
}

// make checks the profile and lays out the sheets of the units named.
func (s *sheets) make(names []string) (*worksheet.Set, error) {
	r := station.Check(s.set.Profile, station.Options{Secrets: station.Warning})
	if !r.Sound || r.Plan == nil || r.Sums == nil {
		return nil, r.Findings.Faults()
	}
	units := r.Plan.Units
	if len(names) > 0 {
		units = nil
		for _, name := range names {
			u, err := r.Plan.Unit(name)
			if err != nil {
				return nil, station.Findings{{Severity: station.Error, File: s.set.Profile, What: err.Error(), Mend: "name a unit as the profile writes it"}}
			}
			units = append(units, u)
		}
	}
	return worksheet.Make(r.Plan, *r.Sums, units, dialogues())
}

// dialogues reads each dialogue once.
func dialogues() worksheet.Dialogues {
	read := map[string]*script.Dialogue{"": nil}
	load := func(path string) (*script.Dialogue, error) {
		if d, known := read[path]; known {
			return d, nil
		}
		d, err := script.Load(path)
		read[path] = d
		return d, err
	}
	return func(u *plan.Unit) (t worksheet.Talks, err error) {
		for _, part := range []struct {
			to   **script.Dialogue
			path string
		}{{&t.First, u.Dialogue}, {&t.SetUp, u.SetUp}, {&t.Proof, u.Proof}} {
			if *part.to, err = load(part.path); err != nil {
				return t, err
			}
		}
		return t, nil
	}
}

// save writes a file whole: what cannot be made leaves the old one as it was.
func (a *app) save(path string, write func(io.Writer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		return usage("name a file in a folder that can be written to", "write %s: %v", path, err)
	}
	fmt.Fprintf(a.errs, "linehand: %s is written\n", path)
	return nil
}
