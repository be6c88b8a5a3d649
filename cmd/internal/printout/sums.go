package printout

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/script/plan/disk"
	"linehand/script/plan/lift"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/plan/schedule"
	"linehand/script/plan/sums"
)

func (p Printout) racks(racks []sums.Rack) {
	if len(racks) == 0 {
		return
	}
	p.heading("Racks")
	for _, r := range racks {
		line := fmt.Sprintf("%d U, %d of them empty; %.1f kg", r.Report.Rack.Height, len(r.Empty), r.Weight)
		if r.Report.Rack.Rating > 0 {
			line += fmt.Sprintf(" of %g kg", r.Report.Rack.Rating)
		}
		if r.Centre > 0 {
			line += fmt.Sprintf(", centre of gravity at %.0f cm", r.Centre/10)
		}
		if r.Air != nil {
			line += fmt.Sprintf("; %.0f W, %.0f BTU/h", r.Watts, r.Air.BTUh)
		}
		fmt.Fprintf(p.W, "  %s  %s\n", p.paint(bold, r.Report.Rack.Name), line)
		p.table(slots(r.Slots))
	}
	p.wrapped("  ", rack.Caution)
}

// slots lists what stands in a rack from the top down, a row for each item.
func slots(all []rack.Slot) []string {
	type item struct {
		name, side string
		low, high  int
	}
	var items []*item
	at := make(map[string]*item)
	for _, s := range slices.Backward(all) {
		for _, x := range [2][2]string{{s.Front, "front"}, {s.Rear, "rear"}} {
			if x[0] == "" {
				continue
			}
			key := x[1] + " " + x[0]
			if at[key] == nil {
				at[key] = &item{name: x[0], side: x[1], high: s.U}
				items = append(items, at[key])
			}
			at[key].low = s.U
		}
	}
	var rows []string
	for _, it := range items {
		where := fmt.Sprintf("    U %d", it.low)
		if it.high > it.low {
			where = fmt.Sprintf("    U %d-%d", it.low, it.high)
		}
		if it.side == "rear" {
			it.name += " (rear)"
		}
		rows = append(rows, where+"\t"+it.name)
	}
	return rows
}

func (p Printout) power(s *sums.Sums) {
	if s.Power == nil && s.Air == nil {
		return
	}
	p.heading("Power and heat")
	if s.Power != nil {
		p.feeds(s)
	}
	if a := s.Air; a != nil {
		p.wrapped("  ", fmt.Sprintf("Heat of all units: %.0f W, %.0f BTU/h (%.2f tons of refrigeration). To leave %g °C warmer it needs %.0f m³/h (%.0f CFM) of air.",
			a.Watts, a.BTUh, a.Tons, a.Rise, a.M3h, a.CFM))
	}
	p.wrapped("  ", power.Caution)
}

func (p Printout) feeds(s *sums.Sums) {
	rows := []string{"feed\tV\tbreaker\tnormal\tat worst\tof breaker\tallowed"}
	for _, f := range s.Power.Feeds {
		worst := fmt.Sprintf("%.1f A", f.Worst.Amps)
		if f.Worst.Failed != "" {
			worst += ", " + f.Worst.Failed + " failed"
		}
		rows = append(rows, fmt.Sprintf("%s\t%g\t%g A\t%.1f A\t%s\t%.0f %%\t%.1f A", f.Feed.Name, f.Feed.Volts, f.Feed.Breaker, f.Normal.Amps, worst, 100*f.Part, f.Allowed))
	}
	p.table(rows)
	if len(s.Strips) == 0 {
		return
	}
	rows = []string{"outlet strip\tfeed\toutlets\tplug\tat worst\trated"}
	for _, x := range s.Strips {
		rated := "-"
		if x.Rated > 0 {
			rated = fmt.Sprintf("%g A", x.Rated)
		}
		rows = append(rows, fmt.Sprintf("%s\t%s\t%d of %d\t%s\t%.1f A\t%s", x.Name, x.Feed, x.Taken, x.Outlets, or(x.Inlet, "-"), x.Amps, rated))
	}
	p.table(rows)
}

