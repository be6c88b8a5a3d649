package draw

import (
	"fmt"
	"strings"

	"linehand/script/plan/rack"
)

// Elevation is a rack as it stands, with what hangs at its sides.
type Elevation struct {
	Rack   rack.Rack
	Items  []rack.Item
	Beside []string // units that take no rack unit, such as outlet strips
}

// Sizes of an elevation.
const (
	rowHigh   = 16.0
	rackLeft  = 30.0  // for the numbers
	faceWide  = 216.0 // between the rails
	railWide  = 9.0
	headHigh  = 22.0
	footHigh  = 16.0
	rackSpace = 14.0 // between front and rear
)

// Rack draws a rack's front, and its rear where something is mounted there.
// What does not lie in the rack, or where something lies already, is left out
// and told below: that is an error of the plan anyway.
func Rack(id string, e Elevation) *Picture {
	faces := []rack.Side{rack.Front}
	for _, item := range e.Items {
		if item.Side == rack.Rear {
			faces = []rack.Side{rack.Front, rack.Rear}
			break
		}
	}
	p := &Picture{ID: id, Title: "Elevation of rack " + e.Rack.Name}
	oneFace := faceWide + 2*railWide
	p.Width = 2*rackLeft + float64(len(faces))*oneFace + float64(len(faces)-1)*rackSpace
	rows := float64(e.Rack.Height) * rowHigh
	var told, outside []string
	for i, side := range faces {
		x := rackLeft + float64(i)*(oneFace+rackSpace)
		p.frame(string(side), x, rows, e.Rack.Height)
		here, not := fitting(e, side)
		for _, item := range here {
			p.item(item, e.Rack.Height, x+railWide)
			told = append(told, place(item))
		}
		outside = append(outside, not...)
	}
	p.numbers(e.Rack.Height)
	y := headHigh + rows + footHigh
	if len(e.Beside) > 0 {
		y = p.note("At the sides: "+strings.Join(e.Beside, ", "), y)
	}
	if len(outside) > 0 {
		y = p.note("Not drawn, no room: "+strings.Join(outside, ", "), y)
	}
	p.Height = y
	p.Desc = describe(e, told, outside)
	return p
}

func describe(e Elevation, told, outside []string) string {
	s := fmt.Sprintf("%d rack units, U1 at the bottom. ", e.Rack.Height)
	if len(told) == 0 {
		s += "Nothing stands in it."
	} else {
		s += "From the bottom: " + strings.Join(told, "; ") + ". All other units are empty."
	}
	if len(e.Beside) > 0 {
		s += " At the sides: " + strings.Join(e.Beside, ", ") + "."
	}
	if len(outside) > 0 {
		s += " Not drawn for want of room: " + strings.Join(outside, ", ") + "."
	}
	return s
}

// fitting are the items of one face from the bottom that lie in the rack and
// on nothing else, and the names of the others.
func fitting(e Elevation, side rack.Side) (here []rack.Item, not []string) {
	taken := make(map[int]bool)
	byLowest := make(map[int]rack.Item)
	for _, item := range e.Items {
		at := item.Side
		if at == "" {
			at = rack.Front
		}
		if at != side {
			continue
		}
		free := item.Lowest >= 1 && item.Height >= 1 && item.Height <= e.Rack.Height && item.Lowest <= e.Rack.Height-item.Height+1
		for u := item.Lowest; free && u < item.Lowest+item.Height; u++ {
			free = !taken[u]
		}
		if !free {
			not = append(not, item.Name)
			continue
		}
		for u := item.Lowest; u < item.Lowest+item.Height; u++ {
			taken[u] = true
		}
		byLowest[item.Lowest] = item
	}
	for u := 1; u <= e.Rack.Height; u++ {
		if item, ok := byLowest[u]; ok {
			here = append(here, item)
		}
	}
	return here, not
}

func place(item rack.Item) string {
	s := fmt.Sprintf("U%d", item.Lowest)
	if item.Height > 1 {
		s = fmt.Sprintf("U%d to U%d", item.Lowest, item.Lowest+item.Height-1)
	}
	s += " " + item.Name
	if item.Weight > 0 {
		s += ", " + kilograms(item.Weight)
	}
	if item.Side == rack.Rear {
		s += ", at the rear"
	}
	return s
}

func kilograms(kg float64) string { return fmt.Sprintf("%.1f kg", kg) }

func (p *Picture) frame(side string, x, rows float64, units int) {
	p.word("plain", side, x+railWide+faceWide/2, headHigh-8, faceWide, Middle)
	p.box("rail", x, headHigh, railWide, rows, "")
	p.box("rail", x+railWide+faceWide, headHigh, railWide, rows, "")
	p.box("empty", x+railWide, headHigh, faceWide, rows, "")
	for u := 1; u < units; u++ {
		p.line("hair", x+railWide, headHigh+float64(u)*rowHigh, faceWide, 0)
	}
	p.box("outline", x, headHigh, faceWide+2*railWide, rows, "")
}

// numbers counts the rack units at both edges, U1 at the bottom.
func (p *Picture) numbers(units int) {
	for u := 1; u <= units; u++ {
		y := headHigh + float64(units-u)*rowHigh + rowHigh - 4
		p.word("fine", fmt.Sprint(u), rackLeft-5, y, 0, End)
		p.word("fine", fmt.Sprint(u), p.Width-rackLeft+5, y, 0, Start)
	}
}

func (p *Picture) item(item rack.Item, units int, x float64) {
	high := float64(item.Height) * rowHigh
	y := headHigh + float64(units-item.Lowest-item.Height+1)*rowHigh
	p.box("unit", x+1, y+1, faceWide-2, high-2, place(item))
	weight := ""
	if item.Weight > 0 {
		weight = kilograms(item.Weight)
	}
	room := Width(weight, Small)
	line := y + high/2 + 4
	p.word("plain ink", item.Name, x+8, line, faceWide-24-room, Start)
	p.word("fine ink", weight, x+faceWide-8, line, 0, End)
}

// note writes a text over as many lines as it needs, and gives the y below.
func (p *Picture) note(text string, y float64) float64 {
	for _, line := range wrapped(text, p.Width-2*rackLeft, Small) {
		p.word("fine", line, rackLeft, y, p.Width-2*rackLeft, Start)
		y += 13
	}
	return y
}

func wrapped(text string, width, size float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		switch {
		case line == "":
			line = word
		case Width(line+" "+word, size) <= width:
			line += " " + word
		default:
			lines = append(lines, line)
			line = word
		}
	}
	return append(lines, line)
}
