package sums

import (
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/site"
)

// racks checks each rack with what stands in it, and adds what hangs at its
// side to its weight and heat.
func (w *work) racks() {
	in := make(map[string][]*plan.Unit, len(w.plan.Racks))
	for _, u := range w.plan.Units {
		if name := u.Place.Rack.Value; name != "" {
			in[name] = append(in[name], u)
		}
	}
	for i := range w.plan.Racks {
		w.rack(&w.plan.Racks[i], in[w.plan.Racks[i].Name.Value])
	}
}

func (w *work) rack(r *site.Rack, units []*plan.Unit) {
	empty := rack.Rack{Name: r.Name.Value, Height: r.UnitsHigh.Value, Rating: r.LoadKg.Value, Depth: float64(r.DepthMm.Value), Base: float64(r.FloorMm.Value)}
	out := Rack{Title: r.Title.Value}
	var items []rack.Item
	for _, u := range units {
		out.Watts += float64(u.Facts.Watts.Value)
		weight, _, _ := weightOf(u)
		if u.Facts.HeightU.Value == 0 && u.Place.At.Value == 0 {
			empty.Beside += weight // at the rack's side
			continue
		}
		items = append(items, rack.Item{Name: u.Name, Lowest: u.Place.At.Value, Height: u.Facts.HeightU.Value,
			Weight: weight, Depth: float64(u.Facts.DepthMm.Value), Side: rack.Side(u.Place.Side.Value)})
	}
	out.Report = rack.Check(empty, items)
	w.rackFindings(r, out.Report)
	out.Air = w.air(out.Watts)
	w.sums.Racks = append(w.sums.Racks, out)
}

func (w *work) rackFindings(r *site.Rack, report rack.Report) {
	for _, f := range report.Findings {
		pos, severity := first(r.LoadKg.Pos, r.Pos), plan.Severity(f.Severity)
		if u := w.unit[f.Of]; u != nil && f.Of != r.Name.Value {
			pos = placeOf(u)
		}
		if severity == plan.Note {
			w.leaveOpen("%s: %s", f.What, f.Mend)
			continue
		}
		w.report(severity, pos, f.What, f.Why, f.Mend)
	}
}

// air is nil where nothing is drawn.
func (w *work) air(watts float64) *Air {
	if watts == 0 {
		return nil
	}
	flow, err := power.Airflow(watts, w.options.Rise, w.options.Altitude)
	if err != nil {
		w.report(plan.Error, script.Pos{}, err.Error(), "", "give another temperature rise or altitude")
		return nil
	}
	return &Air{Heat: power.HeatOf(watts), Air: flow, Rise: w.options.Rise}
}
