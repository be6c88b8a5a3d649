package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"linehand/cmd/internal/archive"
	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/index"
	"linehand/transcript/replay"
	"linehand/transcript/seal"
)

// recordsView is the Records page.
type recordsView struct {
	Query   url.Values
	Closer  bool // more is asked for than words
	Asked   bool
	Records []found
	More    bool // there may be more than are shown
	Wrong   string
}

// found is a record with the places in it that fit.
type found struct {
	index.Hit
	Places []index.Hit
}

// mostHits is how many places are looked for at a time.
const mostHits = 500

func (s *site) recordsPage(w http.ResponseWriter, r *http.Request) {
	f := s.frame(r, "records", "Records", nil)
	f.Live = "records"
	v := recordsView{Query: r.URL.Query()}
	q, wrong := queryOf(v.Query)
	v.Closer = wrong != "" || q != index.Query{Text: q.Text, Limit: mostHits}
	v.Wrong, v.Asked = wrong, q != index.Query{Limit: mostHits}
	if wrong == "" {
		hits, err := s.Archive.Find(r.Context(), q)
		if err != nil {
			s.failed(w, r, "The records cannot be searched", err)
			return
		}
		v.Records, v.More = byRecord(hits), len(hits) == mostHits
	}
	f.Data = v
	s.show(w, http.StatusOK, f)
}

// queryOf reads the form; wrong says what cannot be read, and how to write it.
func queryOf(form url.Values) (q index.Query, wrong string) {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	q = index.Query{Text: get("text"), Unit: get("unit"), Serial: get("serial"), Stage: get("stage"), Ending: get("ending"), Limit: mostHits}
	for name, at := range map[string]*time.Time{"since": &q.Since, "before": &q.Before} {
		if get(name) == "" {
			continue
		}
		t, err := time.ParseInLocation("2006-01-02", get(name), time.Local)
		if err != nil {
			return q, "A day is written as in 2026-01-31."
		}
		*at = t
	}
	return q, ""
}

// byRecord puts the places of one record together.
func byRecord(hits []index.Hit) []found {
	var out []found
	at := make(map[string]int)
	for _, h := range hits {
		i, ok := at[h.Record]
		if !ok {
			i = len(out)
			at[h.Record] = i
			out = append(out, found{Hit: h})
		}
		if h.Text != "" {
			out[i].Places = append(out[i].Places, h)
		}
	}
	return out
}

// recordView is the page of one record.
type recordView struct {
	Name    string
	Report  audit.Report
	Seal    *seal.Result
	State   string // of the seal, as sealState has it
	Events  []event
	Stages  []event
	Length  int64
	Film    template.JS // JSON, escaped
	Text    string
	Entered bool // anything was
}

type event struct {
	N        int
	At       int64 // milliseconds
	Clock    string
	Kind     string
	Text     string
	Seconds  string
	Relevant bool
}

func (s *site) recordPage(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("record")
	rec, err := s.Archive.Read(name)
	if errors.Is(err, archive.ErrNone) {
		s.sorry(w, r, http.StatusNotFound, "There is no such record", "It may have been moved off this bench. The Records page lists those that are here.")
		return
	}
	if err != nil {
		s.failed(w, r, "The record cannot be read", err)
		return
	}
	v, err := s.recordView(name, rec)
	if err != nil {
		s.failed(w, r, "The record cannot be shown", err)
		return
	}
	s.show(w, http.StatusOK, s.frame(r, "record", "Record of "+transcript.Printable(rec.Header.Unit), v))
}

func (s *site) recordView(name string, rec *transcript.Record) (v recordView, err error) {
	v.Name = name
	if v.Report, err = s.Archive.Audit(name); err != nil {
		return v, err
	}
	if v.Seal, err = s.Archive.Seal(name); err != nil {
		return v, err
	}
	v.State = sealState(v.Seal)
	for _, st := range v.Report.Stages {
		v.Entered = v.Entered || len(st.Entries) > 0
	}
	film := replay.FilmOf(rec)
	v.Length = film.Length
	for _, m := range film.Events {
		v.Events = append(v.Events, event{N: m.N, At: m.At, Clock: m.Clock(), Kind: m.Kind, Text: m.Text})
	}
	for _, m := range film.Stages {
		v.Stages = append(v.Stages, event{N: m.N, At: m.At, Clock: m.Clock(), Text: m.Text})
	}
	data, err := json.Marshal(film) // escapes <, > and &
	if err != nil {
		return v, err
	}
	v.Film = template.JS(data)
	var text bytes.Buffer
	if err := replay.Text(&text, rec, replay.Options{}); err != nil {
		return v, err
	}
	v.Text = text.String()
	return v, nil
}

// sealState is what a record's seal comes to.
func sealState(r *seal.Result) string {
	switch {
	case r.Fault != nil && r.Fault.Kind != transcript.FaultUnended:
		return "broken"
	case !r.Sealed && !r.Ended:
		return "open"
	case !r.Sealed:
		return "unsealed"
	case !r.Trusted:
		return "stranger"
	}
	return "sealed"
}
