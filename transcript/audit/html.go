package audit

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"linehand/transcript"
)

var (
	//go:embed page/page.html
	sheetText string
	//go:embed page/page.css
	sheetStyle string

	sheetTemplate = template.Must(template.New("audit").Funcs(template.FuncMap{
		"lasted": lasted, "none": orNone, "join": joined, "what": what, "planned": planned, "entered": entered, "signed": signed, "show": transcript.Printable,
		"heldas": verdictOf, "inpart": inPart, "instage": inStage,
		"words": func(list []string) string { return strings.Join(list, " ") },
		"begun": func(t time.Time) string { return t.Format("2006-01-02 15:04:05 -07:00") },
	}).Parse(sheetText))
)

// Sheet is what a page of audits shows. What is nil is left out.
type Sheet struct {
	Reports    []Named
	Comparison *Comparison
	Fleet      *Fleet
}

// HTML writes the sheet as one page without scripts that needs no network.
// What a unit may have sent is in it as escaped text only.
func (s Sheet) HTML(w io.Writer) error {
	sum := sha256.Sum256([]byte(sheetStyle))
	err := sheetTemplate.Execute(w, struct {
		Sheet
		Title, Policy string
		Style         template.CSS
	}{s, s.title(), "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'", template.CSS(sheetStyle)})
	if err != nil {
		return fmt.Errorf("write the audit as a page: %w", err)
	}
	return nil
}

func (s Sheet) title() string {
	switch {
	case s.Comparison != nil:
		return "Two runs of " + orNone(show(s.Comparison.First.Unit))
	case s.Fleet != nil:
		return fmt.Sprintf("Audit of %d runs", s.Fleet.Runs)
	case len(s.Reports) == 1:
		return "Audit of " + orNone(show(s.Reports[0].Unit))
	}
	return fmt.Sprintf("Audit of %d runs", len(s.Reports))
}
