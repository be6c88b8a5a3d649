package handover

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// WriteJSON writes the document as one JSON value (RFC 8259).
func (d Document) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(d); err != nil {
		return fmt.Errorf("write the handover document as JSON: %w", err)
	}
	return nil
}

// WriteUnits writes the asset register: RFC 4180 CSV in UTF-8, a row for each
// unit.
func (d Document) WriteUnits(w io.Writer) error {
	rows := [][]string{{"unit", "kind", "kind title", "title", "serial planned", "serial read", "firmware", "rack", "lowest rack unit", "cluster",
		"ports", "addresses", "addresses 6", "site", "state", "record"}}
	for _, u := range d.Units {
		var ports, four, six []string
		for _, p := range u.Ports {
			ports, four = append(ports, p.Name), append(four, p.Address)
			if p.Address6 != "" {
				six = append(six, p.Address6)
			}
		}
		at, record := "", ""
		if u.At > 0 {
			at = strconv.Itoa(u.At)
		}
		if n := len(u.Records); n > 0 {
			record = u.Records[n-1]
		}
		rows = append(rows, []string{u.Name, u.Kind, u.KindTitle, u.Title, u.Serial, u.SerialRead, u.Fact("firmware"), u.Rack, at, u.Cluster,
			strings.Join(ports, " "), strings.Join(four, " "), strings.Join(six, " "), d.Site.Name, u.State, record})
	}
	return writeCSV(w, rows)
}

// Fact is the text of a fact; "" where there is none of that name.
func (u *Installed) Fact(name string) string {
	for _, f := range u.Facts {
		if f.Name == name {
			return f.Text
		}
	}
	return ""
}

// WriteBuilt writes the as-built table: RFC 4180 CSV in UTF-8, a row for each
// value.
func (d Document) WriteBuilt(w io.Writer) error {
	rows := [][]string{{"unit", "value", "name", "entered", "planned", "planned in", "read back", "verdict", "record", "event entered", "event read back", "record read back"}}
	for _, u := range d.Units {
		for _, v := range u.Values {
			rows = append(rows, []string{u.Name, v.Path, v.Name, v.Entered, v.Planned, v.Source, v.ReadBack, v.Verdict, v.Record, number(v.Event), number(v.ReadAt), v.ReadIn})
		}
	}
	return writeCSV(w, rows)
}

// WritePunch writes the punch list: RFC 4180 CSV in UTF-8, a row for each
// point, those that are closed last.
func (d Document) WritePunch(w io.Writer) error {
	rows := [][]string{{"number", "unit", "code", "what", "who closes it", "by when", "record", "event", "state", "closed by", "closed at", "closed how", "closing record", "closing event"}}
	for i, o := range d.Punch {
		row := []string{strconv.Itoa(i + 1), o.Unit, o.Code, o.What, o.By, o.Due, o.Record, number(o.Event), "open", "", "", "", "", ""}
		if c := o.Closed; c != nil {
			row = append(row[:8], "closed", c.By, stamped(c.At), c.How, c.Record, number(c.Event))
		}
		rows = append(rows, row)
	}
	return writeCSV(w, rows)
}

// WriteSteps writes the steps by hand: RFC 4180 CSV in UTF-8.
func (d Document) WriteSteps(w io.Writer) error {
	rows := [][]string{{"unit", "part", "step", "required", "state", "initials", "at", "noted", "what is to be done", "what good looks like", "caution", "record", "event"}}
	for _, u := range d.Units {
		for _, s := range u.Steps {
			required := "advisory"
			if s.Required {
				required = "required"
			}
			rows = append(rows, []string{u.Name, s.Part, s.Name, required, s.State, s.Initials, stamped(s.At), s.Note, s.Do, s.Good, s.Caution, s.Record, number(s.Event)})
		}
	}
	return writeCSV(w, rows)
}

// WriteLooks writes the looks over the network: RFC 4180 CSV in UTF-8.
func (d Document) WriteLooks(w io.Writer) error {
	rows := [][]string{{"unit", "part", "what", "method", "state", "address or fingerprint", "before", "expected", "seen", "after in s", "at", "record", "event"}}
	for _, u := range d.Units {
		for _, l := range u.Looks {
			rows = append(rows, []string{u.Name, l.Part, l.Name, l.Method, l.State, l.Got, l.Before, l.Expected, l.Text,
				strconv.FormatFloat(l.After.Seconds(), 'f', 3, 64), stamped(l.At), l.Record, number(l.Event)})
		}
	}
	return writeCSV(w, rows)
}

// WriteProof writes what the last proofs read back: RFC 4180 CSV in UTF-8.
func (d Document) WriteProof(w io.Writer) error {
	rows := [][]string{{"unit", "name", "value", "planned", "read back", "verdict", "at", "record", "event"}}
	for _, u := range d.Units {
		if u.Proof == nil {
			continue
		}
		for _, l := range u.Proof.Lines {
			rows = append(rows, []string{u.Name, l.Name, l.Path, l.Planned, l.Read, l.Verdict, stamped(l.At), u.Proof.Record, number(l.Event)})
		}
	}
	return writeCSV(w, rows)
}

// stamped is a time as RFC 3339 has it; "" for none.
func stamped(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

func number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func writeCSV(w io.Writer, rows [][]string) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true // RFC 4180 2
	for _, row := range rows {
		for i := range row {
			row[i] = cell(row[i])
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("write the handover tables as CSV: %w", err)
	}
	return nil
}

// cell keeps a worksheet program from taking a text for a formula: an
// apostrophe before it (common practice, no source). The wide forms of the
// signs are taken for the signs by some programs.
func cell(text string) string {
	text = clean(text)
	first, size := utf8.DecodeRuneInString(strings.TrimLeftFunc(text, unicode.IsSpace))
	if size > 0 && strings.ContainsRune("=+-@|%＝＋－＠", first) {
		return "'" + text
	}
	return text
}
