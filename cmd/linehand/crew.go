package main

import (
	"context"
	"fmt"
	"os"
	"sync"

	"golang.org/x/term"

	"linehand/cmd/internal/desk"
	"linehand/cmd/internal/progress"
	"linehand/cmd/internal/station"
	"linehand/script/player"
	"linehand/transcript"
)

// crew plays several stations at once, with one board and one desk.
type crew struct {
	*app
	board progress.Board
	desk  *desk.Desk
}

func (a *app) crew() *crew {
	c := &crew{app: a}
	if canRedraw(a.errs) {
		c.board = progress.Bars(a.errs)
	} else {
		c.board = progress.Lines(a.errs)
	}
	a.still = c.board.Quiet
	c.desk = desk.New(a.in, a.errs, a.set.Person, c.board.Quiet)
	return c
}

// canRedraw tells whether w is a terminal that says how large it is. One on a
// serial line often does not.
func canRedraw(w any) bool {
	f, ok := w.(*os.File)
	if !ok || !isTerminal(w) {
		return false
	}
	width, height, err := term.GetSize(int(f.Fd()))
	return err == nil && width >= 40 && height >= 5
}

// deskFor is who is asked at a unit's holds; nil for nobody.
func (c *crew) deskFor(unit string) player.Desk {
	if c.set.OnHold == "ask" || c.set.OnHold == "auto" && isTerminal(c.in) {
		return c.desk.For(unit)
	}
	return nil
}

// play plays all stations and waits for them. The results are in the order
// of the stations; so are the errors of those that could not begin.
func (c *crew) play(ctx context.Context, stations []*station.Station) ([]station.Result, []error) {
	results, errs := make([]station.Result, len(stations)), make([]error, len(stations))
	var all sync.WaitGroup
	committer := transcript.NewCommitter()
	for i, s := range stations {
		s.Head, s.Committer = c.beginSeal, committer
		if s.Mode == "rehearse" { // secrets that are thrown away are not worth the work
			s.Committer = transcript.NewCheapCommitter()
		}
		s.Desk = c.deskFor(s.Unit.Name)
		s.Watch = c.board.Unit(s.Unit.Name, station.Estimate(c.set.Records, s.Dialogue.Name))
		all.Go(func() { results[i], errs[i] = s.Play(ctx) })
	}
	all.Wait()
	c.board.Close()
	for _, r := range results {
		c.sealRun(r.Record)
	}
	return results, errs
}

// say prints how a run ended.
func (a *app) say(r station.Result) {
	fmt.Fprintf(a.out, "%s: %s\n", r.Unit, a.masked(r.Ending.Sentence))
	if r.Ending.Next != "" {
		fmt.Fprintf(a.out, "%s: next: %s\n", r.Unit, a.masked(r.Ending.Next))
	}
}
