package plan

import (
	"fmt"

	"linehand/script/site"
)

// rooms checks what racks refer to. The sums over racks, power, weights and
// drives are made by packages of their own.
func (c *checker) rooms() {
	for i := range c.s.Racks {
		for _, f := range c.s.Racks[i].Feeds {
			if c.feed[f.Value] == nil {
				c.unknown("feed", f, c.known.feeds)
			}
		}
	}
}

// facilities checks what a unit refers to in its place and its cords.
func (c *checker) facilities(u *site.Unit) {
	kind := c.kind[u.Kind.Value]
	if u.Place.Rack.Value != "" && c.rack[u.Place.Rack.Value] == nil {
		c.unknown("rack", u.Place.Rack, c.known.racks)
	}
	if u.Place.Rack.Value != "" && u.Place.At.Value == 0 && kind != nil && kind.HeightU.Value > 0 {
		c.report(Error, u.Place.Pos, fmt.Sprintf("the place of %s does not say at which height", u.Name.Value), "", "write at: with the lowest rack unit that it fills")
	}
	for _, cord := range u.Cords {
		if kind != nil && cord.Supply > kind.Supplies.Value {
			c.report(Error, cord.Pos, fmt.Sprintf("%s has no supply %d: %s has %s", u.Name.Value, cord.Supply, u.Kind.Value, counted(kind.Supplies.Value, "supply", "supplies")), "", "take the cord out, or write supplies: in the kind")
		}
		c.cord(u, cord)
	}
}

// cord checks where a cord goes: to a feed, or to a unit with outlets.
func (c *checker) cord(u *site.Unit, cord site.Cord) {
	if c.feed[cord.To.Value] != nil {
		return
	}
	to := c.unitNamed(cord.To.Value)
	if to == nil {
		c.unknown("feed or outlet strip", cord.To, append(c.strips(), c.known.feeds...))
		return
	}
	kind := c.kind[to.Kind.Value]
	switch {
	case to == u:
		c.report(Error, cord.To.Pos, fmt.Sprintf("a cord of %s goes back to %s itself", u.Name.Value, u.Name.Value), "", "name a feed or an outlet strip")
	case kind != nil && kind.Outlets.Value == 0:
		c.report(Error, cord.To.Pos, fmt.Sprintf("a cord of %s goes to %s, which has no outlets", u.Name.Value, to.Name.Value), "", "name a feed or an outlet strip, or write outlets: in the kind "+to.Kind.Value)
	}
}

func (c *checker) unitNamed(name string) *site.Unit {
	if c.unitByName == nil {
		c.unitByName = make(map[string]*site.Unit, len(c.s.Units))
		for i := range c.s.Units {
			c.unitByName[fold(c.s.Units[i].Name.Value)] = &c.s.Units[i]
		}
	}
	return c.unitByName[fold(name)]
}

func (c *checker) strips() []string {
	var names []string
	for i := range c.s.Units {
		if kind := c.kind[c.s.Units[i].Kind.Value]; kind != nil && kind.Outlets.Value > 0 {
			names = append(names, c.s.Units[i].Name.Value)
		}
	}
	return names
}

// factsOf are those of the kind, with what the unit says of its own drives.
func factsOf(u *site.Unit, kind *site.Kind) site.Facts {
	f, own := kind.Facts, u.Drives
	if own.Count.Value != 0 {
		f.Drives.Count = own.Count
	}
	if own.Size.Bytes != 0 {
		f.Drives.Size = own.Size
	}
	if own.WeightKg.Value != 0 {
		f.Drives.WeightKg = own.WeightKg
	}
	if own.InterfaceMBps.Value != 0 {
		f.Drives.InterfaceMBps = own.InterfaceMBps
	}
	if own.RebuildMBps.Value != 0 {
		f.Drives.RebuildMBps = own.RebuildMBps
	}
	if own.VerifyMBps.Value != 0 {
		f.Drives.VerifyMBps = own.VerifyMBps
	}
	if own.Unreadable.Value != 0 {
		f.Drives.Unreadable = own.Unreadable
	}
	if own.MTTFHours.Value != 0 {
		f.Drives.MTTFHours = own.MTTFHours
	}
	if own.Pos.Line != 0 {
		f.Drives.Pos = own.Pos
	}
	return f
}
