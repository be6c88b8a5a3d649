// Package rack checks what is to stand where in a rack: nothing overlaps or
// sticks out, the weight keeps to the maker's rating, the heaviest stand low.
// It also gives the heights above the floor that lifting is reckoned with.
//
// Places are counted in rack units (U) from 1 at the bottom. The package
// opens no file and keeps no state; Check reports every fault at once.
package rack

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Caution belongs beside every result of this package.
const Caution = "Ratings are the makers': read the rack's and the rails' own sheets. Level the rack, let its stabilisers down or bolt it before anything slides out, slide out one unit at a time, and fill it from the bottom; check the floor's rating too; defer to local codes and licensed practice."

// Tallest is the highest rack that Check takes, in U.
const Tallest = 100

// Side is the face of the rack that a unit is mounted at.
type Side string

// The sides. The empty Side is the front.
const (
	Front Side = "front"
	Rear  Side = "rear"
)

// Rack is an empty rack.
type Rack struct {
	Name   string  `json:"name"`
	Height int     `json:"height"` // U
	Rating float64 `json:"rating"` // kg that it may carry, as its maker states for a rack that stands; 0: not stated
	Depth  float64 `json:"depth"`  // mm from front rails to rear rails, or as far as units may reach; 0: not stated
	Base   float64 `json:"base"`   // mm from the floor to the lower edge of U 1; 0: not stated
	// Beside is the weight in kg of what hangs at the rack\'s sides and takes
	// no U, such as outlet strips. The rack carries it too.
	Beside float64 `json:"beside"`
}

// Item is one thing in the rack.
type Item struct {
	Name   string  `json:"name"`
	Lowest int     `json:"lowest"` // U, from 1
	Height int     `json:"height"` // U
	Weight float64 `json:"weight"` // kg, complete; 0: not stated
	Depth  float64 `json:"depth"`  // mm; 0: not stated
	Side   Side    `json:"side"`
}

// Finding is something to look at. Of names the item, or the rack; Why has
// the source.
type Finding struct {
	Severity string `json:"severity"` // "error", "warning" or "note"
	Of       string `json:"of"`
	What     string `json:"what"`
	Why      string `json:"why"`
	Mend     string `json:"mend"`
}

// Slot is one U of the rack with who has it, "" for nobody.
type Slot struct {
	U           int `json:"u"`
	Front, Rear string
}

// Shelf says how high an item stands.
type Shelf struct {
	Name string `json:"name"`
	// Bottom and Top are the item's edges above the floor, or above the lower
	// edge of U 1 where the rack's base is not stated; mm. Bottom is the
	// height of the hands for lifting.
	Bottom, Top float64
}

// Report is a checked rack.
type Report struct {
	Rack       Rack      `json:"rack"`
	Slots      []Slot    `json:"slots"`  // from U 1 up
	Empty      []int     `json:"empty"`  // U with nothing at either side, from the bottom
	Weight     float64   `json:"weight"` // kg of all whose weight is stated
	Unweighed  []string  `json:"unweighed"`
	Centre     float64   `json:"centre"`      // mm, height of the centre of gravity, measured as Shelf.Bottom; 0 when nothing is weighed
	AboveFloor bool      `json:"above_floor"` // heights are above the floor
	Shelves    []Shelf   `json:"shelves"`     // in the order of the items
	Findings   []Finding `json:"findings"`
	Caution    string    `json:"caution"`
}

// Check places items in a rack and reports what is wrong with that.
func Check(r Rack, items []Item) Report {
	c := checker{report: Report{Rack: r, AboveFloor: r.Base > 0, Caution: Caution}}
	if !c.rack(r) {
		return c.report
	}
	c.report.Slots = make([]Slot, r.Height)
	for i := range c.report.Slots {
		c.report.Slots[i].U = i + 1
	}
	c.front, c.rear = make([]*Item, r.Height+1), make([]*Item, r.Height+1)
	for i := range items {
		c.place(&items[i])
	}
	c.weigh(items)
	c.balance()
	c.heaviestLow()
	c.empty()
	return c.report
}

type checker struct {
	report      Report
	front, rear []*Item // by U
	standing    []*Item // that have a place inside the rack
}

