package printout

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"linehand/cmd/internal/station"
)

var update = flag.Bool("update", false, "write the golden files anew")

func demo(t *testing.T) station.Report {
	t.Helper()
	r := station.Check(filepath.Join("..", "..", "..", "fixtures", "site", "skerrymore.yaml"), station.Options{Secrets: station.Warning})
	if r.Plan == nil {
		t.Fatal(r.Findings)
	}
	// What is found depends on the secrets of this machine, and the path on
	// the place of the tests.
	r.Profile, r.Lock.File = "skerrymore.yaml", "skerrymore.lock.yaml"
	r.Findings = station.Findings{
		{Severity: station.Error, File: "skerrymore.yaml", Line: 3, Column: 5, What: "it is wrong", Why: "a source", Mend: "write it right"},
		{Severity: station.Warning, File: "company.yaml", Line: 7, Column: 1, What: "look again"},
	}
	return r
}

func TestReport(t *testing.T) {
	var b strings.Builder
	Printout{W: &b}.Report(demo(t))
	golden := filepath.Join("testdata", "demo.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("not as in %s:\n%s", golden, b.String())
	}
	for line := range strings.Lines(b.String()) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > 100 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for _, section := range []string{"Power and heat", "Lifting"} {
		_, text, _ := strings.Cut(strings.Join(strings.Fields(b.String()), " "), section)
		if !strings.Contains(text, "defer to local codes and licensed practice") {
			t.Errorf("%s has no caution", section)
		}
	}
}

// Colour changes no word, and stands only where it is asked for.
func TestColour(t *testing.T) {
	var plain, coloured strings.Builder
	r := demo(t)
	Printout{W: &plain}.Report(r)
	Printout{W: &coloured, Colour: true}.Report(r)
	if strings.Contains(plain.String(), "\x1b") || !strings.Contains(coloured.String(), "\x1b[31merror\x1b[0m") {
		t.Error("colour where none is asked for, or none where it is")
	}
	text := coloured.String()
	for _, shade := range []string{"0", bold, faint, red, green, yellow} {
		text = strings.ReplaceAll(text, "\x1b["+shade+"m", "")
	}
	if text != plain.String() {
		t.Error("colour changes the text")
	}
}

func TestBrief(t *testing.T) {
	var b strings.Builder
	Printout{W: &b, Brief: true}.Report(demo(t))
	if strings.Contains(b.String(), "Racks") || !strings.Contains(b.String(), "is wrong") {
		t.Error(b.String())
	}
}
