package pack

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"

	"linehand/cmd/internal/draw"
	"linehand/transcript/handover"
)

//go:embed pack.html
var pageText string

//go:embed pack.css
var pageStyle string

// cover is what stands on the first page.
type cover struct {
	Title, AsOf string
	Facts       [][2]string
	Remarks     []string
	Signatures  *table
	Sections    []section
}

func (w *writer) cover() cover {
	d := w.content.Document
	c := cover{Title: or(d.Site.Title, d.Site.Name), AsOf: or(stamp(d.Until), "no record"), Sections: w.sections}
	recorded := 0
	for _, u := range d.Units {
		if len(u.Records) > 0 {
			recorded++
		}
	}
	c.Facts = [][2]string{
		{"Site", strings.TrimSpace(d.Site.Name + " " + d.Site.Domain)},
		{"Units planned", fmt.Sprint(len(d.Units))},
		{"Units with a record", fmt.Sprint(recorded)},
		{"Session records", fmt.Sprint(len(d.Runs))},
		{"Open points", openPoints(d)},
		{"Work from", or(stamp(d.From), none)},
		{"Work until", or(stamp(d.Until), none)},
		{"Time zone of the site", or(d.Site.TimeZone, none)},
	}
	if d.Site.Demonstration {
		c.Remarks = append(c.Remarks, "The profile says that this is a demonstration: nothing of the site is real, nor are its addresses.")
	}
	for _, o := range d.StillOpen() {
		if o.Code == handover.CodeRehearsal {
			c.Remarks = append(c.Remarks, "Records in this pack are of rehearsals with simulated units. It shows what a pack looks like; it hands nothing over.")
			break
		}
	}
	c.Signatures = &table{Caption: "Handed over and taken over", Columns: []column{{Title: "", Share: 22}, {Title: "Name", Share: 32, Fill: true}, {Title: "Date", Share: 18, Fill: true}, {Title: "Signature", Share: 28, Fill: true}},
		Rows: [][]string{{"Handed over by", "", "", ""}, {"Taken over by", "", "", ""}}}
	c.Signatures.Columns[0].Title = "Part"
	return c
}

// openPoints are how many points are open, and how many were closed.
func openPoints(d handover.Document) string {
	open := len(d.StillOpen())
	if closed := len(d.Punch) - open; closed > 0 {
		return fmt.Sprintf("%d (%d more are closed)", open, closed)
	}
	return fmt.Sprint(open)
}

// html writes the page. It stands alone: no script, nothing from a network.
func (w *writer) html(b *bytes.Buffer) error {
	t, err := template.New("pack").Funcs(template.FuncMap{
		"style":    func() template.CSS { return template.CSS(draw.Style + pageStyle) },
		"patterns": func() template.HTML { return template.HTML(draw.Patterns) },
		"lines":    func(cell string) []string { return strings.Split(cell, "\n") },
		"column":   func(t *table, i int) column { return t.Columns[i] },
		"strong":   func(t *table, row []string) bool { return t.Strong != nil && t.Strong(row) },
	}).Parse(pageText)
	if err != nil {
		return err
	}
	return t.Execute(b, w.cover())
}

// alone is a drawing as a file that needs nothing besides.
func alone(p *draw.Picture) []byte {
	start, rest, _ := strings.Cut(string(p.SVG()), "\n")
	if !strings.Contains(start, " xmlns=") { // a page does without it
		start = strings.Replace(start, "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1)
	}
	return []byte(`<?xml version="1.0" encoding="UTF-8"?>` + "\n" + start + "\n<style>\nsvg { background: var(--paper); }\n" + draw.Style + "</style>\n" + draw.Patterns + rest)
}
