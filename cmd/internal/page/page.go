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

	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/script/plan/sums"
)

// Check is what the page shows.
type Check struct {
	Report station.Report
	SHA256 string     // digest of the plan; "" when there is none
	Plan   *plan.Plan // nil when the profile has errors
	Sums   sums.Sums  // of Plan; empty where the profile does not say enough for them
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
		"style": func() template.CSS { return template.CSS(styleText) },
	}
}
