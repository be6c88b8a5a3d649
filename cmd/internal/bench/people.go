package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// did writes down who does what, before it is done.
func (d *Daemon) did(by Person, what, id, text string) error {
	if by.Name == "" {
		return errors.New("who asks for this is not said")
	}
	return d.notes.did(act{At: time.Now(), By: by.Name, Role: by.Role, Act: what, ID: id, Text: d.cfg.Mask.Text(text)})
}

// Label says what people call a line.
func (d *Daemon) Label(_ context.Context, by Person, id, label string) error {
	l := d.find(id)
	if l == nil {
		return ErrNoLine
	}
	label = strings.TrimSpace(strings.Map(printable, label))
	if err := d.did(by, "label", id, label); err != nil {
		return err
	}
	if err := d.noteLine(id, func(n *lineNote) { n.Label = label }); err != nil {
		return err
	}
	l.set(func(s *Line) { s.Label = label })
	return nil
}

func printable(r rune) rune {
	if r < ' ' || r == 0x7f {
		return -1
	}
	return r
}

func (d *Daemon) noteLine(id string, f func(*lineNote)) error {
	return d.notes.change(func(s *saved) {
		n := s.Lines[id]
		f(&n)
		s.Lines[id] = n
	})
}

// Rest keeps a line out of use, or puts it back.
func (d *Daemon) Rest(_ context.Context, by Person, id string, rest bool) error {
	l := d.find(id)
	if l == nil {
		return ErrNoLine
	}
	d.mu.Lock()
	busy := l.run != nil
	d.mu.Unlock()
	if busy && rest {
		return fmt.Errorf("%w: a run goes on; stop it first", ErrState)
	}
	if err := d.did(by, "rest", id, fmt.Sprint(rest)); err != nil {
		return err
	}
	if err := d.noteLine(id, func(n *lineNote) { n.Rest = rest }); err != nil {
		return err
	}
	d.mu.Lock()
	l.rest = rest
	d.mu.Unlock()
	l.stir()
	return nil
}

// Knock asks who is on a line: the bench presses keys that accept nothing.
func (d *Daemon) Knock(_ context.Context, by Person, id string) error {
	l := d.find(id)
	if l == nil {
		return ErrNoLine
	}
	switch l.copyOf().State {
	case Listening, Unmatched, Matched, Finished:
	default:
		return ErrState
	}
	if err := d.did(by, "knock", id, ""); err != nil {
		return err
	}
	select {
	case l.knocked <- struct{}{}:
	default:
	}
	return nil
}

// Match says which unit of the plan is on a line whose unit the plan does not
// know by what it says.
func (d *Daemon) Match(_ context.Context, by Person, id, unit string) error {
	l := d.find(id)
	if l == nil {
		return ErrNoLine
	}
	u, _, err := d.unit(unit)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoUnit, err)
	}
	now := l.copyOf()
	switch {
	case now.State != Unmatched && now.State != Listening && now.State != Finished:
		return ErrState
	case u.Dialogue == "":
		return fmt.Errorf("%w: %s has no console", ErrNoUnit, u.Name)
	case now.Serial != "" && u.Serial != "" && now.Serial != u.Serial:
		return fmt.Errorf("%w: %s is planned as %s, and this unit says %s; take the cable to the planned unit, or correct the profile", ErrSerial, u.Name, u.Serial, now.Serial)
	}
	if err := d.did(by, "match", id, u.Name); err != nil {
		return err
	}
	if now.Serial != "" {
		if err := d.notes.change(func(s *saved) { s.Matches[now.Serial] = u.Name }); err != nil {
			return err
		}
	}
	l.place(u)
	l.stir()
	return nil
}

// Allow lets units be played as soon as they are on a line; none: all that
// the plan has.
func (d *Daemon) Allow(ctx context.Context, by Person, units ...string) error {
	if d.cfg.Allow == PerUnit && len(units) != 1 {
		return fmt.Errorf("%w: it lets one unit be allowed at a time", ErrAllowance)
	}
	var list []Order
	for _, name := range units {
		u, _, err := d.unit(name)
		if err != nil || u.Dialogue == "" {
			return fmt.Errorf("%w: %s", ErrNoUnit, name)
		}
		list = append(list, d.orderFor(u))
	}
	if len(units) == 0 {
		for _, u := range d.Sheet().Plan.Units {
			if _, over := d.over(u.Name); !over && u.Dialogue != "" {
				list = append(list, d.orderFor(u))
			}
		}
	}
	if err := d.did(by, "allow", "", strings.Join(units, " ")); err != nil {
		return err
	}
	for _, o := range list {
		if _, over := d.over(o.Unit); over {
			continue // it has been played: Again plays it once more
		}
		o, err := d.orders.Allow(ctx, by.Name, o)
		if err != nil {
			return fmt.Errorf("allow %s: %w", o.Unit, err)
		}
		d.heardOf(o)
	}
	d.stirAll()
	return nil
}

func (d *Daemon) stirAll() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.lines {
		l.retry = time.Time{}
		l.stir()
	}
	d.tell(Change{What: "orders"})
}

// Again has a unit that has been played wait for its turn once more.
func (d *Daemon) Again(ctx context.Context, by Person, unit string) error {
	u, _, err := d.unit(unit)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoUnit, err)
	}
	if _, over := d.over(u.Name); !over {
		return fmt.Errorf("%w: %s has not been played to an end", ErrState, u.Name)
	}
	if err := d.did(by, "again", u.Name, ""); err != nil {
		return err
	}
	o, err := d.orders.Again(ctx, by.Name, d.orderFor(u))
	if err != nil {
		return fmt.Errorf("play %s again: %w", u.Name, err)
	}
	d.heardOf(o)
	d.stirAll()
	return nil
}

// Release releases a hold.
func (d *Daemon) Release(_ context.Context, by Person, hold string, r Release) error {
	d.mu.Lock()
	x, released := d.holds[hold], d.released[hold]
	d.mu.Unlock()
	switch {
	case released:
		return ErrReleased
	case x == nil:
		return ErrNoHold
	}
	text := r.Choice
	if r.Stage != "" {
		text += " " + r.Stage
	}
	if err := d.did(by, "release", hold, text); err != nil {
		return err
	}
	return x.release(by, r)
}

// Stop ends the run on a line as stopped.
func (d *Daemon) Stop(_ context.Context, by Person, id string) error {
	l := d.find(id)
	if l == nil {
		return ErrNoLine
	}
	d.mu.Lock()
	r := l.run
	d.mu.Unlock()
	if r == nil {
		return ErrState
	}
	if err := d.did(by, "stop", id, r.unit.Name); err != nil {
		return err
	}
	return r.stop(by)
}
