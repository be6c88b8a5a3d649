package page

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/script/plan/disk"
	"linehand/script/plan/lift"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/plan/schedule"
	"linehand/script/plan/sums"
)

// view is a check laid out for the page's template.
type view struct {
	Title, File, Digest string
	Sound               bool
	Verdict             string
	Errors              int
	Warnings            int
	Notes               int
	Findings            []station.Finding
	HasPlan             bool
	Site                []fact
	Units               []plan.Listed
	Secrets             []string
	Networks            []network
	MoreNetworks        int
	Racks               []cabinet
	MoreRacks           int
	RackCaution         string
	Feeds               []power.FeedLoad
	Power               template.HTML
	Strips              []sums.Strip
	Air                 *sums.Air
	PowerCaution        string
	Disks               []layouts
	MoreDisks           int
	Lifts               []move
	LiftSources         []string
	LiftLimits          []string
	LiftCaution         string
	Works               []work
	Cautions            []caution
	Schedule            template.HTML
	Steps               []step
	Time, TimeNote      string
	Open                []string // what is assumed or not summed
}

type fact struct{ Name, Value string }

func newView(r station.Report) view {
	v := view{Title: r.Site, File: r.Profile, Sound: r.Sound, Findings: r.Findings}
	if v.Title == "" {
		v.Title = "A check without a plan"
	}
	for _, f := range r.Findings {
		switch f.Severity {
		case station.Error:
			v.Errors++
		case station.Warning:
			v.Warnings++
		default:
			v.Notes++
		}
	}
	v.Verdict = verdict(v)
	if r.Plan == nil {
		return v
	}
	v.HasPlan, v.Digest = true, Digest(r.Plan)
	v.Site, v.Secrets, v.Units = siteFacts(r.Plan), r.Plan.Secrets, r.Plan.List()
	v.networks(r.Plan)
	v.byHand(r.ByHand)
	if r.Sums != nil {
		v.sums(r.Plan, *r.Sums)
	}
	return v
}

func (v *view) sums(p *plan.Plan, s sums.Sums) {
	v.Open = s.Open
	v.racks(p, s.Racks)
	v.power(s)
	v.disks(s.Disks)
	v.lifts(s.Lifting)
	if s.Visit != nil {
		v.visit(s.Visit)
	}
}

func verdict(v view) string {
	if v.Sound {
		return "Sound: a run may begin"
	}
	return "Not sound: no run would begin"
}

func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func siteFacts(p *plan.Plan) []fact {
	var out []fact
	for _, f := range []fact{
		{"Name", p.Site.Name}, {"Domain", p.Site.Domain}, {"Time zone", p.Site.TimeZone},
		{"Name servers", strings.Join(p.Site.DNS, ", ")}, {"Time servers", strings.Join(p.Site.NTP, ", ")}, {"Log server", p.Site.Log},
	} {
		if f.Value != "" {
			out = append(out, f)
		}
	}
	return out
}

// cabinet is a rack with its drawing.
type cabinet struct {
	sums.Rack
	Drawing     template.HTML
	Load, Empty string
}

func (v *view) racks(p *plan.Plan, all []sums.Rack) {
	in := make(map[string][]*plan.Unit, len(all))
	for _, u := range p.Units {
		in[u.Place.Rack.Value] = append(in[u.Place.Rack.Value], u)
	}
	for i, r := range all {
		if i == mostRacks {
			v.MoreRacks = len(all) - mostRacks
			break
		}
		drawing := draw.Rack(fmt.Sprintf("rack-%d", i+1), elevation(r, in[r.Rack.Name]))
		v.RackCaution = r.Caution
		v.Racks = append(v.Racks, cabinet{Rack: r, Drawing: drawing.SVG(), Load: loadOf(r), Empty: fmt.Sprintf("%d of %d U", len(r.Empty), r.Rack.Height)})
	}
}

