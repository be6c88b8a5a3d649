package worksheet

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
)

//go:embed sheet.html
var sheetText string

//go:embed sheet.css
var sheetStyle string

// HTML writes the sheets as one page that stands alone, made to be printed.
func (s *Set) HTML(w io.Writer) error {
	t, err := template.New("worksheet").Funcs(template.FuncMap{
		"style": func() template.CSS { return template.CSS(sheetStyle) },
		"or":    or,
	}).Parse(sheetText)
	if err == nil {
		err = t.Execute(w, s)
	}
	if err != nil {
		return fmt.Errorf("write the worksheet as HTML: %w", err)
	}
	return nil
}

// Code tells whether Do is what a unit prints.
func (r Row) Code() bool { return r.Form == Answer || r.Form == Stop || r.Form == Else }

// Stops tells whether nothing is to be answered.
func (r Row) Stops() bool { return r.Form == Stop }

// Turns tells whether another stage follows.
func (r Row) Turns() bool { return r.Form == Else }

// Tells tells whether there is nothing to do.
func (r Row) Tells() bool { return r.Form == Told }

// Title is the name of a step, and whether it is a hold point.
func (r Row) Title() string { return nameOf(&r) }

// Reads tells whether what is read is written beside the plan's value.
func (r Row) Reads() bool { return r.Form == Compare }

// Writes tells whether there is room to write.
func (r Row) Writes() bool { return r.Form == Compare || r.Form == Measure }
