package worksheet

import (
	"fmt"

	"linehand/cmd/internal/page"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/lift"
	"linehand/script/plan/rack"
	"linehand/script/site"
	"linehand/script/steps"
)

// told is what the plan says of the work by hand, to have at hand before it
// begins, and what is read on the way.
func (m *maker) told(u *plan.Unit) Section {
	strap := rack.WristStrap()
	serial := u.Serial
	if serial == "" {
		serial = "left open in the plan: write it down"
	}
	s := Section{Title: "The right unit, and what the plan says of it", Rows: []Row{
		{Form: Compare, Do: "Serial number on the chassis", Value: serial, Words: u.Serial == ""},
		{Form: Measure, Do: "Wrist strap, tested while it is worn; the tester reads", Note: strap.Why, Words: true,
			Value: fmt.Sprintf("tester: %.0f kΩ to %.0f MΩ; person to ground at most %.0f MΩ", strap.TesterLowOhm/1e3, strap.TesterHighOhm/1e6, strap.MaxOhm/1e6)},
	}}
	s.Rows = append(s.Rows, m.standing(u)...)
	if n := u.Facts.Drives.Count.Value; n > 0 {
		s.Rows = append(s.Rows, Row{Form: Told, Do: "Drives", Value: fmt.Sprintf("%d of %s", n, u.Facts.Drives.Size.Text), Words: true})
	}
	values, _ := u.Values["unit"].(script.UnitValues)
	for _, p := range values.Ports {
		to := "network " + p.Network.Name
		if p.VLAN > 0 {
			to += fmt.Sprintf(", VLAN %d", p.VLAN)
		}
		s.Rows = append(s.Rows, Row{Form: Told, Do: "Port " + p.Name, Value: to + ", " + p.CIDR, Words: true})
	}
	for _, c := range u.Cords {
		s.Rows = append(s.Rows, Row{Form: Told, Do: fmt.Sprintf("Cord of supply %d", c.Supply), Value: m.route(c), Note: inlet(u), Words: true})
	}
	if boot := u.Facts.Times.Boot.Value; boot > 0 {
		s.Rows = append(s.Rows, Row{Form: Measure, Do: "When it was switched on", Value: "starts in about " + span(boot), Words: true})
	}
	return s
}

// standing is where it goes, and how it gets there.
func (m *maker) standing(u *plan.Unit) []Row {
	if u.Place.Rack.Value == "" {
		return nil
	}
	place := placeOf(u)
	if u.Place.At.Value > 0 {
		place += fmt.Sprintf("; lower edge %.1f mm above that of U1", rack.HeightMM(u.Place.At.Value-1))
	}
	rows := []Row{{Form: Told, Do: "Place", Value: place, Words: true, Note: "EIA-310: 44.45 mm a rack unit"}}
	if l, ok := m.lift[u.Name]; ok {
		rows = append(rows, Row{Form: Told, Do: "Lift: " + page.Manner(l.Advice), Words: true, Note: lift.Source + ", lifting index at most 1.0; sharing a load is not in it",
			Value: fmt.Sprintf("%s kg, from %.0f cm to %.0f cm above the floor", m.advice[u.Name].Kg, l.From/10, l.To/10)})
	}
	return rows
}

// byHand lays out steps: each with its caution before it, what good looks
// like beside it, and what to do when it does not.
func byHand(title string, list []steps.Rendered) Section {
	s := Section{Title: title}
	for i, r := range list {
		row := Row{
			Name: r.Name, Do: r.Do, Caution: r.CautionText(), Value: r.Good, Otherwise: r.Otherwise, Picture: r.Picture, Hold: r.Required, Words: true,
		}
		if i > 0 && list[i-1].Of == r.Of {
			row.Picture = "" // it stands with the first of them
			row.Again = list[i-1].Caution == r.Caution
		}
		s.Rows = append(s.Rows, row)
		for _, v := range r.Values {
			s.Rows = append(s.Rows, entered(v))
		}
		if r.MustShow != "" {
			s.Rows = append(s.Rows, Row{Do: "At the end its page shows", Value: r.MustShow, Words: true})
		}
	}
	return s
}

// entered is a value for a unit's own page.
func entered(v steps.Value) Row {
	if v.Secret != "" {
		return Row{Do: v.Label, Value: v.Secret, Secret: true}
	}
	return Row{Do: v.Label, Value: v.Value}
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