// elevation is what stands in a rack, and what hangs at its side.
func elevation(r sums.Rack, units []*plan.Unit) draw.Elevation {
	e := draw.Elevation{Rack: r.Rack}
	for _, u := range units {
		f := u.Facts
		if f.HeightU.Value == 0 && u.Place.At.Value == 0 {
			e.Beside = append(e.Beside, u.Name)
			continue
		}
		item := rack.Item{Name: u.Name, Lowest: u.Place.At.Value, Height: f.HeightU.Value, Side: rack.Side(u.Place.Side.Value)}
		if f.WeightKg.Value > 0 {
			item.Weight = f.WeightKg.Value + float64(f.Drives.Count.Value)*f.Drives.WeightKg.Value
		}
		e.Items = append(e.Items, item)
	}
	return e
}

func loadOf(r sums.Rack) string {
	s := fmt.Sprintf("%.1f kg", r.Weight)
	if rating := r.Rack.Rating; rating > 0 {
		s += fmt.Sprintf(" of %g kg rated (%.0f %%)", rating, 100*r.Weight/rating)
	}
	if len(r.Unweighed) > 0 {
		s += ", without " + strings.Join(r.Unweighed, ", ") + " whose weight is not stated"
	}
	return s
}

func (v *view) power(s sums.Sums) {
	v.Strips, v.Air = s.Strips, s.Air
	if s.Power == nil || len(s.Power.Feeds) == 0 {
		return
	}
	v.Feeds, v.PowerCaution = s.Power.Feeds, s.Power.Caution
	v.Power = draw.Power("feeds", v.Feeds[:min(len(v.Feeds), mostFeeds)]).SVG()
}

// layouts are the layouts over one set of drives, with their drawing.
type layouts struct {
	sums.Disks
	Title   string
	Rows    []layoutRow
	Times   bool // any rebuild time is known
	Risks   bool // any chance of an unreadable sector is
	Losses  bool // any mean time to data loss is
	Drawing template.HTML
}

type layoutRow struct {
	disk.Option
	Planned bool
	Columns int // besides the layout's name
	Rebuild string
	Risk    string
	MTTDL   string
}

func (v *view) disks(all []sums.Disks) {
	for i, d := range all {
		if i == mostDisks {
			v.MoreDisks = len(all) - mostDisks
			break
		}
		l := layouts{Disks: d, Title: disksTitle(d), Drawing: draw.Disks(fmt.Sprintf("disks-%d", i+1), d.Options, d.Chosen.Layout).SVG()}
		for _, o := range d.Options {
			l.Rows = append(l.Rows, rowOf(o, draw.Same(o.Layout, d.Chosen.Layout)))
			l.Times = l.Times || o.Figures.Rebuild > 0
			l.Risks = l.Risks || len(o.Rebuilds) > 0 && o.Rebuilds[0].Unreadable >= 0
			l.Losses = l.Losses || o.Figures.MTTDL > 0
		}
		for _, more := range []bool{l.Times, l.Risks, l.Losses} {
			for j := range l.Rows {
				if more {
					l.Rows[j].Columns++
				}
			}
		}
		v.Disks = append(v.Disks, l)
	}
}

func disksTitle(d sums.Disks) string {
	s := fmt.Sprintf("%d drives of %s", d.Drives, d.Size)
	if d.Chosen.Spares > 0 {
		s += fmt.Sprintf(", %d of them spare", d.Chosen.Spares)
	}
	if d.Unused > 0 {
		s += fmt.Sprintf(", %d in no layout", d.Unused)
	}
	return s
}

func rowOf(o disk.Option, planned bool) layoutRow {
	row := layoutRow{Option: o, Planned: planned, Columns: 5, Rebuild: hours(o.Figures.Rebuild), Risk: notStated, MTTDL: years(o.Figures.MTTDL)}
	if len(o.Rebuilds) == 0 {
		row.Rebuild, row.Risk = "–", "–" // there is nothing to rebuild from
		return row
	}
	if last := o.Rebuilds[len(o.Rebuilds)-1]; last.Unreadable >= 0 {
		row.Risk = "≤ " + draw.Percent(last.Unreadable)
	}
	return row
}

