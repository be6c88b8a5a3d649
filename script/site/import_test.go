package site

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

const importProfile = `format: linehand.site/1
site: {name: skerrymore}
networks:
  - {name: quay, subnet: 192.0.2.0/24}
  - {name: seabed, subnet: 198.51.100.0/24}
kinds:
  shelf: {dialogue: none}
import:
  file: units.csv
  kind: shelf
  columns: {name: Unit, serial: "S/N", rack: Cabinet, at: U, join: Cluster}
  ports:
    - {name: e0, network: quay, address: Address 1}
    - {name: e1, network: seabed, address: Address 2}
units:
  - name: deep-2
    title: Said in the profile
    ports:
      - {name: e1, mtu: 9000}
`

func loadWith(t *testing.T, profile, csv string) (*Site, error) {
	t.Helper()
	dir := write(t, map[string]string{"site.yaml": profile, "units.csv": csv})
	return Load(filepath.Join(dir, "site.yaml"))
}

// withoutFolder takes the folder out of each place in an error.
func withoutFolder(err error) string {
	var out []string
	for _, line := range strings.Split(err.Error(), "\n") {
		if at := strings.LastIndex(strings.SplitN(line, ": ", 2)[0], string(filepath.Separator)); at >= 0 {
			line = line[at+1:]
		}
		out = append(out, line)
	}
	return strings.Join(out, "\n")
}

// The worksheet comes from a program that writes a byte-order mark,
// semicolons, CR LF (RFC 4180 2) and a line end inside quotes.
func TestImportCSV(t *testing.T) {
	s, err := loadWith(t, importProfile, "\ufeffUnit;S/N;Remark;Cabinet;U;Cluster;Address 1;Address 2\r\n"+
		"deep-1;BW24-2207-0113;\"first; or\r\nnearly\";rack-1;3;deep;192.0.2.21;198.51.100.21\r\n"+
		";;;;;;;\r\n"+
		" deep-2 ;0127;;;;;192.0.2.22;198.51.100.22\r\n")
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Units) != 2 {
		t.Fatalf("%d units", len(s.Units))
	}
	one, two := s.Units[0], s.Units[1]
	if one.Name.Value != "deep-1" || one.Kind.Value != "shelf" || one.Place.Rack.Value != "rack-1" || one.Place.At.Value != 3 || one.Cluster.Mode != Join || one.Cluster.Name.Value != "deep" {
		t.Errorf("%+v", one)
	}
	if one.Ports[1].Address.Value != "198.51.100.21" || one.Ports[1].Network.Value != "seabed" {
		t.Errorf("%+v", one.Ports)
	}
	if got := one.Ports[0].Address.Pos; filepath.Base(got.File) != "units.csv" || got.Line != 2 || got.Column != 7 {
		t.Errorf("the address stands at %s", got)
	}
	if two.Serial.Value != "0127" || two.Serial.Pos.Line != 5 || two.Title.Value != "Said in the profile" || two.Ports[1].MTU.Value != 9000 || two.Place.Rack.Value != "" {
		t.Errorf("%+v", two)
	}
}

