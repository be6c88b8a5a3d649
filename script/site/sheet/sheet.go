// Package sheet reads a table out of a worksheet that people already have: a
// CSV file (RFC 4180) or an XLSX workbook. It knows nothing of what the
// columns mean. Every cell knows its row and column, as the worksheet counts
// them, and a cell that cannot be taken says why.
//
// It never works out a formula: the stored result may be old, and a formula
// in a file from outside is not to be trusted.
package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"unicode/utf8"
)

// Limits on one worksheet, far above what one site needs.
const (
	MaxRows    = 200_000
	MaxColumns = 256
)

// Cell is one cell. Row and Column count from 1. In a CSV file the row is the
// line where the record starts.
type Cell struct {
	Text        string // blanks at the ends taken off
	Row, Column int
	Fault, Mend string // why it cannot be taken; "" when it can
}

// Table is a worksheet: the first row that is not empty names the columns.
type Table struct {
	Header []Cell
	Rows   [][]Cell // empty rows are left out
}

// Fault is why a worksheet cannot be read; Row 0: as a whole.
type Fault struct {
	Row, Column int
	What, Mend  string
}

// Error gives what is wrong and how to mend it.
func (f *Fault) Error() string { return f.What + "; " + f.Mend }

// Read reads a worksheet by the ending of its name. The name of a sheet is
// for workbooks; "" is the first one. An error is a *Fault.
func Read(name string, data []byte, sheet string) (*Table, error) {
	if strings.EqualFold(filepath.Ext(name), ".xlsx") {
		return readWorkbook(data, sheet)
	}
	return readCSV(data)
}

var byteOrderMark = []byte("\xef\xbb\xbf")

func readCSV(data []byte) (*Table, error) {
	data = bytes.TrimPrefix(data, byteOrderMark)
	if !utf8.Valid(data) {
		good := 0
		for r, n := utf8.DecodeRune(data); r != utf8.RuneError || n > 1; r, n = utf8.DecodeRune(data[good:]) {
			good += n
		}
		return nil, &Fault{1 + bytes.Count(data[:good], []byte("\n")), 1, "the file is not UTF-8 text", "save it as CSV UTF-8"}
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, &Fault{1 + bytes.Count(data[:i], []byte("\n")), 1, "the file holds a NUL and is no text", "save it as CSV UTF-8"}
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.FieldsPerRecord = -1
	r.Comma = separator(data)
	b := builder{}
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return b.table()
		}
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			return nil, &Fault{bad.Line, 1, "this is not CSV: " + bad.Err.Error(), "put a cell that holds quotes in quotes, and double those inside it (RFC 4180 2)"}
		}
		if err != nil {
			return nil, &Fault{What: "the file cannot be read: " + err.Error(), Mend: "save it again"}
		}
		line, _ := r.FieldPos(0)
		cells := make([]Cell, len(record))
		for i, text := range record {
			cells[i] = Cell{Text: trim(text), Row: line, Column: i + 1}
		}
		if err := b.add(cells); err != nil {
			return nil, err
		}
	}
}

// separator looks at the first line: worksheet programs write semicolons
// where the comma is the decimal sign, and some write tabs.
func separator(data []byte) rune {
	first, _, _ := bytes.Cut(data, []byte("\n"))
	best := ','
	for _, r := range ";\t" {
		if bytes.Count(first, []byte(string(r))) > bytes.Count(first, []byte(string(best))) {
			best = r
		}
	}
	return best
}

func trim(s string) string { return strings.Trim(s, " \t\r\n\u00a0") }

type builder struct {
	t Table
}

func (b *builder) add(cells []Cell) error {
	empty := true
	for i := range cells {
		empty = empty && cells[i].Text == "" && cells[i].Fault == ""
	}
	switch {
	case empty:
		return nil
	case len(cells) > MaxColumns:
		return &Fault{cells[0].Row, MaxColumns + 1, fmt.Sprintf("the row has %d columns, and %d is the most", len(cells), MaxColumns), "take out the columns that are not needed"}
	case b.t.Header == nil:
		return b.header(cells)
	case len(b.t.Rows) == MaxRows:
		return &Fault{cells[0].Row, 1, fmt.Sprintf("the worksheet has more than %d rows", MaxRows), "split it"}
	}
	b.t.Rows = append(b.t.Rows, cells)
	return nil
}

func (b *builder) header(cells []Cell) error {
	seen := make(map[string]bool, len(cells))
	for _, c := range cells {
		if c.Text != "" && seen[c.Text] {
			return &Fault{c.Row, c.Column, fmt.Sprintf("two columns are named %q", c.Text), "rename one of the two"}
		}
		seen[c.Text] = true
	}
	b.t.Header = cells
	return nil
}

func (b *builder) table() (*Table, error) {
	if b.t.Header == nil {
		return nil, &Fault{What: "the worksheet is empty", Mend: "write the names of the columns in its first row"}
	}
	return &b.t, nil
}