func (c *checker) find(severity, of, what, why, mend string) {
	c.report.Findings = append(c.report.Findings, Finding{severity, of, what, why, mend})
}

func (c *checker) rack(r Rack) bool {
	switch {
	case r.Height < 1 || r.Height > Tallest:
		c.find("error", r.Name, fmt.Sprintf("rack %s is %d U high", r.Name, r.Height), "", fmt.Sprintf("write a height of 1 to %d U", Tallest))
	case !fine(r.Rating) || !fine(r.Depth) || !fine(r.Base) || !fine(r.Beside):
		c.find("error", r.Name, fmt.Sprintf("rack %s has a rating of %g kg, a depth of %g mm and a base of %g mm", r.Name, r.Rating, r.Depth, r.Base), "", "write numbers that are not negative")
	default:
		if r.Base == 0 {
			c.find("note", r.Name, fmt.Sprintf("the height of U 1 of rack %s above the floor is not stated: heights count from the lower edge of U 1", r.Name), "", "measure from the floor to the lower edge of U 1")
		}
		return true
	}
	return false
}

func fine(v float64) bool { return v >= 0 && !math.IsInf(v, 0) }

// place puts an item into its slots, or says why it cannot stand there.
func (c *checker) place(it *Item) {
	r := c.report.Rack
	switch {
	case !fine(it.Weight) || !fine(it.Depth):
		c.find("error", it.Name, fmt.Sprintf("%s has a weight of %g kg and a depth of %g mm", it.Name, it.Weight, it.Depth), "", "write numbers that are not negative")
		return
	case it.Side != "" && it.Side != Front && it.Side != Rear:
		c.find("error", it.Name, fmt.Sprintf("%s is mounted at %q", it.Name, it.Side), "", "write front or rear")
		return
	case it.Height < 1 || it.Height > Tallest:
		c.find("error", it.Name, fmt.Sprintf("%s is %d U high", it.Name, it.Height), "", fmt.Sprintf("write a height of 1 to %d U", Tallest))
		return
	case it.Lowest < 1 || it.Lowest > r.Height-it.Height+1:
		c.outside(it)
		return
	}
	if r.Depth > 0 && it.Depth > r.Depth {
		c.find("error", it.Name, fmt.Sprintf("%s is %g mm deep and rack %s has %g mm", it.Name, it.Depth, r.Name, r.Depth), "the rack's maker states the depth", "take a deeper rack, or check both depths")
	}
	c.occupy(it)
	c.standing = append(c.standing, it)
	bottom := r.Base + HeightMM(it.Lowest-1)
	c.report.Shelves = append(c.report.Shelves, Shelf{it.Name, bottom, bottom + HeightMM(it.Height)})
}

func (c *checker) outside(it *Item) {
	r := c.report.Rack
	mend := fmt.Sprintf("rack %s ends at U %d: let the lowest U be 1 to %d", r.Name, r.Height, r.Height-it.Height+1)
	if it.Height > r.Height {
		mend = fmt.Sprintf("rack %s has %d U: take a taller rack", r.Name, r.Height)
	}
	c.find("error", it.Name, fmt.Sprintf("%s at %s is outside rack %s", it.Name, span(it), r.Name), "", mend)
}

// occupy takes the slots, and reports each item that is in the way once.
func (c *checker) occupy(it *Item) {
	mine, other := c.front, c.rear
	if it.Side == Rear {
		mine, other = c.rear, c.front
	}
	var clash, behind *Item
	for u := it.Lowest; u < it.Lowest+it.Height; u++ {
		if there := mine[u]; there == nil {
			mine[u] = it
			c.report.Slots[u-1].put(it)
		} else if there != clash {
			clash = there
			c.find("error", it.Name, fmt.Sprintf("%s at %s overlaps %s at %s", it.Name, span(it), clash.Name, span(clash)), "", "move one of the two to empty U")
		}
		if there := other[u]; there != nil && there != behind {
			behind = there
			c.backToBack(it, behind)
		}
	}
}

func (s *Slot) put(it *Item) {
	if it.Side == Rear {
		s.Rear = it.Name
	} else {
		s.Front = it.Name
	}
}

