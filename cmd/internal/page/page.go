// Package page writes what a check has found as one HTML page that stands
// alone: problems first, then the plan with its drawings. It needs no network
// and no script, and is made to be read on a screen, a phone, on grey paper
// and aloud.
//
// The page holds names of secrets and no secret, no date and no path but
// those that the check itself tells, so that the same check gives the same
// bytes. Everything that a file says is escaped.
package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/script/plan/disk"
	"linehand/script/plan/lift"
	"linehand/script/plan/power"
	"linehand/script/plan/rack"
	"linehand/script/plan/schedule"
)

// Check is what the page shows.
type Check struct {
	Report station.Report
	SHA256 string     // digest of the plan; "" when there is none
	Plan   *plan.Plan // nil when the profile has errors
	Sums   Sums
}

// Sums are the results of the sums over the plan; empty where the profile
// does not say enough for them.
type Sums struct {
	Racks    []draw.Elevation
	Weights  []rack.Report // of Racks
	Power    power.Report
	Disks    []Disks
	Lifts    []lift.Advice
	Batch    schedule.Batch
	Schedule schedule.Schedule
}

// Disks are the layouts of units that have the same drives and plan.
type Disks struct {
	Units   []string
	Drives  string // such as "24 drives of 20 TB, 2 of them spares"
	Chosen  disk.Layout
	Options []disk.Option
}

//go:embed page.html
var pageText string

//go:embed style.css
var styleText string

// Most of each kind of drawing. What is beyond is in the tables only, so that
// the page of a very large site still opens.
const (
	mostNetworks = 60
	mostBlocks   = 8 // of one network
	mostRacks    = 60
	mostFeeds    = 120
	mostDisks    = 40
	mostBars     = 300 // units of a schedule
)

// Write writes the page.
func Write(w io.Writer, c Check) error {
	t, err := template.New("page").Funcs(functions()).Parse(pageText)
	if err == nil {
		err = t.Execute(w, newView(c))
	}
	if err != nil {
		return fmt.Errorf("write the page of a check: %w", err)
	}
	return nil
}

func functions() template.FuncMap {
	return template.FuncMap{
		"style":   func() template.CSS { return template.CSS(styleText) },
		"percent": draw.Percent,
		"clock":   draw.Clock,
		"least":   func(l disk.Layout) string { _, source := l.Minimum(); return source },
	}
}
