package draw

import (
	"fmt"
	"strings"

	"linehand/script/plan/disk"
)

const layoutHigh = 38.0

// Disks draws the layouts over the same drives: what is left to use, what is
// given up, and how many failures each survives. chosen is the layout that
// the profile plans; the zero Layout stands for none.
func Disks(id string, options []disk.Option, chosen disk.Layout) *Picture {
	p := &Picture{ID: id, Title: "Disk layouts over the same drives"}
	left, wide := 236.0, 300.0
	p.Width = 760
	y := 24.0
	p.word("fine", "part of the raw capacity that is left to use", left, 13, wide, Start)
	p.word("fine", "survives", left+wide+12, 13, 0, Start)
	var told []string
	for _, o := range options {
		if o.Impossible != "" {
			continue
		}
		p.layout(o, Same(o.Layout, chosen), y, left, wide)
		told = append(told, sayLayout(o, Same(o.Layout, chosen)))
		y += layoutHigh
	}
	p.Height = y + 4
	p.Desc = strings.Join(told, " ")
	return p
}

// Same tells whether two layouts come to the same drives.
func Same(a, b disk.Layout) bool {
	if a.Kind != b.Kind || a.Groups != b.Groups {
		return false
	}
	copies := func(l disk.Layout) int {
		if l.Kind == disk.StripedMirrors && l.Copies == 0 {
			return 2
		}
		return l.Copies
	}
	return copies(a) == copies(b)
}

func sayLayout(o disk.Option, planned bool) string {
	s := fmt.Sprintf("%s: %s usable, %s given up, %s.", o.Layout, o.Usable.Decimal(1), o.GivenUp.Decimal(1), survives(o.Figures))
	if planned {
		s = "Planned: " + s
	}
	return s
}

func survives(f disk.Figures) string {
	switch {
	case f.Certain == f.AtBest && f.Certain == 1:
		return "survives 1 failure"
	case f.Certain == f.AtBest:
		return fmt.Sprintf("survives %d failures", f.Certain)
	}
	return fmt.Sprintf("survives %d for certain, %d at best", f.Certain, f.AtBest)
}

func (p *Picture) layout(o disk.Option, planned bool, y, left, wide float64) {
	class := "plain"
	if planned {
		p.box("chosen", 2, y-2, p.Width-4, layoutHigh-2, "")
		class = "plain strong"
		p.word("fine strong", "planned", 10, y+layoutHigh-10, 0, Start)
	}
	p.word(class, o.Layout.String(), left-8, y+14, left-18, End)
	part := 0.0
	if o.Raw > 0 {
		part = float64(o.Usable) / float64(o.Raw)
	}
	p.box("usable", left, y+4, wide*part, 14, sayLayout(o, planned))
	p.box("given", left+wide*part, y+4, wide*(1-part), 14, o.GivenUp.Decimal(1)+" given up")
	p.word("fine", fmt.Sprintf("%s usable (%.0f %%), %s given up", o.Usable.Decimal(1), 100*part, o.GivenUp.Decimal(1)), left, y+30, wide, Start)
	certain := fmt.Sprintf("%d for certain", o.Certain)
	if o.AtBest != o.Certain {
		certain += fmt.Sprintf(", %d at best", o.AtBest)
	}
	p.word("plain", certain, left+wide+12, y+14, p.Width-left-wide-20, Start)
	p.word("fine", risk(o.Figures), left+wide+12, y+30, p.Width-left-wide-20, Start)
}

// risk is the chance of an unreadable sector in the last rebuild that nothing
// covers, or that all are covered.
func risk(f disk.Figures) string {
	if len(f.Rebuilds) == 0 {
		return "a failed drive is lost data"
	}
	last := f.Rebuilds[len(f.Rebuilds)-1]
	if last.Unreadable < 0 {
		return ""
	}
	return fmt.Sprintf("bad sector in the last rebuild ≤ %s", Percent(last.Unreadable))
}

// Percent writes a part of one with two figures that count.
func Percent(part float64) string {
	if part*100 >= 10 {
		return fmt.Sprintf("%.0f %%", part*100)
	}
	return fmt.Sprintf("%.2g %%", part*100)
}
