package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"linehand/transcript"
	"linehand/transcript/index"
)

// searching is the command's own options.
type searching struct {
	*app
	query         index.Query
	since, before string
	asJSON, anew  bool
}

func (a *app) searchCommand() *cobra.Command {
	s := &searching{app: a}
	cmd := &cobra.Command{
		Use:   "search [WORD…]",
		Short: "Find runs among many records",
		Long: `search finds places in the session records of a folder and those below it: lines
that hold all the words (each from its beginning), in records of a unit, with a
serial number, stage, fact or ending, with a part, step, look or point of a
visit, begun within a time. The latest come first.

It keeps an index in the folder of the records and brings it up to date before
each search; --anew makes it from nothing. The index may be thrown away at any
time. It proves nothing: audit says whether a record is whole.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			s.query.Text = strings.Join(args, " ")
			return s.run(cmd.Context())
		},
	}
	f := cmd.Flags()
	f.StringVar(&s.query.Unit, "unit", "", "records of this `UNIT`, capitals or not")
	f.StringVar(&s.query.Serial, "serial", "", "where this serial `NUMBER` was planned or printed")
	f.StringVar(&s.query.Stage, "stage", "", "runs that came to this `STAGE`")
	f.StringVar(&s.query.Fact, "fact", "", "runs that read `NAME=TEXT` (or NAME, or =TEXT)")
	f.StringVar(&s.query.Part, "part", "", "visits with this part: `NAME=STATE` (or NAME, or =STATE)")
	f.StringVar(&s.query.Step, "step", "", "visits with this step by hand: `NAME=STATE`, such as \"=not good\"")
	f.StringVar(&s.query.Look, "look", "", "visits with this look over the network: `NAME=STATE`, such as =silent")
	f.StringVar(&s.query.Punch, "punch", "", "visits with a point that has `TEXT=STATE` in it, such as \"disk check=open\"")
	f.StringVar(&s.query.Ending, "ending", "", "runs that ended so, such as done or held (`CODE` of the record)")
	f.StringVar(&s.since, "since", "", "begun at this `TIME` or later: 2026-03-04, or 2026-03-04T09:30:00+01:00")
	f.StringVar(&s.before, "before", "", "begun before this `TIME`")
	f.IntVar(&s.query.Limit, "most", 100, "no more places than this")
	f.BoolVar(&s.asJSON, "json", false, "print what was found as JSON")
	f.BoolVar(&s.anew, "anew", false, "make the index from nothing")
	f.String("records", "", "`FOLDER` of the session records (default records)")
	return cmd
}

// indexName is the index's file in the folder of the records.
const indexName = "index.db"

func (s *searching) run(ctx context.Context) error {
	var err error
	if s.query.Since, err = moment("since", s.since); err != nil {
		return err
	}
	if s.query.Before, err = moment("before", s.before); err != nil {
		return err
	}
	if s.query == (index.Query{Limit: s.query.Limit}) {
		return usage("linehand help search lists the options", "%v", index.ErrEmptyQuery)
	}
	hits, err := s.search(ctx)
	if err != nil {
		return err
	}
	if s.asJSON {
		return printJSON(s.out, hits)
	}
	s.show(hits)
	return nil
}

// moment reads a time: a day begins at midnight where linehand runs.
func moment(name, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, text, time.Local)
	if err != nil {
		return t, usage("write 2026-03-04, or 2026-03-04T09:30:00+01:00", "--%s: %q is no time", name, text)
	}
	return t, nil
}

func (s *searching) search(ctx context.Context) ([]index.Hit, error) {
	folder := s.set.Records
	open := index.Open
	if s.anew {
		open = index.Anew
	}
	x, err := open(ctx, filepath.Join(folder, indexName))
	if err != nil {
		return nil, &codedError{exitInput, err.Error(), "name the folder of the records with --records FOLDER; it must be there and writable"}
	}
	defer x.Close()
	change, err := x.Update(ctx, folder)
	if err != nil {
		return nil, err
	}
	for _, why := range change.Unread {
		s.log.Warn().Str("why", transcript.Printable(why)).Msg("a file is not searched")
	}
	return x.Search(ctx, s.query)
}

// show prints a record once, and below it what was found in it.
func (s *searching) show(hits []index.Hit) {
	if len(hits) == 0 {
		fmt.Fprintln(s.errs, "linehand: nothing was found")
	}
	last := ""
	for _, h := range hits {
		if h.Record != last {
			last = h.Record
			fmt.Fprintf(s.out, "%s  %s  %s\n", h.Started.Format("2006-01-02 15:04:05 -07:00"), transcript.Printable(h.Unit), s.aside(h))
			fmt.Fprintf(s.out, "    %s\n", transcript.Printable(h.Record))
		}
		if h.Event > 0 {
			fmt.Fprintf(s.out, "    event %d, %.3f s: %s\n", h.Event, h.At.Seconds(), transcript.Printable(h.Text))
		}
	}
	if len(hits) == s.query.Limit {
		fmt.Fprintf(s.errs, "linehand: only the first %d places are shown; --most N shows more\n", len(hits))
	}
}

// aside is what else is told of a record.
func (s *searching) aside(h index.Hit) string {
	ending := h.Ending
	if ending == "" {
		ending = "no ending"
	}
	words := []string{h.Mode, ending}
	if h.Serial != "" {
		words = append(words, "serial "+h.Serial)
	}
	if h.Fault != "" && h.Fault != string(transcript.FaultUnended) {
		words = append(words, "not whole: "+h.Fault)
	}
	return transcript.Printable(strings.Join(words, ", "))
}
