package bench

import (
	"context"
	"errors"
	"slices"
	"strings"

	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/script/secret"
)

// planned is the plan as the bench plays it. It is replaced as a whole.
type planned struct {
	sheet   *station.Sheet
	kinds   kinds
	secrets func() *secret.Store
	kept    map[string]*station.Sheet // units under way keep the plan that they began with
}

// Edit is what a profile that was read again has changed.
type Edit struct {
	Changed []string `json:"changed,omitempty"` // units that are planned otherwise now
	Added   []string `json:"added,omitempty"`
	Gone    []string `json:"gone,omitempty"`
	Kept    []string `json:"kept,omitempty"` // those of Changed and Gone that are under way: what they are planned as stays until their run is over
}

// ErrSite says that the profile is of another site now.
var ErrSite = errors.New("the profile is of another site now; a bench works for one site: stop it, and begin with the new profile and another data folder")

// ErrNoReread says that the bench has no profile that it could read again.
var ErrNoReread = errors.New("this bench reads its profile only when it begins")

// Sheet is the plan as it is.
func (d *Daemon) Sheet() *station.Sheet { return d.planned.Load().sheet }

// Reread reads the profile again. A fault in it changes nothing and is
// returned: the bench goes on with the plan that it has. Units whose run or
// order is under way keep theirs until that is over.
func (d *Daemon) Reread(_ context.Context, by Person) (Edit, error) {
	if d.cfg.Reread == nil {
		return Edit{}, ErrNoReread
	}
	if err := d.did(by, "read the profile again", "", ""); err != nil {
		return Edit{}, err
	}
	d.rereading.Lock()
	defer d.rereading.Unlock()
	e, err := d.reread()
	if err != nil {
		d.cfg.Log.Error().Str("error", d.cfg.Mask.Text(err.Error())).Msg("the profile has a fault; the bench goes on with the plan that it has")
		return Edit{}, err
	}
	d.cfg.Log.Info().Strs("changed", e.Changed).Strs("added", e.Added).Strs("gone", e.Gone).Strs("kept", e.Kept).Msg("the profile was read again")
	return e, nil
}

func (d *Daemon) reread() (Edit, error) {
	sheet, secrets, err := d.cfg.Reread()
	if err != nil {
		return Edit{}, err
	}
	if err := sheet.Ready(); err != nil {
		return Edit{}, err
	}
	before := d.planned.Load()
	if before.sheet.Plan.Site.Name != sheet.Plan.Site.Name {
		return Edit{}, ErrSite
	}
	list, err := kindsOf(sheet, d.cfg.Tune)
	if err != nil {
		return Edit{}, err
	}
	now := &planned{sheet: sheet, kinds: list, secrets: secrets, kept: map[string]*station.Sheet{}}
	d.mu.Lock()
	e := edit(before.sheet.Plan, sheet.Plan)
	for _, unit := range slices.Concat(e.Changed, e.Gone) {
		if d.underWay(unit) {
			now.kept[unit] = before.of(unit)
			e.Kept = append(e.Kept, unit)
		}
	}
	for unit, old := range before.kept {
		if now.kept[unit] == nil && d.underWay(unit) {
			now.kept[unit] = old
			e.Kept = append(e.Kept, unit)
		}
	}
	slices.Sort(e.Kept)
	d.planned.Store(now)
	d.mu.Unlock()
	fresh := secrets()
	d.mu.Lock()
	d.secrets = fresh
	d.tell(Change{What: "plan"})
	d.mu.Unlock()
	d.learnSecrets()
	d.placeAnew()
	return e, nil
}

// of is the sheet that a unit is played by.
func (p *planned) of(unit string) *station.Sheet {
	for name, kept := range p.kept {
		if strings.EqualFold(name, unit) {
			return kept
		}
	}
	return p.sheet
}

// edit compares two plans of a site.
func edit(before, now *plan.Plan) (e Edit) {
	for _, u := range now.Units {
		switch old, err := before.Unit(u.Name); {
		case err != nil:
			e.Added = append(e.Added, u.Name)
		case old.SHA256 != u.SHA256:
			e.Changed = append(e.Changed, u.Name)
		}
	}
	for _, u := range before.Units {
		if _, err := now.Unit(u.Name); err != nil {
			e.Gone = append(e.Gone, u.Name)
		}
	}
	return e
}

// underWay tells whether a unit's run or order has begun and is not over;
// called with the lock held.
func (d *Daemon) underWay(unit string) bool {
	var last runNote
	d.notes.read(func(s *saved) { last = s.Runs[unit] })
	return d.playing[unit] != nil || d.work[unit].State == OrderPlaying || last.Order != "" && last.Ending == nil
}

// unit finds a unit as it is played, with the sheet that it is of.
func (d *Daemon) unit(name string) (*plan.Unit, *station.Sheet, error) {
	sheet := d.planned.Load().of(name)
	u, err := sheet.Plan.Unit(name)
	return u, sheet, err
}

// letPlan has a unit whose run is over planned as the profile has it now.
func (d *Daemon) letPlan(unit string) {
	d.rereading.Lock()
	defer d.rereading.Unlock()
	before := d.planned.Load()
	d.mu.Lock()
	defer d.mu.Unlock()
	if before.kept[unit] == nil || d.underWay(unit) {
		return
	}
	now := *before
	now.kept = map[string]*station.Sheet{}
	for name, kept := range before.kept {
		if name != unit {
			now.kept[name] = kept
		}
	}
	d.planned.Store(&now)
}

// bySerial is the unit that is planned with a serial number.
func (p *planned) bySerial(serial string) *plan.Unit {
	for name, kept := range p.kept {
		if u := bySerial(kept.Plan, serial); u != nil && u.Name == name {
			return u
		}
	}
	return bySerial(p.sheet.Plan, serial)
}

// placeAnew has each line on which nothing runs look again which unit of the
// plan is on it.
func (d *Daemon) placeAnew() {
	type on struct {
		line   *line
		serial string
		by     []string
	}
	var list []on
	d.mu.Lock()
	for _, l := range d.lines {
		if l.run == nil && l.resume == "" && l.shown.Serial != "" && len(l.spoke) > 0 {
			list = append(list, on{l, l.shown.Serial, l.spoke})
		}
	}
	d.mu.Unlock()
	for _, o := range list {
		o.line.identify(o.serial, o.by)
	}
	d.stirAll()
}
