package sheet

import (
	"bytes"
	"fmt"
	"strings"

	"github.com/xuri/excelize/v2"
)

// A small file can unpack to a very large one. These bound what unpacking
// may take, in bytes.
const (
	mostUnpacked = 256 << 20
	mostPart     = 32 << 20 // of one part in memory; larger ones go through the disk
)

func readWorkbook(data []byte, name string) (*Table, error) {
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: mostUnpacked, UnzipXMLSizeLimit: mostPart})
	if err != nil {
		return nil, &Fault{What: "the workbook cannot be read: " + err.Error(), Mend: "save it again as .xlsx, without a password"}
	}
	defer f.Close()
	sheets := f.GetSheetList()
	if len(sheets) == 0 {
		return nil, &Fault{What: "the workbook has no worksheet", Mend: "save it again as .xlsx"}
	}
	if name == "" {
		name = sheets[0]
	}
	if at, err := f.GetSheetIndex(name); err != nil || at < 0 {
		return nil, &Fault{What: fmt.Sprintf("the workbook has no worksheet %q", name), Mend: "its worksheets are " + strings.Join(sheets, ", ")}
	}
	return readRows(f, name)
}

func readRows(f *excelize.File, sheet string) (*Table, error) {
	rows, err := f.Rows(sheet)
	if err != nil {
		return nil, &Fault{What: "the worksheet cannot be read: " + err.Error(), Mend: "save it again as .xlsx"}
	}
	defer rows.Close()
	b := builder{}
	for row := 1; rows.Next(); row++ {
		texts, err := rows.Columns()
		if err != nil {
			return nil, &Fault{row, 1, "the row cannot be read: " + err.Error(), "save the workbook again as .xlsx"}
		}
		if len(texts) > MaxColumns {
			return nil, &Fault{row, MaxColumns + 1, fmt.Sprintf("the row has %d columns, and %d is the most", len(texts), MaxColumns), "take out the columns that are not needed"}
		}
		cells := make([]Cell, len(texts))
		for i, text := range texts {
			cells[i] = cell(f, sheet, row, i+1, text)
		}
		if err := b.add(cells); err != nil {
			return nil, err
		}
	}
	if err := rows.Error(); err != nil {
		return nil, &Fault{What: "the worksheet cannot be read: " + err.Error(), Mend: "save it again as .xlsx"}
	}
	return b.table()
}

// cell reads one cell. The raw value is taken: what a format shows may be
// rounded. A long number that was stored in scientific form has lost digits.
func cell(f *excelize.File, sheet string, row, column int, text string) Cell {
	c := Cell{Text: trim(text), Row: row, Column: column}
	at, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		return c
	}
	if formula, err := f.GetCellFormula(sheet, at); err == nil && formula != "" {
		c.Text, c.Fault, c.Mend = "", "the cell "+at+" holds a formula", "write its value there"
		return c
	}
	if c.Text == "" {
		return c
	}
	kind, err := f.GetCellType(sheet, at)
	switch {
	case err != nil:
	case kind == excelize.CellTypeError:
		c.Fault, c.Mend = "the cell "+at+" holds an error of the worksheet", "write its value there"
	case (kind == excelize.CellTypeNumber || kind == excelize.CellTypeUnset) && strings.ContainsAny(c.Text, "eE"):
		c.Fault, c.Mend = "the cell "+at+" holds a number in scientific form, which may have lost digits", "format the column as text and write it again"
	}
	return c
}
