package sums

import (
	"fmt"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/lift"
)

// alike is what makes the advice for two units the same.
type alike struct {
	kind        string
	weight      float64
	drives      int
	driveWeight float64
	to          float64
}

// lifting advises on every unit that is to stand in a rack.
func (w *work) lifting() {
	bottom := make(map[string]float64)
	for _, r := range w.sums.Racks {
		for _, s := range r.Shelves {
			bottom[s.Name] = s.Bottom
		}
	}
	at := make(map[alike]int)
	for _, u := range w.plan.Units {
		to, stands := bottom[u.Name]
		if !stands {
			continue
		}
		weight, drives, each := weightOf(u)
		key := alike{u.Kind, weight, drives, each, to}
		i, known := at[key]
		if !known {
			i = -1
			if l, ok := w.lift(u, key); ok {
				i = len(w.sums.Lifting)
				w.sums.Lifting = append(w.sums.Lifting, l)
			}
			at[key] = i
		}
		if i >= 0 {
			w.sums.Lifting[i].Units = append(w.sums.Lifting[i].Units, u.Name)
			w.liftFindings(u, w.sums.Lifting[i])
		}
	}
}

// LiftingOf gives what dialogues call lift, by the name of the unit. Of a unit
// whose lift cannot be reckoned it says what common practice says.
func LiftingOf(p *plan.Plan, o Options) map[string]script.LiftValues {
	if o.Rise == 0 {
		o.Rise = UsualRise
	}
	w := &work{plan: p, options: o, unit: make(map[string]*plan.Unit, len(p.Units))}
	for _, u := range p.Units {
		w.unit[u.Name] = u
	}
	w.racks()
	w.lifting()
	out := make(map[string]script.LiftValues, len(p.Units))
	for _, l := range w.sums.Lifting {
		for _, name := range l.Units {
			out[name] = l.values()
		}
	}
	for _, u := range p.Units {
		if _, known := out[u.Name]; !known {
			out[u.Name] = unreckoned(u)
		}
	}
	return out
}

func (l Lift) values() script.LiftValues {
	chosen := l.DrivesIn
	v := script.LiftValues{People: l.People, DrivesOut: l.DrivesFirst, Source: lift.Source + "; sharing a load is not in it"}
	if l.DrivesFirst {
		chosen = l.DrivesOut
	}
	v.Kg = fmt.Sprintf("%.1f", chosen.Weight)
	switch {
	case l.Device:
		v.Advice = fmt.Sprintf("Use a lifting device, with %d people to guide", l.People)
	case l.People == 1:
		v.Advice = "One person lifts, with a second at hand"
	default:
		v.Advice = fmt.Sprintf("%d people lift, and one of them gives the word", l.People)
	}
	v.Advice += fmt.Sprintf(": %s kg, from %.0f cm to %.0f cm above the floor", v.Kg, l.From/10, l.To/10)
	if l.DrivesFirst {
		v.Advice += fmt.Sprintf(" (%.1f kg with the drives in)", l.DrivesIn.Weight)
	}
	v.Advice += "."
	return v
}

// unreckoned is for a unit that stands in no rack, or whose weight or depth
// is not stated.
func unreckoned(u *plan.Unit) script.LiftValues {
	whole, _, _ := weightOf(u)
	if whole == 0 {
		return script.LiftValues{Source: commonPractice,
			Advice: "Its weight is not stated in the plan: read it from the chassis or the maker's sheet, and plan for two people or a lifting device."}
	}
	return script.LiftValues{Kg: fmt.Sprintf("%.1f", whole), Source: commonPractice,
		Advice: fmt.Sprintf("It weighs %.1f kg. Where that is more than one person lifts with ease, plan for two or for a lifting device.", whole)}
}

func (w *work) lift(u *plan.Unit, k alike) (Lift, bool) {
	if k.weight == 0 || u.Facts.DepthMm.Value == 0 {
		w.leaveOpen("the weight or the depth of kind %s is not stated: lifting it was not reckoned; write weight-kg: and depth-mm:", u.Kind)
		return Lift{}, false
	}
	m := lift.Move{Unit: u.Kind, Weight: k.weight, Drives: k.drives, DriveWeight: k.driveWeight, Depth: float64(u.Facts.DepthMm.Value), From: w.options.From, To: k.to}
	if k.driveWeight == 0 {
		m.Drives = 0
	}
	advice, err := lift.ForRack(m)
	if err != nil {
		w.report(plan.Error, first(u.Facts.WeightKg.Pos, placeOf(u)), err.Error(), "", "check the weights in the kind "+u.Kind)
		return Lift{}, false
	}
	return Lift{Advice: advice, From: m.From, To: m.To}, true
}

// The two ends beyond which a lift is a problem of the plan. Below them it is
// work that needs people, drives taken out or a device, as the advice says.
const (
	topOfReach = 1750 // mm: above it no weight is recommended (NIOSH 94-110)
	highIndex  = 3    // "above 3.0 is high"
)

func (w *work) liftFindings(u *plan.Unit, l Lift) {
	if l.To > topOfReach {
		w.report(plan.Warning, placeOf(u), fmt.Sprintf("%s is to be lifted to %.0f cm, and above 175 cm no weight is recommended at all", u.Name, l.To/10),
			lift.Source+"; an estimate, defer to local codes and licensed practice", "give it a lower place in the rack, or use a lifting device that reaches there")
		return
	}
	chosen := l.DrivesIn
	if l.DrivesFirst {
		chosen = l.DrivesOut
	}
	if best := chosen.Teams[len(chosen.Teams)-1].LI; best > highIndex {
		w.report(plan.Warning, placeOf(u), fmt.Sprintf("%s weighs %.1f kg as it is to be lifted to %.0f cm: the lifting index is %s for three people, and above 3.0 is high", u.Name, chosen.Weight, l.To/10, best),
			lift.Source+"; an estimate, defer to local codes and licensed practice", "plan for a lifting device, or a place nearer to 75 cm above the floor")
	}
}
