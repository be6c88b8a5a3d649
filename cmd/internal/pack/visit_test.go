package pack

import (
	"bytes"
	"encoding/csv"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"linehand/fixtures/visited"
	"linehand/transcript"
)

var keep = flag.String("keep-visit", "", "write the pack of a visit into this folder, to be looked at")

// visit is the bytes of a record of a unit of the demo site, with text put
// into all that can be said in it.
func (d demo) visit(t testing.TB, name, mode, text string, days int) []byte {
	t.Helper()
	u, err := d.plan.Unit(name)
	must(t, err)
	unit := visited.Unit{Name: u.Name, Serial: u.Serial, Address: u.Planned["ports.e0.address"]}
	h := visited.Header(unit, mode, time.Date(2026, 3, 4+days, 9, 30, 0, 0, time.FixedZone("", 3600)))
	h.Plan, h.Planned = u.SHA256, u.Planned
	h.Person += text
	events := visited.Visit(unit)
	if mode == transcript.ProofMode {
		events = visited.Proof(unit)
	}
	if text != "" {
		events = visited.Hostile(events, text)
	}
	path := filepath.Join(t.TempDir(), "a.record")
	must(t, visited.Write(path, h, events, nil))
	data, err := os.ReadFile(path)
	must(t, err)
	return data
}

// The pack of a visit that ended open, and of it with the proof that closes
// it, has all on paper and on the page.
func TestVisitPack(t *testing.T) {
	d := newDemo(t)
	one, two, other := d.visit(t, "deep-1", transcript.VisitMode, "", 0), d.visit(t, "deep-1", transcript.ProofMode, "", 2), d.visit(t, "deep-2", transcript.VisitMode, "", 1)
	list := files(t, d.content(t, one, two, other))
	if *keep != "" {
		must(t, Write(*keep, list))
	}
	page := get(t, list, "handover.html")
	checkPage(t, page)
	checkPDF(t, get(t, list, "handover.pdf"))
	words := regexp.MustCompile(`<[^>]*>`).ReplaceAllString(string(page), " ")
	paper := output(t, need(t, "pdftotext", "poppler-utils"), "-layout", tempFile(t, get(t, list, "handover.pdf")), "-")
	for what, text := range map[string]string{"page": words, "paper": paper} {
		text = strings.Join(strings.Fields(text), " ")
		for _, want := range []string{
			"Steps by hand", "Switch both supplies", "Leave the supply", "IEC 62368-1", "NOT GOOD", "the left clip is broken", "RV",
			"Parts and waiting", "by icmp", "12m", "Proof of deep-1", "factory sign-in", "Punch list", "What was open, and is closed", "M. Orr", "2026-03-09", "2026-03-06", "Sign-off", "disk check still runs",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("the %s does not say %q", what, want)
			}
		}
	}
	if n := strings.Count(words, "to be filled in"); n < 10 {
		t.Errorf("%d boxes are left to be filled in: units that are not signed off have them", n)
	}
}

func tempFile(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.pdf")
	must(t, os.WriteFile(path, data, 0o600))
	return path
}

// The order of the records changes nothing, and nor does a second making.
func TestVisitSameBytes(t *testing.T) {
	d := newDemo(t)
	records := [][]byte{d.visit(t, "deep-1", transcript.VisitMode, "", 0), d.visit(t, "deep-1", transcript.ProofMode, "", 2), d.visit(t, "deep-2", transcript.VisitMode, "", 1)}
	first := files(t, d.content(t, records...))
	slices.Reverse(records)
	second := files(t, newDemo(t).content(t, records...))
	if len(first) != len(second) {
		t.Fatalf("%d and %d files", len(first), len(second))
	}
	for i := range first {
		if first[i].Name != second[i].Name || !bytes.Equal(first[i].Data, second[i].Data) {
			t.Errorf("%s and %s differ", first[i].Name, second[i].Name)
		}
	}
}

// Notes of steps, points, looks and signatures are text in every form.
func TestHostileVisit(t *testing.T) {
	d := newDemo(t)
	for _, attack := range attacks {
		list := files(t, d.content(t, d.visit(t, "deep-1", transcript.VisitMode, attack, 0), d.visit(t, "deep-1", transcript.ProofMode, attack, 2)))
		page := get(t, list, "handover.html")
		checkPage(t, page)
		if bytes.ContainsAny(page, "\x1b\u202e\u2066\x00") {
			t.Errorf("%.40q: characters that steer are in the page", attack)
		}
		checkPDF(t, get(t, list, "handover.pdf"))
		for _, f := range list {
			if !fileForm.MatchString(f.Name) {
				t.Errorf("%.40q: a file is called %q", attack, f.Name)
			}
			if strings.HasSuffix(f.Name, ".csv") {
				noFormulas(t, f)
			}
		}
	}
}

func noFormulas(t *testing.T, f File) {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(f.Data)).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", f.Name, err)
	}
	for _, row := range rows {
		for _, cell := range row {
			if cell = strings.TrimSpace(cell); cell != "" && strings.ContainsAny(cell[:1], "=+-@|%") {
				t.Errorf("%s: a worksheet program could take %.40q for a formula", f.Name, cell)
			}
		}
	}
}
