package bench

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/visit"
	"linehand/transcript"
)

// Plays says how much of a unit's visit the bench plays.
type Plays string

// How much of a visit a bench plays.
const (
	// PlayVisit is all that needs no hands: first boot, waiting until the unit
	// serves, set-up and proof, as far as the unit's kind has them.
	PlayVisit Plays = "visit"
	// PlayFirstBoot is the first boot alone.
	PlayFirstBoot Plays = "first boot"
)

// handless are the parts of a visit that need no hands.
var handless = []visit.Part{visit.FirstBoot, visit.Serving, visit.SetUp, visit.Again, visit.Proof}

// Network is how a bench looks at a unit over the network.
type Network interface {
	visit.Network
	// Shell opens a shell over SSH; pin is the host key's fingerprint.
	Shell(ctx context.Context, at netip.Addr, s plan.SSH, password func() (string, error), pin string) (console.Line, error)
}

// visits tells whether a unit is played as a visit.
func (d *Daemon) visits(u *plan.Unit, task Task) bool {
	return task == Prove || d.cfg.Plays == PlayVisit && (u.SetUp != "" || u.Proof != "")
}

// tour is the visit to a unit whose first dialogue s would play.
func (l *line) tour(ctx context.Context, s *station.Station, task Task, last runNote) (*station.Tour, error) {
	p, _, err := s.Sheet.Visit(s.Unit)
	if err != nil {
		return nil, err
	}
	t := &station.Tour{
		Sheet: s.Sheet, Plan: p, Secrets: s.Secrets, Mask: s.Mask, Line: l.address, Tool: s.Tool, Mode: "visit", Records: s.Records, Away: s.Away,
		Only: handless, HalfTyped: s.HalfTyped, Committer: s.Committer, Head: s.Head, Log: s.Log,
	}
	t.Console = func(ctx context.Context) (console.Line, error) {
		return l.open(ctx, l.d.cfg.Tune(s.Dialogue.Line.Settings))
	}
	if s.Tune != nil {
		t.Tune = l.open
	}
	if l.d.cfg.Network != nil {
		net := l.d.cfg.Network(s.Unit)
		t.Network, t.Shell = net, net.Shell
	}
	if t.Known, err = l.d.fetchNames(s.Sheet, s.Unit, visitSecrets(p)); err != nil {
		return nil, err
	}
	return t, l.earlier(t, s.Unit, task, last)
}

func visitSecrets(p *station.VisitPlan) []string {
	names := station.VisitSecrets(p.Unit, p.First, p.SetUp, p.Proof)
	for _, s := range p.SignIns {
		if !slices.Contains(names, s.Secret) {
			names = append(names, s.Secret)
		}
	}
	return names
}

// earlier has a visit begin where one that was cut off was, and a proof with
// what the visit before it has left open.
func (l *line) earlier(t *station.Tour, u *plan.Unit, task Task, last runNote) error {
	path := last.Record
	if task == Prove {
		if t.Plan.Proof == nil {
			return &notBegun{fmt.Errorf("there is no dialogue that proves a %s; name one as proof: in its kind", u.Kind), true}
		}
		t.Only = []visit.Part{visit.Proof}
		path = station.LatestVisit(t.Records, u)
	}
	if path == "" {
		return nil
	}
	points, earlier, _, err := station.OpenPoints(path)
	if err != nil {
		l.d.cfg.Log.Warn().Err(err).Str("record", path).Msg("an earlier record is not counted")
		return nil
	}
	t.Earlier = earlier
	if task == Prove {
		t.Closes = points
		return nil
	}
	for _, part := range handless {
		if !slices.Contains(earlier.Done, part) {
			t.From = part
			break
		}
	}
	return nil
}

// Play plays the job as its order and the bench's settings want it.
func (j Job) Play(ctx context.Context) (station.Result, error) {
	if j.Tour == nil {
		return j.Station.Play(ctx)
	}
	s, t := j.Station, *j.Tour
	t.Hands, t.Tell, t.Watch, t.Person, t.Begun, t.Desk = s.Hands, s.Tell, s.Watch, s.Person, s.Begun, absent{s.Desk}
	opened, again := s.Line, t.Console
	t.Console = func(ctx context.Context) (console.Line, error) {
		if opened == nil {
			return again(ctx)
		}
		line := opened
		opened = nil
		return line, nil
	}
	defer func() {
		if opened != nil {
			opened.Close()
		}
	}()
	return t.Play(ctx)
}

// absent is a person who decides at holds from the pages, and whose hands are
// elsewhere: what needs them stays open.
type absent struct{ player.Desk }

var _ visit.Person = absent{}

func (absent) Sit(context.Context, string) (func(), error) { return func() {}, nil }

func (absent) Step(context.Context, visit.Shown) (visit.Answer, error) {
	return visit.Answer{State: transcript.PassedBy, By: "nobody at the unit"}, nil
}

func (a absent) List(ctx context.Context, _ string, steps []visit.Step) ([]visit.Answer, error) {
	out := make([]visit.Answer, len(steps))
	for i := range out {
		out[i], _ = a.Step(ctx, visit.Shown{})
	}
	return out, nil
}

func (absent) Count(context.Context, *visit.Earlier, int) (bool, error)        { return true, nil }
func (absent) Point(context.Context, visit.Point) (by, when string, err error) { return "", "", nil }
func (absent) Sign(context.Context, visit.Summary) (string, error)             { return "", nil }

// heard takes in an event of the run: what the unit shows, and how far its
// visit is.
func (r *run) heard(e transcript.Event) {
	r.line.view.heard(e)
	if e.Kind == transcript.Phase && e.Name == string(visit.Serving) && e.State == transcript.Over && good(e.Code) {
		r.servesNow()
	}
}

// servesNow lets those have their turn that wait until the unit serves. It is
// called while the record is being written, and waits for no disk.
func (r *run) servesNow() {
	d := r.line.d
	r.far.Go(func() {
		err := d.notes.change(func(s *saved) {
			n := s.Runs[r.unit.Name]
			n.Serves = true
			s.Runs[r.unit.Name] = n
		})
		if err != nil {
			d.cfg.Log.Error().Err(err).Str("unit", r.unit.Name).Msg("that a unit serves could not be noted")
			return
		}
		d.mu.Lock()
		defer d.mu.Unlock()
		for _, l := range d.lines {
			l.stir()
		}
	})
}

// Prove has a unit that was played proved once more, and what was left open
// closed.
func (d *Daemon) Prove(ctx context.Context, by Person, unit string) error {
	u, sheet, err := d.unit(unit)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoUnit, err)
	}
	if _, over := d.over(u.Name); !over {
		return fmt.Errorf("%w: %s has not been played to an end", ErrState, u.Name)
	}
	if p, _, err := sheet.Proof(u); err != nil || p == nil {
		return errors.Join(fmt.Errorf("%w: no dialogue proves a %s", ErrState, u.Kind), err)
	}
	if err := d.did(by, "prove", u.Name, ""); err != nil {
		return err
	}
	o, err := d.orders.Prove(ctx, by.Name, d.orderFor(u))
	if err != nil {
		return fmt.Errorf("prove %s: %w", u.Name, err)
	}
	d.heardOf(o)
	d.stirAll()
	return nil
}
