package sheet

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

// RFC 4180 section 2: quotes, doubled quotes, separators and line ends in
// quoted fields; a last line without its end.
func TestReadCSV(t *testing.T) {
	table, err := Read("a.csv", []byte("\ufeffa,b,c\r\n1,\"x\"\"y, z\",\"two\r\nlines\"\r\n\r\n2, three ,"), "")
	if err != nil {
		t.Fatal(err)
	}
	if table.Header[0].Text != "a" || len(table.Rows) != 2 {
		t.Fatalf("%+v", table)
	}
	if got := table.Rows[0][1].Text; got != `x"y, z` {
		t.Errorf("%q", got)
	}
	last := table.Rows[1]
	if last[0].Row != 5 || last[1].Text != "three" || last[2].Text != "" {
		t.Errorf("%+v", last)
	}
}

func TestReadFaults(t *testing.T) {
	wide := strings.Repeat("x,", MaxColumns) + "x\n"
	for name, tt := range map[string]struct {
		file, data string
		row        int
		want       string
	}{
		"too wide":     {"a.csv", wide, 1, "the row has 257 columns"},
		"too long":     {"a.csv", strings.Repeat("x\n", MaxRows+2), MaxRows + 2, "more than 200000 rows"},
		"bare quote":   {"a.csv", "a\n\"b\"c\n", 2, "this is not CSV"},
		"only a mark":  {"a.csv", "\ufeff", 0, "is empty"},
		"no workbook":  {"a.xlsx", "a,b\n", 0, "the workbook cannot be read"},
		"no text":      {"a.csv", "a\nb\x00\n", 2, "holds a NUL"},
		"two alike":    {"a.csv", "\na,b,a\n", 2, `two columns are named "a"`},
		"cut workbook": {"a.xlsx", "PK\x03\x04", 0, "the workbook cannot be read"},
	} {
		_, err := Read(tt.file, []byte(tt.data), "")
		var f *Fault
		if !errors.As(err, &f) || f.Row != tt.row || !strings.Contains(f.What, tt.want) || f.Mend == "" {
			t.Errorf("%s: %+v, want %q in row %d", name, err, tt.want, tt.row)
		}
	}
}

// A workbook that unpacks to more than is allowed is refused before it is.
func TestWorkbookThatUnpacksToTooMuch(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	if err := f.SetCellValue("Sheet1", "A1", strings.Repeat("x", 1000)); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	if _, err := excelize.OpenReader(bytes.NewReader(b.Bytes()), excelize.Options{UnzipSizeLimit: 1000, UnzipXMLSizeLimit: 1000}); err == nil {
		t.Error("the library's limit does not hold")
	}
	if table, err := Read("a.xlsx", b.Bytes(), ""); err != nil || len(table.Header) != 1 {
		t.Errorf("%v, %v", table, err)
	}
}

// FuzzCSV: reading ends, each cell knows its place, and a fault says what to
// do.
func FuzzCSV(f *testing.F) {
	for _, s := range []string{"a,b\n1,2\n", "a;b\n\"1\n", "\xff", "\ufeffa\tb\n\n1\t2", "a\n\n\n,,,\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		table, err := Read("a.csv", data, "")
		if err != nil {
			var f *Fault
			if !errors.As(err, &f) || f.What == "" || f.Mend == "" || f.Row < 0 {
				t.Fatalf("%+v", err)
			}
			return
		}
		for _, row := range append(table.Rows, table.Header) {
			for i, c := range row {
				if c.Column != i+1 || c.Row < 1 {
					t.Fatalf("%+v", c)
				}
			}
		}
	})
}