// backToBack checks two items that share U from both sides.
func (c *checker) backToBack(a, b *Item) {
	r := c.report.Rack
	what := fmt.Sprintf("%s and %s share U from both sides", a.Name, b.Name)
	switch {
	case r.Depth == 0 || a.Depth == 0 || b.Depth == 0:
		c.find("warning", a.Name, what+", and not all depths are stated", "", "state the depth of the rack and of both, or move one")
	case a.Depth+b.Depth > r.Depth:
		c.find("error", a.Name, fmt.Sprintf("%s and are %g mm deep together; rack %s has %g mm", what, a.Depth+b.Depth, r.Name, r.Depth), "", "move one of the two to empty U")
	}
}

func span(it *Item) string {
	if it.Height == 1 {
		return fmt.Sprintf("U %d", it.Lowest)
	}
	return fmt.Sprintf("U %d to %d", it.Lowest, it.Lowest+it.Height-1)
}

// weigh sums up the weights and compares them with the rating.
func (c *checker) weigh(items []Item) {
	p := &c.report
	p.Weight = p.Rack.Beside
	for i := range items {
		it := &items[i]
		if it.Weight == 0 {
			p.Unweighed = append(p.Unweighed, it.Name)
			continue
		}
		if !fine(it.Weight) {
			continue
		}
		p.Weight += it.Weight
	}
	for _, name := range p.Unweighed {
		c.find("note", name, fmt.Sprintf("the weight of %s is not stated: the sum for rack %s is too low", name, p.Rack.Name), "", "take it from its maker's sheet")
	}
	const why = "the rating is that of the rack's maker, for a rack that stands; a rack that is rolled carries less"
	switch {
	case p.Rack.Rating == 0 && p.Weight > 0:
		c.find("note", p.Rack.Name, fmt.Sprintf("the rating of rack %s is not stated: its %.1f kg were compared with nothing", p.Rack.Name, p.Weight), why, "take it from the maker's sheet")
	case p.Weight > p.Rack.Rating && p.Rack.Rating > 0:
		c.find("error", p.Rack.Name, fmt.Sprintf("rack %s is to carry %.1f kg and is rated for %g kg", p.Rack.Name, p.Weight, p.Rack.Rating), why, "move units to another rack")
	}
}

// balance finds the centre of gravity, each item taken as even inside.
func (c *checker) balance() {
	weight, moment := 0.0, 0.0
	for _, it := range c.standing {
		weight += it.Weight
		moment += it.Weight * (c.report.Rack.Base + HeightMM(it.Lowest-1) + HeightMM(it.Height)/2)
	}
	if weight > 0 {
		c.report.Centre = moment / weight
	}
}

// heaviestLow warns of each item with a lighter one below it, naming the
// lightest of those.
func (c *checker) heaviestLow() {
	order := slices.DeleteFunc(slices.Clone(c.standing), func(it *Item) bool { return it.Weight == 0 })
	slices.SortStableFunc(order, func(a, b *Item) int { return cmp.Compare(a.Lowest, b.Lowest) })
	var below *Item // lightest that ends below the one looked at
	ends := slices.Clone(order)
	slices.SortStableFunc(ends, func(a, b *Item) int { return cmp.Compare(a.Lowest+a.Height, b.Lowest+b.Height) })
	for _, it := range order {
		for len(ends) > 0 && ends[0].Lowest+ends[0].Height <= it.Lowest {
			if below == nil || ends[0].Weight < below.Weight {
				below = ends[0]
			}
			ends = ends[1:]
		}
		if below != nil && it.Weight > below.Weight {
			c.find("warning", it.Name, fmt.Sprintf("%s (%.1f kg) at %s stands above %s (%.1f kg) at %s", it.Name, it.Weight, span(it), below.Name, below.Weight, span(below)),
				"the heaviest low keep the centre of gravity low, so that the rack does not tip when a unit slides out; common practice, no source", "let the heavier one stand lower, where cables and air allow it")
		}
	}
}

func (c *checker) empty() {
	for _, s := range c.report.Slots {
		if s.Front == "" && s.Rear == "" {
			c.report.Empty = append(c.report.Empty, s.U)
		}
	}
}
