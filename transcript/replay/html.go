package replay

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"strings"

	"linehand/transcript"
)

var (
	//go:embed page/page.html
	pageText string
	//go:embed page/page.css
	pageStyle string
	//go:embed page/page.js
	pageScript string

	pageTemplate = template.Must(template.New("page").Parse(pageText))
)

// HTML writes the record as one page that plays without a network: the
// screen as the technician saw it with a scrubber, and all that happened as
// text.
//
// The page is safe against what a unit may have sent: its bytes are resolved
// to text first, are in the page only as escaped text and as escaped JSON,
// and are shown by setting text, never markup; and the page's own policy
// forbids it any script, style, image or address but its own.
func HTML(w io.Writer, rec *transcript.Record) error {
	f := filmOf(rec)
	data, err := json.Marshal(f) // escapes <, > and &
	if err != nil {
		return fmt.Errorf("replay as a page: %w", err)
	}
	var text bytes.Buffer
	if err := Text(&text, rec, Options{}); err != nil {
		return err
	}
	h := rec.Header
	p := page{
		Unit: show(h.Unit), Line: show(join(h.Line.Name, h.Line.Settings)), Person: show(h.Person), Site: show(h.Site), Mode: show(h.Mode),
		Serial: show(h.Serial), Kind: show(h.Kind), Started: h.Started.Format("2006-01-02 15:04:05 -07:00"), Film: template.JS(data), Length: f.Length,
		Stages: f.Stages, Events: f.Events, Text: text.String(),
		Style: template.CSS(pageStyle), Script: template.JS(pageScript),
		Policy: "default-src 'none'; base-uri 'none'; form-action 'none'; style-src " + digest(pageStyle) + "; script-src " + digest(pageScript),
	}
	if rec.Fault != nil {
		p.Fault = show(rec.Fault.Error())
	}
	if err := pageTemplate.Execute(w, p); err != nil {
		return fmt.Errorf("replay as a page: %w", err)
	}
	return nil
}

// page is what the template shows.
type page struct {
	Unit, Kind, Serial, Site, Line, Person, Mode, Started, Fault string

	Length         int64
	Stages, Events []moment
	Text           string

	Policy string
	Film   template.JS // JSON, escaped
	Style  template.CSS
	Script template.JS
}

func show(s string) string { return transcript.Printable(s) }

// Clock is a moment's time for people.
func (m moment) Clock() string {
	s := m.At / 1000
	return fmt.Sprintf("%d:%02d.%d", s/60, s%60, m.At%1000/100)
}

// digest is how a policy names an inline script or style (Content Security
// Policy Level 3, section 2.3.1).
func digest(text string) string {
	sum := sha256.Sum256([]byte(strings.ReplaceAll(text, "\r\n", "\n")))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}