func TestImportFaults(t *testing.T) {
	const header = "Unit,S/N,Cabinet,U,Cluster,Address 1,Address 2\n"
	tests := []struct{ name, old, new, csv, want string }{
		{"address", "", "", header + "deep-2,1,,,,192.0.2.322,198.51.100.22\n", `units.csv:2:6: address: "192.0.2.322" is not an address; write four numbers of 0 to 255 with dots, or an IPv6 address (RFC 4291 2.2)`},
		{"no name", "", "", header + ",1,,,,192.0.2.22,\n", `units.csv:2:1: the row is rejected: it has nothing in the column "Unit"; write the unit's name there, or empty the row`},
		{"twice", "", "", header + "deep-1,1,,,,,\ndeep-1,2,,,,,\n", `units.csv:3:1: a unit named "deep-1" was there before, on line 2; give one of the two another name`},
		{"rack unit", "", "", header + "deep-2,1,rack-1,top,,,198.51.100.22\n", `units.csv:2:4: at: "top" is not the lowest rack unit that it fills; write a whole number from 1 to 60`},
		{"column not there", "Cabinet", "Cabinett", header, `site.yaml:11:46: units.csv has no column "Cabinett"; did you mean "Cabinet"?`},
		{"column twice", "", "", "Unit,Unit\n", `units.csv:1:2: two columns are named "Unit"; rename one of the two`},
		{"empty", "", "", "", `units.csv:1:1: the worksheet is empty; write the names of the columns in its first row`},
		{"bare quote", "", "", header + "deep-2,4\"2,,,,,\n", `units.csv:2:1: this is not CSV: bare " in non-quoted-field; put a cell that holds quotes in quotes, and double those inside it (RFC 4180 2)`},
		{"latin-1", "", "", header + "k\xfchl,1,,,,,\n", `units.csv:2:1: the file is not UTF-8 text; save it as CSV UTF-8`},
		{"UTF-16", "", "", "U\x00n\x00i\x00t\x00", `units.csv:1:1: the file holds a NUL and is no text; save it as CSV UTF-8`},
		{"file not there", "file: units.csv", "file: rooms.csv", header, `site.yaml:9:9: rooms.csv cannot be read: file does not exist; name a file that is there and may be read`},
		{"other ending", "file: units.csv", "file: units.ods", header, `site.yaml:9:9: file: "units.ods" is neither a .csv nor an .xlsx file; save the worksheet as one of the two`},
		{"columns not said", "name: Unit, ", "", header + "deep-2,1,,,,,\n", `site.yaml:9:3: the import does not say which column holds the units' names; write columns: {name: COLUMN} in it`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := loader{read: func(path string) ([]byte, error) {
				switch path {
				case "site.yaml":
					return []byte(strings.Replace(importProfile, tt.old, tt.new, 1)), nil
				case "units.csv":
					return []byte(tt.csv), nil
				}
				return nil, fs.ErrNotExist
			}}
			_, err := l.load([]string{"site.yaml"})
			if err == nil {
				t.Fatal("taken as it is")
			}
			if got := withoutFolder(err); got != tt.want {
				t.Errorf("\ngot  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func workbook(t *testing.T, fill func(f *excelize.File)) string {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	fill(f)
	path := filepath.Join(t.TempDir(), "units.xlsx")
	if err := f.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	return path
}

func writeText(path, text string) error { return os.WriteFile(path, []byte(text), 0o600) }

func set(t *testing.T, f *excelize.File, sheet, cell string, value any) {
	t.Helper()
	if err := f.SetCellValue(sheet, cell, value); err != nil {
		t.Fatal(err)
	}
}

func TestImportWorkbook(t *testing.T) {
	fill := func(f *excelize.File) {
		if _, err := f.NewSheet("Plan"); err != nil {
			t.Fatal(err)
		}
		for i, word := range []string{"Unit", "S/N", "Cabinet", "U", "Cluster", "Address 1", "Address 2"} {
			cell, _ := excelize.CoordinatesToCellName(i+1, 3) // two empty rows above
			set(t, f, "Plan", cell, word)
		}
		set(t, f, "Plan", "A4", "deep-2")
		set(t, f, "Plan", "B4", 127)
		set(t, f, "Plan", "C4", "rack-1")
		set(t, f, "Plan", "D4", 3)
		set(t, f, "Plan", "F4", "192.0.2.22")
	}
	load := func(path, sheet string) (*Site, error) {
		dir := filepath.Dir(path)
		profile := strings.Replace(importProfile, "file: units.csv", "file: units.xlsx\n  sheet: "+sheet, 1)
		if err := writeText(filepath.Join(dir, "site.yaml"), profile); err != nil {
			t.Fatal(err)
		}
		return Load(filepath.Join(dir, "site.yaml"))
	}
	path := workbook(t, fill)
	s, err := load(path, "Plan")
	if err != nil {
		// The profile gives deep-2 a second port that the worksheet leaves open.
		if got := withoutFolder(err); !strings.Contains(got, `the port "e1" has no`) {
			t.Fatal(err)
		}
	} else {
		t.Fatalf("a port without an address is taken: %+v", s.Units)
	}
	full := workbook(t, func(f *excelize.File) { fill(f); set(t, f, "Plan", "G4", "198.51.100.22") })
	if s, err = load(full, "Plan"); err != nil {
		t.Fatal(err)
	}
	u := s.Units[0]
	if u.Serial.Value != "127" || u.Place.At.Value != 3 || u.Ports[0].Address.Pos.Line != 4 || u.Ports[0].Address.Pos.Column != 6 {
		t.Errorf("%+v", u)
	}
	if _, err := load(full, "Other"); err == nil || !strings.Contains(err.Error(), `the workbook has no worksheet "Other"; its worksheets are Sheet1, Plan`) {
		t.Errorf("%v", err)
	}
	formula := workbook(t, func(f *excelize.File) {
		fill(f)
		if err := f.SetCellFormula("Plan", "G4", `="198.51.100.22"`); err != nil {
			t.Fatal(err)
		}
		set(t, f, "Plan", "A5", "deep-3")
		if err := f.SetCellDefault("Plan", "B5", "1.23E+25"); err != nil {
			t.Fatal(err)
		}
	})
	_, err = load(formula, "Plan")
	want := "units.xlsx:4:7: the row is rejected: the cell G4 holds a formula; write its value there\n" +
		"units.xlsx:5:2: the row is rejected: the cell B5 holds a number in scientific form, which may have lost digits; format the column as text and write it again"
	if err == nil || withoutFolder(err) != want {
		t.Errorf("\ngot  %v\nwant %s", err, want)
	}
	if err := writeText(formula, "no workbook"); err != nil {
		t.Fatal(err)
	}
	if _, err = load(formula, "Plan"); err == nil || !strings.Contains(err.Error(), "the workbook cannot be read") {
		t.Errorf("%v", err)
	}
}
