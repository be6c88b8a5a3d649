package draw

import (
	"fmt"
	"math"
	"strings"

	"linehand/script/plan/power"
)

// Sizes of the bars of feeds and layouts.
const (
	barsWide  = 670.0
	barLeft   = 150.0
	barRight  = 150.0
	barHigh   = 13.0
	feedHigh  = 46.0
	scaleHigh = 26.0
)

// Power draws the load of each feed as it is and in its worst state, against
// the part of the breaker that a continuous load may use. The scale is the
// breaker: a bar that passes 100 % is cut there with a mark.
func Power(id string, feeds []power.FeedLoad) *Picture {
	p := &Picture{ID: id, Title: "Load of the feeds", Width: barsWide, Height: scaleHigh + float64(len(feeds))*feedHigh + 6}
	wide := barsWide - barLeft - barRight
	for _, percent := range []float64{0, 20, 40, 60, 80, 100} {
		x := barLeft + wide*percent/100
		p.word("fine", fmt.Sprintf("%.0f %%", percent), x, 14, 0, Middle)
		p.line("hair", x, scaleHigh-6, 0, p.Height-scaleHigh)
	}
	var told []string
	for i, f := range feeds {
		p.feed(f, scaleHigh+float64(i)*feedHigh, wide)
		told = append(told, sayFeed(f))
	}
	p.Desc = strings.Join(told, " ")
	return p
}

func sayFeed(f power.FeedLoad) string {
	s := fmt.Sprintf("%s: %.1f A now, %.1f A at worst", f.Feed.Name, f.Normal.Amps, f.Worst.Amps)
	if f.Worst.Failed != "" {
		s += " with " + f.Worst.Failed + " failed"
	}
	return s + fmt.Sprintf(", %.1f A allowed of a breaker of %g A.", f.Allowed, f.Feed.Breaker)
}

func (p *Picture) feed(f power.FeedLoad, y, wide float64) {
	breaker := f.Feed.Breaker
	if breaker <= 0 {
		breaker = math.Max(f.Worst.Amps, 1)
	}
	p.word("plain", f.Feed.Name, barLeft-8, y+barHigh+1, barLeft-12, End)
	about := fmt.Sprintf("%g V", f.Feed.Volts)
	if f.Feed.Phases == 3 {
		about += ", 3 phases"
	}
	p.word("fine", fmt.Sprintf("%s, %g A", about, f.Feed.Breaker), barLeft-8, y+2*barHigh+3, barLeft-12, End)
	p.load("now", f.Normal.Amps, breaker, y+3, wide, sayFeed(f))
	class := "worst"
	if f.Allowed > 0 && f.Worst.Required > f.Feed.Breaker {
		class = "worst over"
	}
	p.load(class, f.Worst.Amps, breaker, y+5+barHigh, wide, sayFeed(f))
	if f.Allowed > 0 {
		p.line("limit", barLeft+wide*math.Min(1, f.Allowed/breaker), y-1, 0, 2*barHigh+10)
	}
}

func (p *Picture) load(class string, amps, breaker, y, wide float64, tip string) {
	part := math.Min(1, amps/breaker)
	p.box("track", barLeft, y, wide, barHigh, "")
	p.box(class, barLeft, y, wide*part, barHigh, tip)
	text := fmt.Sprintf("%.1f A", amps)
	switch {
	case class == "now":
		text += " now"
	case strings.Contains(class, "over"):
		text += " at worst: too much"
	default:
		text += " at worst"
	}
	p.word("fine", text, barLeft+wide+8, y+barHigh-3, barRight-10, Start)
}