func (p Printout) lifting(lifts []sums.Lift) {
	if len(lifts) == 0 {
		return
	}
	p.heading("Lifting, from %s", from(lifts[0].From))
	rows := []string{"kind\tto\tweight\tas lifted\tindex\tplan for\tunits"}
	for _, l := range lifts {
		chosen, out := l.DrivesIn, "as it is"
		if l.DrivesFirst {
			chosen, out = l.DrivesOut, fmt.Sprintf("%.1f kg, drives out", l.DrivesOut.Weight)
		}
		plan := counted(l.People, "person")
		if l.People != 1 {
			plan = fmt.Sprintf("%d people", l.People)
		}
		if l.Device {
			plan = fmt.Sprintf("device and %d", l.People)
		}
		rows = append(rows, fmt.Sprintf("%s\t%.0f cm\t%.1f kg\t%s\t%s\t%s\t%s", l.Unit, l.To/10, l.DrivesIn.Weight, out, indexes(chosen), plan, more(l.Units)))
	}
	p.table(rows)
	p.wrapped("  ", lift.Source+"; the index is for one, two and three people (-: beyond the equation); at most 1.0 is the goal, above 3.0 is high. Sharing a load is not in it, and is reckoned by a cautious rule from memory. "+lift.Caution)
}

func indexes(c lift.Case) string {
	var out []string
	for _, t := range c.Teams {
		if t.LI.Beyond() {
			out = append(out, "-")
			continue
		}
		out = append(out, t.LI.String())
	}
	return strings.Join(out, " / ")
}

func from(mm float64) string {
	if mm == 0 {
		return "the floor"
	}
	return fmt.Sprintf("%.0f cm", mm/10)
}

// more is the first name and how many follow.
func more(all []string) string {
	if len(all) == 1 {
		return all[0]
	}
	return fmt.Sprintf("%s +%d", all[0], len(all)-1)
}

// names lists some names and the number of the rest.
func names(all []string, most int) string {
	if len(all) <= most+1 {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(all[:most], ", "), len(all)-most)
}

func (p Printout) disks(all []sums.Disks) {
	if len(all) == 0 {
		return
	}
	p.heading("Disks")
	for _, d := range all {
		p.wrapped("  ", fmt.Sprintf("%s: %d drives of %s each, %s.", names(d.Units, 6), d.Drives, d.Size, counted(d.Chosen.Spares, "spare")))
		rows := []string{"  layout\tusable\tgiven up\tsurvives\trebuild\tunreadable\tMTTDL, y"}
		for _, o := range d.Options {
			mark := "  "
			if o.Layout == d.Chosen.Layout || o.Impossible == "" && o.Layout.String() == d.Chosen.Layout.String() {
				mark = "> "
			}
			if o.Impossible == "" {
				rows = append(rows, mark+layoutRow(o.Figures))
			}
		}
		p.table(rows)
		p.remarks(d)
		p.ways(d)
	}
	p.wrapped("  ", "> is the planned layout; the number of groups or copies stands behind it. Survives: failed drives for certain (and at best). Rebuild: h:mm, at least, at the stated rate. Unreadable: an upper bound of the chance that rebuilding after the last failure that is survived meets an unreadable sector. MTTDL: the mean time to data loss in years by the published formulas, for failures that are independent; they rank layouts and forecast nothing.")
}

func layoutRow(f disk.Figures) string {
	rebuild, unreadable, loss := "-", "-", "-"
	if f.Rebuild > 0 {
		rebuild = clock(f.Rebuild)
	}
	if n := len(f.Rebuilds); n > 0 && f.Rebuilds[n-1].Unreadable >= 0 {
		unreadable = fmt.Sprintf("%.2g %%", 100*f.Rebuilds[n-1].Unreadable)
	}
	if f.MTTDL > 0 {
		loss = years(f.MTTDL)
	}
	return fmt.Sprintf("%s\t%s\t%s\t%d (%d)\t%s\t%s\t%s", layoutName(f.Layout), f.Usable, f.GivenUp.Decimal(0), f.Certain, f.AtBest, rebuild, unreadable, loss)
}

