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
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/station"
	"linehand/script/plan"
	"linehand/script/steps"
)

//go:embed page.html
var pageText string

// Style is how the page of a check looks. It comes after draw.Style.
//
//go:embed style.css
var Style string

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

// Write writes the page of a check.
func Write(w io.Writer, r station.Report) error {
	t, err := parsed()
	if err == nil {
		err = t.Execute(w, newView(r))
	}
	if err != nil {
		return fmt.Errorf("write the page of a check: %w", err)
	}
	return nil
}

func parsed() (*template.Template, error) {
	return template.New("page").Funcs(functions()).Parse(pageText)
}

// Parts gives what another page shows of a check: its heading, which is one of
// the first level, and all that comes below. They need draw.Style, Style and
// draw.Patterns.
func Parts(r station.Report) (head, sections template.HTML, err error) {
	t, err := parsed()
	if err != nil {
		return "", "", fmt.Errorf("write the page of a check: %w", err)
	}
	v := newView(r)
	var h, s strings.Builder
	if err := errors.Join(t.ExecuteTemplate(&h, "head", v), t.ExecuteTemplate(&s, "sections", v)); err != nil {
		return "", "", fmt.Errorf("write the page of a check: %w", err)
	}
	return template.HTML(h.String()), template.HTML(s.String()), nil
}

func functions() template.FuncMap {
	return template.FuncMap{
		"hours":    hours,
		"listed":   func(names []string) string { return strings.Join(names, ", ") },
		"defer":    func() string { return steps.Defer },
		"style":    func() template.CSS { return template.CSS(draw.Style + Style) },
		"patterns": func() template.HTML { return template.HTML(draw.Patterns) },
	}
}

// Digest is the SHA-256 of a plan, in lower-case hex: over a line "NAME DIGEST"
// for each unit, in the order of the profile.
func Digest(p *plan.Plan) string {
	h := sha256.New()
	for _, u := range p.Units {
		fmt.Fprintf(h, "%s %s\n", u.Name, u.SHA256)
	}
	return hex.EncodeToString(h.Sum(nil))
}
