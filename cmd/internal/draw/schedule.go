package draw

import (
	"fmt"
	"strings"
	"time"

	"linehand/script/plan/schedule"
)

// Sizes of a schedule.
const (
	chartWide = 960.0
	laneLeft  = 96.0
	laneHigh  = 26.0
	chartHead = 30.0
)

// mostAlone is how many units get a lane of their own.
const mostAlone = 40

// lane is one row of the chart.
type lane struct {
	name string
	bars []bar
}

type bar struct {
	class, text string
	span        schedule.Span
}

// Schedule draws what each technician and each line does and when, what the
// units do by themselves, and the bound that no schedule can be shorter than.
func Schedule(id string, batch schedule.Batch, s schedule.Schedule) *Picture {
	p := &Picture{ID: id, Title: "Schedule of the batch", Width: chartWide}
	lanes := lanesOf(batch, s)
	p.Height = chartHead + float64(len(lanes))*laneHigh + 24
	end := max(s.Makespan, s.Bounds.Lowest(), time.Minute)
	wide := chartWide - laneLeft - 20
	at := func(d time.Duration) float64 { return laneLeft + wide*float64(d)/float64(end) }
	step := tick(end)
	for t := time.Duration(0); t <= end; t += step {
		p.word("fine", Clock(t), at(t), 14, 0, Middle)
		p.line("hair", at(t), 19, 0, p.Height-19-20)
	}
	for i, l := range lanes {
		y := chartHead + float64(i)*laneHigh
		p.word("plain", l.name, laneLeft-8, y+16, laneLeft-12, End)
		p.line("hair", laneLeft, y+laneHigh-1, wide, 0)
		for _, b := range l.bars {
			p.bar(b, at, y)
		}
	}
	bound := s.Bounds.Lowest()
	p.line("limit", at(bound), 19, 0, p.Height-19-18)
	anchor := End
	if at(bound) < chartWide/2 {
		anchor = Start
	}
	p.word("fine strong", "no schedule is shorter than "+Clock(bound), at(bound), p.Height-5, 0, anchor)
	p.Desc = fmt.Sprintf("%d units on %d lines with %d technicians take %s; no schedule is shorter than %s. The table has every step.",
		unitsOf(s), batch.Lines, batch.Technicians, Clock(s.Makespan), Clock(bound))
	return p
}

// unitsOf counts units; what is done later at one has a colon behind its name.
func unitsOf(s schedule.Schedule) int {
	n := 0
	for _, a := range s.Assignments {
		if !strings.Contains(a.Unit, ": ") {
			n++
		}
	}
	return n
}

func lanesOf(batch schedule.Batch, s schedule.Schedule) []lane {
	var lanes []lane
	people := make([]lane, batch.Technicians)
	lines := make([]lane, batch.Lines)
	for _, step := range s.Steps {
		class, text := "hands", step.Unit
		if step.Line > 0 {
			class, text = "cable", fmt.Sprintf("line %d to %s", step.Line, step.Unit)
		}
		l := &people[step.Technician-1]
		l.bars = append(l.bars, bar{class, text, step.Span})
	}
	var alone []lane
	for _, a := range s.Assignments {
		if a.Line > 0 {
			l := &lines[a.Line-1]
			l.bars = append(l.bars, bar{"dialogue", a.Unit, schedule.Span{Start: a.Connect.Start, End: a.Dialogue.End}})
		}
		if own := aloneOf(a); len(own.bars) > 0 {
			alone = append(alone, own)
		}
	}
	for i, l := range people {
		l.name = fmt.Sprintf("technician %d", i+1)
		lanes = append(lanes, l)
	}
	for i, l := range lines {
		if len(l.bars) > 0 {
			l.name = fmt.Sprintf("line %d", i+1)
			lanes = append(lanes, l)
		}
	}
	if len(alone) > mostAlone {
		return lanes
	}
	return append(lanes, alone...)
}

func aloneOf(a schedule.Assignment) lane {
	l := lane{name: a.Unit}
	for _, b := range []bar{{"boot", a.Unit + " starts", a.Boot}, {"wait", a.Unit + " finishes by itself", a.Wait}} {
		if b.span.End > b.span.Start {
			l.bars = append(l.bars, b)
		}
	}
	return l
}

func (p *Picture) bar(b bar, at func(time.Duration) float64, y float64) {
	x, w := at(b.span.Start), at(b.span.End)-at(b.span.Start)
	p.box(b.class, x, y+3, w, laneHigh-8, fmt.Sprintf("%s: %s to %s", b.text, Clock(b.span.Start), Clock(b.span.End)))
	if b.class != "boot" && b.class != "wait" { // their lane has the unit's name
		p.word("fine ink", Shorten(b.text, w-8, Small), x+4, y+16, 0, Start)
	}
}

// tick is a round distance between the marks of the time axis.
func tick(end time.Duration) time.Duration {
	for _, t := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 8 * time.Hour, 24 * time.Hour} {
		if end <= 14*t {
			return t
		}
	}
	return (end/14 + 24*time.Hour).Truncate(24 * time.Hour)
}

// Clock writes a time from the start as hours and minutes, such as 1:05.
func Clock(d time.Duration) string {
	m := int64((d + 30*time.Second) / time.Minute)
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}
