package lift

import (
	"fmt"
	"math"
	"strings"
)

// panelWidth is the width of a 19-inch panel in mm (EIA-310).
const panelWidth = 482.6

// Limits says where the equation does not apply (NIOSH 94-110). Work at a rack
// is often more than one of these.
func Limits() []string {
	return []string{
		"lifting with one hand",
		"lifting while seated or kneeling",
		"lifting in a restricted space: work at a rack, between rows or over a rail often is",
		"an unstable load, such as a unit with loose parts",
		"carrying, pushing or pulling: sliding a unit onto its rails is not a lift",
		"more than 8 hours of lifting",
		"outside 19 to 26 °C, such as a hot aisle",
		"more than one person: sharing a load is not in the publication (from memory)",
	}
}

// Move is a unit on its way into a rack. The unit is held at its underside.
type Move struct {
	Unit        string  `json:"unit"`
	Weight      float64 `json:"weight"` // kg, with all its drives
	Drives      int     `json:"drives"`
	DriveWeight float64 `json:"drive_weight"` // kg each
	Width       float64 `json:"width"`        // mm; 0: a 19-inch panel's
	Depth       float64 `json:"depth"`        // mm
	From, To    float64 // mm above the floor, of the unit's underside before and after
	// Reach is from the hands to the middle of the ankles, in cm. 0: estimated
	// from Depth for one person, from Width for people at both sides.
	Reach    float64  `json:"reach"`
	Twist    float64  `json:"twist"` // degrees, at the worse end
	Rate     float64  `json:"rate"`  // lifts a minute; 0: the odd one
	Duration Duration `json:"duration"`
	Coupling Coupling `json:"coupling"`
}

// Team is what the equation says when a number of people take the load.
type Team struct {
	People int     `json:"people"`
	Share  float64 `json:"share"` // kg that each is reckoned with; more than an equal part
	Result
}

// Case is the unit at one weight.
type Case struct {
	Weight float64 `json:"weight"` // kg
	Teams  []Team  `json:"teams"`  // of one, two and three people
	People int     `json:"people"` // least team with an index of at most 1.0; 0: none of up to three
}

// Finding is something to look at. Of names the unit; Why has the source.
type Finding struct {
	Severity string `json:"severity"` // "error", "warning" or "note"
	Of       string `json:"of"`
	What     string `json:"what"`
	Why      string `json:"why"`
	Mend     string `json:"mend"`
}

// Advice is what to do about a move.
type Advice struct {
	Unit      string `json:"unit"`
	DrivesIn  Case   `json:"drives_in"`
	DrivesOut Case   `json:"drives_out"` // the same as DrivesIn when there are no drives
	// DrivesFirst says to take the drives out before the lift.
	DrivesFirst bool `json:"drives_first"`
	// People to plan for: at least two where a lifting device is to be used.
	People   int       `json:"people"`
	Device   bool      `json:"device"` // no team of up to three reaches an index of 1.0
	Text     string    `json:"text"`
	Findings []Finding `json:"findings"`
	Limits   []string  `json:"limits"`
	Sources  []string  `json:"sources"`
	Caution  string    `json:"caution"`
}

// ForRack advises on a move, with the drives in and out. The worse end
// counts, because a unit is placed on its rails with care.
func ForRack(m Move) (Advice, error) {
	if err := m.check(); err != nil {
		return Advice{}, fmt.Errorf("lifting %s: %w", m.name(), err)
	}
	a := Advice{Unit: m.name(), Limits: Limits(), Caution: Caution,
		Sources: []string{Source, "sharing: a cautious rule from memory, after guidance on team handling that counts two people as 2/3 and three as 1/2 of their sum"}}
	a.DrivesIn = m.lifted(m.Weight)
	a.DrivesOut = m.lifted(m.Weight - float64(m.Drives)*m.DriveWeight)
	a.decide(m)
	return a, nil
}

func (m Move) name() string {
	if m.Unit == "" {
		return "the unit"
	}
	return m.Unit
}

func (m Move) check() error {
	for _, v := range []struct {
		name  string
		value float64
	}{{"weight", m.Weight}, {"weight of a drive", m.DriveWeight}, {"width", m.Width}, {"depth", m.Depth},
		{"height before", m.From}, {"height after", m.To}, {"reach", m.Reach}, {"twist", m.Twist}, {"rate", m.Rate}} {
		if math.IsNaN(v.value) || math.IsInf(v.value, 0) || v.value < 0 {
			return fmt.Errorf("the %s is %v; give a number that is not negative", v.name, v.value)
		}
	}
	switch {
	case m.Weight == 0:
		return fmt.Errorf("its weight is not stated; take it from the maker's sheet")
	case m.Drives < 0:
		return fmt.Errorf("it has %d drives; give a number that is not negative", m.Drives)
	case float64(m.Drives)*m.DriveWeight >= m.Weight:
		return fmt.Errorf("%d drives of %g kg weigh as much as the whole unit of %g kg; check the weights", m.Drives, m.DriveWeight, m.Weight)
	case m.Reach == 0 && m.Depth == 0:
		return fmt.Errorf("neither its depth nor the reach is stated; give one")
	}
	return Task{Load: m.Weight, Rate: m.Rate, Duration: m.Duration, Coupling: m.Coupling}.check()
}

