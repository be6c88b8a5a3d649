package main

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"os/user"
	"path/filepath"
	"sync"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
	"linehand/cmd/internal/archive"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/cmd/internal/web"
	"linehand/transcript"
)

// openGate says who may come in, and where from.
func (b *benching) openGate() (*access.Gate, error) {
	set := b.set.Bench
	gate, err := access.New(access.Options{
		Data: set.Data, Owner: b.whoever(), Listen: set.Listen, Cert: set.Cert, Key: set.TLSKey, Hosts: set.Hosts, Log: b.log,
	})
	if err != nil {
		return nil, usage("linehand help bench tells more", "%v", err)
	}
	return gate, nil
}

// serve serves the API and the pages of the bench until ctx ends.
func (b *benching) serve(ctx context.Context) error {
	set := b.set.Bench
	records, err := archive.Open(archive.Options{
		Folder: b.set.Records, Packs: filepath.Join(set.Data, "handover"), Sheet: b.bench.Sheet,
	})
	if err != nil {
		return err
	}
	d := api.Deps{
		Bench: b.bench, Keyboards: api.NewKeyboards(b.bench), Orders: b.store, Plan: b.planReport(),
		Archive: records, Gate: b.gate, Ready: b.ready, Meter: b.meter, Tool: tool(), Log: b.log,
	}
	d.Pages = web.Pages(d)
	return api.Serve(ctx, api.ServeOptions{Data: set.Data, Listened: b.listened}, d)
}

// planReport is the check of the profile as the bench plays it: made afresh
// when the profile was read again.
func (b *benching) planReport() func() *station.Report {
	var mu sync.Mutex
	var of *station.Sheet
	var report *station.Report
	return func() *station.Report {
		mu.Lock()
		defer mu.Unlock()
		if now := b.bench.Sheet(); now != of {
			fresh := station.Check(b.set.Profile, station.Options{Secrets: station.Note})
			of, report = now, &fresh
		}
		return report
	}
}

// listened tells where the bench is, and the link for whoever sits at it. The
// link goes to the terminal only, never into the log.
func (b *benching) listened(base, link string) {
	fmt.Fprintf(b.errs, "linehand: the bench is at %s\n", base)
	b.base <- reachable(base)
	if link != "" {
		fmt.Fprintf(b.errs, "linehand: sign in, once, within %d minutes: %s\n", int(access.LinkLife.Minutes()), link)
	}
}

// reachable is an address as other machines may use it; "" where they cannot.
func reachable(base string) string {
	u, err := url.Parse(base)
	if err != nil || u.Hostname() == "localhost" {
		return ""
	}
	if ip, err := netip.ParseAddr(u.Hostname()); err == nil && (ip.IsLoopback() || ip.IsUnspecified()) {
		return ""
	}
	return base
}

// ready tells whether orders can be taken.
func (b *benching) ready(context.Context) error {
	if !b.store.Conn().IsConnected() {
		return errors.New("the store of orders is not reached")
	}
	return nil
}

// play plays a job, and measures its answers.
func (b *benching) play(ctx context.Context, j bench.Job) (station.Result, error) {
	measure, tell := b.meter.Run(), j.Station.Tell
	j.Station.Tell = func(e transcript.Event) {
		measure(e)
		if tell != nil {
			tell(e)
		}
	}
	return j.Play(ctx)
}

// whoever is who works at the bench: as the settings say, or by the name that
// the system knows.
func (a *app) whoever() string {
	if a.set.Person != "" {
		return a.set.Person
	}
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}
