// Package sums makes all sums of a plan: racks, power, heat and air, lifting,
// disks, the visit's schedule, and the rules that hold between secrets. It
// gives each of them what it needs out of the profile, and brings what they
// find back to the place in the profile that is at fault.
//
// The sums themselves, with their sources, are in the packages beside this
// one. This one opens no file, asks no network and reads no clock: the same
// profile gives the same sums. What a profile does not state is not summed,
// and Open says so.
package sums

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/lift"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/plan/schedule"
	"linehand/script/site"
)

// Options are what the sums take from elsewhere than the profile. The zero
// Options are usable: there is then no schedule.
type Options struct {
	// Rise is how much warmer the air may leave than it came, in °C; 0: 11
	// (20 °F, common practice).
	Rise float64
	// Altitude of the site in m above sea level.
	Altitude float64
	// From is the height that units are lifted from, in mm above the floor.
	From float64
	// MoveCable is how long it takes to move a console cable; 0: a minute.
	MoveCable time.Duration
	// Dialogue gives the dialogue of a path of the plan, nil where there is
	// none. Without it there is no schedule.
	Dialogue func(path string) *script.Dialogue
}

// What holds where Options do not say.
const (
	UsualRise      = 11.0 // °C
	UsualMoveCable = time.Minute
)

// Sums are all sums of a plan, in the order of the profile.
type Sums struct {
	Racks    []Rack        `json:"racks,omitempty"`
	Power    *power.Report `json:"power,omitempty"` // nil: no feed or no cord is planned
	Strips   []Strip       `json:"strips,omitempty"`
	Air      *Air          `json:"air,omitempty"` // of all units whose watts are stated
	Lifting  []Lift        `json:"lifting,omitempty"`
	Disks    []Disks       `json:"disks,omitempty"`
	Visit    *Visit        `json:"visit,omitempty"` // nil: no lines or technicians are planned, or no dialogues were given
	Open     []string      `json:"open,omitempty"`  // what is not summed, and what to state to have it
	Cautions []string      `json:"cautions,omitempty"`
}

// Rack is a checked rack with what its units draw.
type Rack struct {
	rack.Report
	Title string  `json:"title,omitempty"`
	Watts float64 `json:"watts"`
	Air   *Air    `json:"air,omitempty"`
}

// Air is the heat of a load and the air that carries it away.
type Air struct {
	power.Heat `json:"heat"`
	power.Air  `json:"flow"`
	Rise       float64 `json:"rise_celsius"`
}

// Strip is an outlet strip with the current through its own plug, with all
// feeds live or one failed, whichever is more.
type Strip struct {
	Name    string  `json:"name"`
	Feed    string  `json:"feed"`
	Outlets int     `json:"outlets"`
	Taken   int     `json:"taken"`
	Inlet   string  `json:"inlet,omitempty"`
	Amps    float64 `json:"amps"`
	Rated   float64 `json:"rated,omitempty"` // A; 0: not known
}

// Lift is the advice for units that are alike and go to the same height.
type Lift struct {
	lift.Advice
	Units []string `json:"units"`
	From  float64  `json:"from_mm"`
	To    float64  `json:"to_mm"`
}

// Visit is the schedule of a visit.
type Visit struct {
	schedule.Schedule
	Units       int           `json:"units"`
	Technicians int           `json:"technicians"`
	Lines       int           `json:"lines"`
	MoveCable   time.Duration `json:"move_cable_ns"`
	Talks       []Talk        `json:"talks"` // in the order of the units
	Note        string        `json:"note"`
}

// Talk estimates a unit's dialogue.
type Talk struct {
	Unit       string        `json:"unit"`       // its name, with Later behind it for what follows the first boot
	Characters int           `json:"characters"` // heard and typed
	Exchanges  int           `json:"exchanges"`
	Time       time.Duration `json:"time_ns"`
}

// Work makes the sums of a plan that was made of a site. Problems are in the
// order of the profile, with the place of what is at fault.
func Work(s *site.Site, p *plan.Plan, o Options) (Sums, plan.Problems) {
	if o.Rise == 0 {
		o.Rise = UsualRise
	}
	if o.MoveCable == 0 {
		o.MoveCable = UsualMoveCable
	}
	w := &work{site: s, plan: p, options: o, unit: make(map[string]*plan.Unit, len(p.Units))}
	for _, u := range p.Units {
		w.unit[u.Name] = u
	}
	w.racks()
	w.power()
	w.lifting()
	w.disks()
	w.visit()
	w.secrets()
	w.cautions()
	return w.sums, w.inOrder()
}

type work struct {
	site     *site.Site
	plan     *plan.Plan
	options  Options
	unit     map[string]*plan.Unit
	sums     Sums
	problems plan.Problems
	open     map[string]bool
	lone     map[string][]string // units without a cluster that are spoken to, by network
	strips   map[string][]string // outlet strips that a unit's cords go to
}

func (w *work) report(severity plan.Severity, pos script.Pos, what, why, mend string) {
	w.problems = append(w.problems, plan.Problem{Severity: severity, Pos: pos, What: what, Why: why, Mend: mend})
}

// leaveOpen says once what is not summed.
func (w *work) leaveOpen(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if w.open[text] {
		return
	}
	if w.open == nil {
		w.open = make(map[string]bool)
	}
	w.open[text] = true
	w.sums.Open = append(w.sums.Open, text)
}

func (w *work) cautions() {
	if len(w.sums.Racks) > 0 {
		w.sums.Cautions = append(w.sums.Cautions, rack.Caution)
	}
	if w.sums.Power != nil {
		w.sums.Cautions = append(w.sums.Cautions, power.Caution)
	}
	if len(w.sums.Lifting) > 0 {
		w.sums.Cautions = append(w.sums.Cautions, lift.Caution)
	}
}

// inOrder sorts by layer and place, as the plan's own problems are.
func (w *work) inOrder() plan.Problems {
	layer := make(map[string]int, len(w.site.Files))
	for i, f := range w.site.Files {
		layer[f] = i
	}
	slices.SortStableFunc(w.problems, func(a, b plan.Problem) int {
		return cmp.Or(cmp.Compare(layer[a.Pos.File], layer[b.Pos.File]), cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column))
	})
	return w.problems
}

// placeOf is where the profile says where a unit stands.
func placeOf(u *plan.Unit) script.Pos {
	return first(u.Place.At.Pos, u.Place.Rack.Pos, u.Place.Pos, u.Sources["unit.name"])
}

// first is the first place that is known.
func first(places ...script.Pos) script.Pos {
	for _, p := range places {
		if p.Line != 0 {
			return p
		}
	}
	return script.Pos{}
}

// weightOf is a unit's weight with its drives and that of each drive, in kg;
// 0: not stated.
func weightOf(u *plan.Unit) (whole float64, drives int, each float64) {
	f := u.Facts
	if f.WeightKg.Value == 0 {
		return 0, 0, 0
	}
	drives, each = f.Drives.Count.Value, f.Drives.WeightKg.Value
	return f.WeightKg.Value + float64(drives)*each, drives, each
}
