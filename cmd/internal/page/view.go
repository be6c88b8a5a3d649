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
	Heat                power.Heat
	PowerCaution        string
	Disks               []layouts
	MoreDisks           int
	Lifts               []move
	LiftSources         []string
	LiftCaution         string
	Schedule            template.HTML
	Steps               []step
	Time                string
}

type fact struct{ Name, Value string }

func newView(c Check) view {
	r := c.Report
	v := view{Title: r.Site, File: r.Profile, Digest: c.SHA256, Sound: r.Sound, Findings: r.Findings}
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
	if c.Plan == nil {
		return v
	}
	v.HasPlan = true
	v.Site, v.Secrets, v.Units = siteFacts(c.Plan), c.Plan.Secrets, c.Plan.List()
	v.networks(c.Plan)
	v.racks(c.Sums)
	v.power(c.Sums.Power)
	v.disks(c.Sums.Disks)
	v.lifts(c.Sums.Lifts)
	v.schedule(c.Sums)
	return v
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
	rack.Report
	Drawing template.HTML
	Load    string
	Empty   string
}

func (v *view) racks(s Sums) {
	for i, e := range s.Racks {
		if i == mostRacks {
			v.MoreRacks = len(s.Racks) - mostRacks
			break
		}
		c := cabinet{Drawing: draw.Rack(fmt.Sprintf("rack-%d", i+1), e).SVG()}
		if i < len(s.Weights) {
			c.Report = s.Weights[i]
			v.RackCaution = c.Caution
		}
		c.Report.Rack = e.Rack
		c.Load, c.Empty = weightOf(c.Report), fmt.Sprintf("%d of %d U", len(c.Report.Empty), e.Rack.Height)
		v.Racks = append(v.Racks, c)
	}
}

func weightOf(r rack.Report) string {
	s := fmt.Sprintf("%.1f kg", r.Weight)
	if r.Rack.Rating > 0 {
		s += fmt.Sprintf(" of %g kg rated (%.0f %%)", r.Rack.Rating, 100*r.Weight/r.Rack.Rating)
	}
	if len(r.Unweighed) > 0 {
		s += ", without " + strings.Join(r.Unweighed, ", ") + " whose weight is not stated"
	}
	return s
}

func (v *view) power(r power.Report) {
	v.Feeds, v.Heat, v.PowerCaution = r.Feeds, r.Heat, r.Caution
	if len(r.Feeds) > 0 {
		v.Power = draw.Power("feeds", r.Feeds[:min(len(r.Feeds), mostFeeds)]).SVG()
	}
}

// layouts are the layouts over one set of drives, with their drawing.
type layouts struct {
	Disks
	Rows    []layoutRow
	Drawing template.HTML
}

type layoutRow struct {
	disk.Option
	Planned bool
	Verify  string
	Rebuild string
	Risk    string
	MTTDL   string
}

func (v *view) disks(all []Disks) {
	for i, d := range all {
		if i == mostDisks {
			v.MoreDisks = len(all) - mostDisks
			break
		}
		l := layouts{Disks: d, Drawing: draw.Disks(fmt.Sprintf("disks-%d", i+1), d.Options, d.Chosen).SVG()}
		for _, o := range d.Options {
			l.Rows = append(l.Rows, rowOf(o, draw.Same(o.Layout, d.Chosen)))
		}
		v.Disks = append(v.Disks, l)
	}
}

func rowOf(o disk.Option, planned bool) layoutRow {
	row := layoutRow{Option: o, Planned: planned, Rebuild: hours(o.Figures.Rebuild), Verify: hours(o.Figures.Verify), Risk: "not stated", MTTDL: "not stated"}
	if n := len(o.Rebuilds); n > 0 {
		if last := o.Rebuilds[n-1]; last.Unreadable >= 0 {
			row.Risk = "≤ " + draw.Percent(last.Unreadable)
		}
	}
	if o.Figures.MTTDL > 0 {
		row.MTTDL = o.Figures.MTTDL.String()
	}
	return row
}

func hours(d time.Duration) string {
	if d == 0 {
		return "not stated"
	}
	return draw.Clock(d) + " h"
}

// move is a lifting advice in short; Text has it in full.
type move struct {
	lift.Advice
	Weight, Out string
	Indexes     string
	Plan        string
}

func (v *view) lifts(all []lift.Advice) {
	for _, a := range all {
		v.LiftSources, v.LiftCaution = a.Sources, a.Caution
		v.Lifts = append(v.Lifts, move{Advice: a, Weight: fmt.Sprintf("%.1f kg", a.DrivesIn.Weight), Out: outOf(a), Indexes: indexes(a), Plan: Manner(a)})
	}
}

func outOf(a lift.Advice) string {
	if a.DrivesOut.Weight == a.DrivesIn.Weight {
		return "no drives"
	}
	return fmt.Sprintf("%.1f kg", a.DrivesOut.Weight)
}

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
	s := counted(a.People, "person, a second at hand", "people")
	if a.Device {
		s = fmt.Sprintf("lifting device, %d people to guide", a.People)
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

func (v *view) schedule(s Sums) {
	if len(s.Schedule.Assignments) == 0 {
		return
	}
	if len(s.Schedule.Assignments) <= mostBars {
		v.Schedule = draw.Schedule("schedule", s.Batch, s.Schedule).SVG()
	}
	for _, t := range s.Schedule.Steps {
		what := "unpack, rack and cable"
		if t.Line > 0 {
			what = fmt.Sprintf("move the cable of line %d to it", t.Line)
		}
		v.Steps = append(v.Steps, step{draw.Clock(t.Start), draw.Clock(t.End), fmt.Sprintf("technician %d", t.Technician), what, t.Unit})
	}
	v.Time = timeOf(s)
}

func timeOf(s Sums) string {
	bound := s.Schedule.Bounds.Lowest()
	text := fmt.Sprintf("%s take %s (hours:minutes) with %s and %s; no schedule is shorter than %s. ",
		counted(len(s.Schedule.Assignments), "unit", "units"), draw.Clock(s.Schedule.Makespan),
		counted(s.Batch.Technicians, "technician", "technicians"), counted(s.Batch.Lines, "line", "lines"), draw.Clock(bound))
	if s.Schedule.Shortest {
		return text + "This one is the shortest there is."
	}
	return text + fmt.Sprintf("It is at most %.2f times the shortest possible (%s).", s.Schedule.Guarantee, s.Schedule.Proof)
}
