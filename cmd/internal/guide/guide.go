// Package guide writes what a person does with their hands at a visit, as text
// and as one page that stands alone: steps with their cautions and sources, the
// exact values in the order of the unit's own page, to be copied, and boxes to
// tick. The page needs no network, and can be worked by keyboard alone.
//
// It holds names of secrets and no secret, and no date, so that the same plan
// gives the same bytes. Ticks are kept in the browser only: the record of a
// visit is what linehand visit writes.
package guide

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/script/visit"
)

//go:embed guide.html
var pageText string

//go:embed guide.css
var styleText string

//go:embed guide.js
var scriptText string

// Guide is the guide of one site.
type Guide struct {
	Site  string
	Units []Unit
}

// Unit is what is done to one unit.
type Unit struct {
	Name, Title, Kind, Serial, Place string
	Plan                             string // digest of its plan
	Before, After                    []visit.Step
	Values                           []visit.Value // planned, for copying
}

// HTML writes the page.
func (g Guide) HTML(w io.Writer) error {
	t, err := template.New("guide").Funcs(template.FuncMap{"part": partOf}).Parse(pageText)
	if err == nil {
		style := draw.Style + styleText
		err = t.Execute(w, struct {
			Guide
			Policy string
			Style  template.CSS
			Script template.JS
		}{g, "default-src 'none'; base-uri 'none'; form-action 'none'; style-src " + digest(style) + "; script-src " + digest(scriptText), template.CSS(style), template.JS(scriptText)})
	}
	if err != nil {
		return fmt.Errorf("write the page of a guide: %w", err)
	}
	return nil
}

// section is one part of a unit's guide.
type section struct {
	ID, Title string
	Steps     []visit.Step
	Key       string // of its ticks
}

// partOf lays a list of steps out for the template.
func partOf(unit Unit, id, part, title string, list []visit.Step) section {
	return section{ID: id + "-" + part, Title: title, Steps: list, Key: unit.Plan + "/" + part}
}

// digest is how a policy names an inline script or style (Content Security
// Policy Level 3, section 2.3.1).
func digest(text string) string {
	sum := sha256.Sum256([]byte(strings.ReplaceAll(text, "\r\n", "\n")))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// Text writes the guide as plain text.
func (g Guide) Text(w io.Writer) error {
	var b strings.Builder
	for i, u := range g.Units {
		if i > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "%s", u.Name)
		for _, more := range []string{u.Title, u.Kind, u.Serial, u.Place} {
			if more != "" {
				fmt.Fprintf(&b, ", %s", more)
			}
		}
		b.WriteByte('\n')
		textOf(&b, "Before power and the first boot", u.Before)
		if len(u.Values) > 0 {
			b.WriteString("\nValues of the plan\n")
			for _, v := range u.Values {
				fmt.Fprintf(&b, "      %s: %s\n", v.Label, v.Value)
			}
		}
		textOf(&b, "Afterwards", u.After)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func textOf(b *strings.Builder, title string, list []visit.Step) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for i, s := range list {
		firm := ""
		if s.Required {
			firm = " (required)"
		}
		fmt.Fprintf(b, "[ ] %d. %s%s: %s\n", i+1, s.Name, firm, s.Do)
		if s.Caution != "" {
			fmt.Fprintf(b, "      CAUTION: %s Source: %s.\n", s.Caution, s.Source)
		}
		for _, row := range strings.Split(strings.TrimRight(s.Picture, "\n"), "\n") {
			if row != "" {
				fmt.Fprintf(b, "      %s\n", row)
			}
		}
		for _, v := range s.Values {
			fmt.Fprintf(b, "      %s: %s\n", v.Label, v.Value)
		}
		for _, line := range []struct{ lead, text string }{{"good", s.Good}, {"the page must show", s.MustShow}, {"otherwise", s.Otherwise}} {
			if line.text != "" {
				fmt.Fprintf(b, "      %s: %s\n", line.lead, line.text)
			}
		}
	}
}