// layoutName is a layout's name as the profile writes it, with its number.
func layoutName(l disk.Layout) string {
	if n := max(l.Groups, l.Copies); n > 0 {
		return fmt.Sprintf("%s (%d)", l.Kind, n)
	}
	return string(l.Kind)
}

func years(h disk.Hours) string {
	n := float64(h) / disk.HoursPerYear
	if n >= 1e4 {
		return fmt.Sprintf("%.1e", n)
	}
	return fmt.Sprintf("%.0f", n)
}

func (p Printout) remarks(d sums.Disks) {
	for _, o := range d.Options {
		if o.Impossible != "" || o.Layout.String() != d.Chosen.Layout.String() {
			continue
		}
		for _, n := range slices.Concat(o.Against, o.Cautions) {
			p.wrapped("    ", "- "+n.Text+" ("+n.Source+")")
		}
	}
}

// ways says what serving at once and after the check each risk.
func (p Printout) ways(d sums.Disks) {
	for _, way := range d.Ways {
		planned := ""
		if way.Serve == d.Serve {
			planned = ", as planned"
		}
		p.wrapped("    ", "To serve "+way.Serve+planned+":")
		for _, n := range way.Risks {
			p.wrapped("    ", "- "+n.Text+" ("+n.Source+")")
		}
	}
}

func (p Printout) visit(v *sums.Visit) {
	if v == nil {
		return
	}
	p.heading("The visit")
	how := "no schedule is shorter"
	if !v.Shortest {
		how = fmt.Sprintf("no schedule is shorter than %s, so it is at most %.2f of the shortest", clock(v.Bounds.Lowest()), float64(v.Makespan)/float64(v.Bounds.Lowest()))
	}
	p.wrapped("  ", fmt.Sprintf("%s with %s and %s: %s (%s).", clock(v.Makespan), people(v.Technicians), counted(v.Lines, "line"), how, v.Proof))
	talk := make(map[string]time.Duration, len(v.Talks))
	for _, t := range v.Talks {
		talk[t.Unit] = t.Time
	}
	rows := []string{"unit\tby hand\tboots\tcable\tline\tdialogue\tready"}
	order := slices.Clone(v.Assignments)
	slices.SortStableFunc(order, func(a, b schedule.Assignment) int { return cmp.Compare(begins(a), begins(b)) })
	for _, a := range order {
		rows = append(rows, fmt.Sprintf("%s\t%s%s\t%s\t%s\t%s\t%s\t%s", a.Unit, span(a.Hands), by(a.HandsBy), span(a.Boot), span(a.Connect)+by(a.ConnectBy), number(a.Line), seconds(talk[a.Unit]), clock(a.Wait.End)))
	}
	p.table(rows)
	p.wrapped("  ", "Times are h:mm from the start; T1 is the first technician. "+v.Note)
}

// begins is when the first thing is done at a unit.
func begins(a schedule.Assignment) time.Duration {
	if a.Hands.End == a.Hands.Start && a.Line > 0 {
		return a.Connect.Start
	}
	return a.Hands.Start
}

func people(n int) string {
	if n == 1 {
		return "1 technician"
	}
	return fmt.Sprintf("%d technicians", n)
}

func by(technician int) string {
	if technician == 0 {
		return ""
	}
	return fmt.Sprintf(" T%d", technician)
}

func span(s schedule.Span) string {
	if s.End == s.Start {
		return "-"
	}
	return clock(s.Start) + "-" + clock(s.End)
}

// clock writes a time as hours and minutes.
func clock(d time.Duration) string {
	minutes := int((d + 30*time.Second) / time.Minute)
	return fmt.Sprintf("%d:%02d", minutes/60, minutes%60)
}

func seconds(d time.Duration) string {
	if d == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}
