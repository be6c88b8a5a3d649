package plan

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"

	"linehand/script/site"
)

func TestExport(t *testing.T) {
	p := demo(t)
	var b bytes.Buffer
	if err := p.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Count(b.String(), "\r\n"); lines != strings.Count(b.String(), "\n") {
		t.Error("lines do not end in CR LF (RFC 4180 2)")
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+4*4+2*2+6 {
		t.Errorf("%d rows", len(rows))
	}
	want := "deep-1,brackwater-s24,BW24-2207-0113,First shelf of the deep-water recordings,skerry-deep,start,rack-1,3,e0,quay,192.0.2.21,24,255.255.255.0,192.0.2.1,2001:db8:5c::9,64,2001:db8:5c::1,10,"
	if got := strings.Join(rows[3], ","); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	b.Reset()
	if err := p.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var back struct{ Units []Listed }
	if err := json.Unmarshal(b.Bytes(), &back); err != nil || len(back.Units) != 12 || back.Units[1].Ports[0].Address != "192.0.2.21" || back.Units[1].SHA256 != p.Units[1].SHA256 {
		t.Errorf("%v, %+v", err, back)
	}
}

func TestExportGuardsFormulas(t *testing.T) {
	text := strings.Replace(cleanProfile(t), "serial: BW24-2207-0127", "serial: '=HYPERLINK(\"x\")'\n    title: '-1 \"quoted\", and more'", 1)
	s, err := site.Parse("site.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := Make(s)
	if p == nil {
		t.Fatal(problems)
	}
	var b bytes.Buffer
	if err := p.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	last := rows[len(rows)-1]
	if last[2] != `'=HYPERLINK("x")` || last[3] != `'-1 "quoted", and more` {
		t.Errorf("%q", last)
	}
}