const notStated = "not stated"

func hours(d time.Duration) string {
	if d == 0 {
		return notStated
	}
	return draw.Clock(d) + " h"
}

// years leaves out the digits of what only says that something else comes
// first.
func years(h disk.Hours) string {
	switch {
	case h == 0:
		return notStated
	case h > 1e9*disk.HoursPerYear:
		return "over 1e9 years"
	}
	return h.String()
}

// move is a lifting advice in short.
type move struct {
	sums.Lift
	Weight, Out, Heights, Indexes, Manner string
}

func (v *view) lifts(all []sums.Lift) {
	for _, l := range all {
		v.LiftSources, v.LiftCaution, v.LiftLimits = l.Sources, l.Caution, l.Limits
		v.Lifts = append(v.Lifts, move{Lift: l, Weight: fmt.Sprintf("%.1f kg", l.DrivesIn.Weight), Out: outOf(l.Advice),
			Heights: fmt.Sprintf("%.0f cm to %.0f cm", l.From/10, l.To/10), Indexes: indexes(l.Advice), Manner: Manner(l.Advice)})
	}
}

func outOf(a lift.Advice) string {
	if a.DrivesOut.Weight == a.DrivesIn.Weight {
		return "–"
	}
	return fmt.Sprintf("%.1f kg", a.DrivesOut.Weight)
}

// indexes are for the weight as it is to be lifted.
func indexes(a lift.Advice) string {
	c := a.DrivesIn
	if a.DrivesFirst {
		c = a.DrivesOut
	}
	parts := make([]string, len(c.Teams))
	for i, t := range c.Teams {
		parts[i] = t.LI.String()
	}
	return strings.Join(parts, " / ")
}

// Manner says in a few words how a unit is lifted.
func Manner(a lift.Advice) string {
	s := fmt.Sprintf("%d people, one gives the word", a.People)
	switch {
	case a.Device:
		s = fmt.Sprintf("lifting device, and %d people to guide", a.People)
	case a.People == 1:
		s = "1 person, a second at hand"
	}
	if a.DrivesFirst {
		s = "drives out first, then " + s
	}
	return s
}

// step is a line of the schedule's table.
type step struct {
	At, Until, Who, What, Unit string
}

func (v *view) visit(s *sums.Visit) {
	if len(s.Assignments) <= mostBars {
		v.Schedule = draw.Schedule("schedule", schedule.Batch{Lines: s.Lines, Technicians: s.Technicians}, s.Schedule).SVG()
	}
	for _, t := range s.Steps {
		what := "unpack, rack and cable"
		if t.Line > 0 {
			what = fmt.Sprintf("move the cable of line %d to it", t.Line)
		}
		v.Steps = append(v.Steps, step{draw.Clock(t.Start), draw.Clock(t.End), fmt.Sprintf("technician %d", t.Technician), what, t.Unit})
	}
	v.Time, v.TimeNote = timeOf(s), s.Note
}

func timeOf(s *sums.Visit) string {
	text := fmt.Sprintf("%s take %s (hours:minutes) with %s and %s; no schedule is shorter than %s. ",
		counted(s.Units, "unit", "units"), draw.Clock(s.Makespan),
		counted(s.Technicians, "technician", "technicians"), counted(s.Lines, "line", "lines"), draw.Clock(s.Bounds.Lowest()))
	if s.Shortest {
		return text + "This one is the shortest there is."
	}
	if low := s.Bounds.Lowest(); low > 0 {
		text += fmt.Sprintf("This one is %.2f times that. ", float64(s.Makespan)/float64(low))
	}
	return text + fmt.Sprintf("It is proven to be at most %.2f times the shortest possible (%s).", s.Guarantee, s.Proof)
}