// teamworth is how many times one person's limit a team is reckoned with:
// one, two people at 2/3 each, three at 1/2 each. Not in the publication; a
// cautious rule from memory.
var teamworth = [...]float64{1, 4. / 3, 3. / 2}

func (m Move) lifted(weight float64) Case {
	c := Case{Weight: weight}
	for i, worth := range teamworth {
		t := Task{Load: weight / worth, Control: true, Rate: m.Rate, Duration: m.Duration, Coupling: m.Coupling,
			Origin: m.point(m.From, i+1), Destination: m.point(m.To, i+1)}
		r, err := Assess(t)
		if err != nil {
			panic("lift: a checked move was refused: " + err.Error())
		}
		c.Teams = append(c.Teams, Team{People: i + 1, Share: t.Load, Result: r})
		if c.People == 0 && r.LI <= 1 {
			c.People = i + 1
		}
	}
	return c
}

// point gives one end. One person has the unit's depth before them; people
// at both sides have half its width.
func (m Move) point(height float64, people int) Point {
	v, size := height/10, m.Depth/10
	if people > 1 || size == 0 {
		if size = m.Width / 10; size == 0 {
			size = panelWidth / 10
		}
	}
	h := m.Reach
	if h == 0 {
		h = EstimateH(Metric, size, v)
	}
	return Point{H: h, V: v, A: m.Twist}
}

func (a *Advice) decide(m Move) {
	a.DrivesFirst = m.Drives > 0 && m.DriveWeight > 0 && a.DrivesIn.Teams[0].LI > 1
	chosen := a.DrivesIn
	if a.DrivesFirst {
		chosen = a.DrivesOut
	}
	a.People, a.Device = chosen.People, chosen.People == 0
	if a.Device {
		a.People = 2
	}
	a.Text = a.sentences(m, chosen)
	a.Findings = a.findings(m, chosen)
}

func (a *Advice) sentences(m Move, chosen Case) string {
	var b strings.Builder
	if a.DrivesFirst {
		fmt.Fprintf(&b, "Take the %s of %s out first, if its maker allows that, and mark each with its bay: %.1f kg become %.1f kg. ",
			counted(m.Drives, "drive"), a.Unit, m.Weight, chosen.Weight)
	}
	switch {
	case a.Device:
		fmt.Fprintf(&b, "Use a lifting device, with at least 2 people to guide %s: no team of up to three reaches a lifting index of 1.0. ", a.Unit)
	case a.People == 1:
		fmt.Fprintf(&b, "Plan for at least 1 person and have a second at hand. ")
	default:
		fmt.Fprintf(&b, "Plan for at least %d people; one of them gives the word. ", a.People)
	}
	fmt.Fprintf(&b, "From %.0f cm to %.0f cm above the floor the lifting index is %s", m.From/10, m.To/10, indexes(a.DrivesIn))
	if m.Drives > 0 && m.DriveWeight > 0 {
		fmt.Fprintf(&b, " with the drives in, %s with them out", indexes(a.DrivesOut))
	}
	b.WriteString(" (the goal is at most 1.0; above 3.0 is high). Work at a rack is often in a restricted space, where the equation does not apply; sharing a load is not in it either and is reckoned here by a cautious rule from memory. " + Caution)
	return b.String()
}

func indexes(c Case) string {
	return fmt.Sprintf("%s for one, %s for two, %s for three", c.Teams[0].LI, c.Teams[1].LI, c.Teams[2].LI)
}

func counted(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (a *Advice) findings(m Move, chosen Case) []Finding {
	add := func(all []Finding, what, mend string) []Finding {
		return append(all, Finding{Severity: "warning", Of: a.Unit, What: what, Why: Source, Mend: mend})
	}
	var all []Finding
	if v := max(m.From, m.To) / 10; v > Metric.constants().top {
		all = add(all, fmt.Sprintf("%s is to be lifted to %.0f cm, and above 175 cm no weight is recommended at all", a.Unit, v),
			"give it a lower place in the rack, or use a lifting device that reaches there")
	}
	one := a.DrivesIn.Teams[0].LI
	switch {
	case a.Device:
		all = add(all, fmt.Sprintf("%s weighs %.1f kg as it is to be lifted, and the lifting index is above 1.0 for up to three people (%s)", a.Unit, chosen.Weight, indexes(chosen)),
			"plan for a lifting device and two people to guide, or a place nearer to 75 cm above the floor")
	case a.DrivesFirst:
		all = add(all, fmt.Sprintf("%s weighs %.1f kg with its drives, a lifting index of %s for one person", a.Unit, m.Weight, one),
			fmt.Sprintf("take the %s out first, if the maker allows that, and plan for %s", counted(m.Drives, "drive"), people(a.People)))
	case a.People > 1:
		all = add(all, fmt.Sprintf("%s weighs %.1f kg, a lifting index of %s for one person", a.Unit, m.Weight, one), "plan for "+people(a.People))
	}
	return all
}

func people(n int) string {
	if n == 1 {
		return "at least one person"
	}
	return fmt.Sprintf("at least %d people", n)
}
