package worksheet

import (
	"fmt"

	"linehand/cmd/internal/page"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/lift"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/site"
)

// bench is what comes before the dialogue: the right chassis, static, the
// rack, the lift, seating, cables, and power in its order. Steps without a
// named source are common practice.
func (m *maker) bench(u *plan.Unit) []Section {
	sections := []Section{m.static(u)}
	if u.Place.Rack.Value != "" {
		sections = append(sections, m.racking(u))
	}
	sections = append(sections, m.seating(u))
	if len(u.Cords) > 0 || u.Facts.Supplies.Value > 0 {
		sections = append(sections, m.power(u))
	}
	return sections
}

func (m *maker) static(u *plan.Unit) Section {
	strap := rack.WristStrap()
	serial := u.Serial
	if serial == "" {
		serial = "left open in the plan: write it down"
	}
	return Section{
		Title:   "The right unit, and static",
		Caution: strap.Caution + " Source: " + strap.Why + ".",
		Rows: []Row{
			{Form: Compare, Do: "Serial number on the chassis", Value: serial, Words: u.Serial == ""},
			{Do: "Packing and chassis without damage, nothing loose inside"},
			{Form: Measure, Do: "Wrist strap on bare skin, clipped to the ground point, and tested with it on",
				Value: fmt.Sprintf("tester: %.0f kΩ to %.0f MΩ; person to ground at most %.0f MΩ", strap.TesterLowOhm/1e3, strap.TesterHighOhm/1e6, strap.MaxOhm/1e6), Words: true},
		},
	}
}

func (m *maker) racking(u *plan.Unit) Section {
	s := Section{Title: "Rack and lift", Caution: rack.Caution + " Source: common practice."}
	s.Rows = append(s.Rows, Row{Do: "Rack stands level, stabilisers down or bolted; nothing else is slid out", Value: u.Place.Rack.Value, Words: true})
	if u.Place.At.Value == 0 {
		s.Rows = append(s.Rows, Row{Do: "Fastened at the side of the rack, clear of doors and of what slides", Value: placeOf(u), Words: true})
		return s
	}
	s.Rows = append(s.Rows, Row{Do: "Rails on, both sides at the same height, all screws tight",
		Value: fmt.Sprintf("%s; lower edge %.1f mm above that of U1", placeOf(u), rack.HeightMM(u.Place.At.Value-1)), Words: true, Note: "EIA-310: 44.45 mm a rack unit"})
	if l, ok := m.lift[u.Name]; ok {
		s.Rows = append(s.Rows, lifting(l.Advice, l.From, l.To, u)...)
		s.Caution += " " + lift.Caution + " Source: " + lift.Source + "; sharing a load is not in it."
	} else {
		s.Rows = append(s.Rows, Row{Do: "Lift: its weight is not stated in the plan. Read it from the chassis or the maker's sheet, and plan for two people or a lifting device", Note: "common practice"})
	}
	s.Rows = append(s.Rows, Row{Do: "Unit on its rails, fastened at the front, slides as it should"})
	return s
}

func lifting(a lift.Advice, from, to float64, u *plan.Unit) []Row {
	var rows []Row
	weight := a.DrivesIn.Weight
	if a.DrivesFirst {
		weight = a.DrivesOut.Weight
		rows = append(rows, Row{Do: fmt.Sprintf("All %d drives out, if the maker allows that, each marked with its bay, on an antistatic mat", u.Facts.Drives.Count.Value),
			Value: fmt.Sprintf("%.1f kg become %.1f kg", a.DrivesIn.Weight, weight), Words: true})
	}
	return append(rows, Row{Do: "Lift: " + page.Manner(a), Value: fmt.Sprintf("%.1f kg, from %.0f cm to %.0f cm above the floor", weight, from/10, to/10), Words: true, Note: lift.Source + ", lifting index at most 1.0"})
}

func (m *maker) seating(u *plan.Unit) Section {
	s := Section{Title: "Seating and data cables, supplies off", Notes: []string{"No cord is in yet. Strap on for everything that is seated."}}
	if n := u.Facts.Drives.Count.Value; n > 0 {
		s.Rows = append(s.Rows, Row{Do: "Drives seated, each in its own bay, pushed home and latched", Value: fmt.Sprintf("%d drives of %s", n, u.Facts.Drives.Size.Text), Words: true})
	}
	s.Rows = append(s.Rows, Row{Do: "Every module re-seated and tugged: supplies, controllers, fans, adapters, transceivers", Note: "common practice: what came loose on the way is found now"})
	values, _ := u.Values["unit"].(script.UnitValues)
	for _, p := range values.Ports {
		to := "network " + p.Network.Name
		if p.VLAN > 0 {
			to += fmt.Sprintf(", VLAN %d", p.VLAN)
		}
		s.Rows = append(s.Rows, Row{Do: "Cable of port " + p.Name + " in, latched, labelled at both ends", Value: to, Words: true})
	}
	return s
}

func (m *maker) power(u *plan.Unit) Section {
	s := Section{Title: "Power", Caution: power.Caution + " Source: common practice."}
	s.Rows = append(s.Rows, Row{Do: "All supplies off before any cord goes in: their switches at 0, or the outlets off"})
	if u.Facts.Outlets.Value > 0 {
		s.Rows = append(s.Rows, Row{Do: "Nothing is plugged into its outlets yet"})
	}
	for _, c := range u.Cords {
		s.Rows = append(s.Rows, Row{Do: fmt.Sprintf("Cord of supply %d in at both ends, held by its clip, labelled", c.Supply), Value: m.route(c), Note: inlet(u), Words: true})
	}
	s.Rows = append(s.Rows, Row{Do: "Wrist strap off, hands and tools clear of the unit"})
	for _, c := range u.Cords {
		s.Rows = append(s.Rows, Row{Do: fmt.Sprintf("Supply %d on, its indicator steady before the next one", c.Supply), Value: "to " + c.To.Value, Words: true})
	}
	s.Rows = append(s.Rows, Row{Do: "Indicators as the maker's sheet has them: supplies, fans, drives; none shows a fault; no smell, no odd noise"})
	if boot := u.Facts.Times.Boot.Value; boot > 0 {
		s.Rows = append(s.Rows, Row{Form: Measure, Do: "Unit starts; when it was switched on", Value: "takes about " + span(boot), Words: true})
	}
	return s
}

func inlet(u *plan.Unit) string {
	if in := u.Facts.Inlet.Value; in != "" {
		return "inlet " + in + " (IEC 60320-1)"
	}
	return ""
}

// route says where a cord ends, and what feeds it there.
func (m *maker) route(c site.Cord) string {
	to := c.To.Value
	if f, ok := m.feed[to]; ok {
		return feedText(f, c.Pair)
	}
	strip := m.unit[to]
	if strip == nil {
		return to
	}
	for _, own := range strip.Cords {
		if f, ok := m.feed[own.To.Value]; ok {
			return "outlet strip " + strip.Name + ", on " + feedText(f, own.Pair)
		}
	}
	return "outlet strip " + strip.Name
}

func feedText(f site.Feed, pair string) string {
	s := fmt.Sprintf("feed %s, %d V, breaker %g A", f.Name.Value, f.Volts.Value, f.BreakerA.Value)
	if pair != "" {
		s += ", " + pair
	}
	return s
}
