package worksheet

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// visit is a profile of one shelf with all that a visit can have.
var visit = map[string]string{
	"site.yaml": `format: linehand.site/1
site: {name: bay, demonstration: true}
networks:
  - {name: quay, subnet: 192.0.2.0/24, gateway: 192.0.2.1}
kinds:
  shelf:
    dialogue: first.yaml
    set-up: set.yaml
    proof: prove.yaml
    reach: ssh
    ssh: {user: keeper, port: 2222}
    roles: {admin: shelf-admin}
    drives: {count: 4, size: 2 TB}
    storage: {layout: double parity}
    times: {waiting: 12m}
secrets: {shelf-admin: {env: SHELF_ADMIN}}
visit: {technicians: 1, lines: 1, without: [bezel and doors], advisory: [labels]}
units:
  - name: a-1
    kind: shelf
    serial: A1
    ports: [{name: e0, network: quay, address: 192.0.2.21}]
`,
	"first.yaml": `format: linehand.dialogue/1
name: shelf
facts: {serial: 'Serial (\S+)'}
before:
  - step: own step
    do: Look at ${unit.name}
    caution: It is hot
    source: common practice, no source
    good: It is cold
    otherwise: Wait
    picture: |2
        /\
       /  \
after:
  - general: all
  - step: pages
    do: Open the page of ${unit.name}
    values:
      - {label: Address of the log, value: '${port.address}'}
      - {label: New pass phrase, value: '${secret.admin}'}
    must-show: Saved
serves:
  within: 12m
  looks:
    - {what: 'e0 of ${unit.name}', address: '${port.address}', by: https, port: 443}
stages:
  - {stage: name, within: 1m, exchanges: [{prompt: 'Name:', answer: '${unit.name}'}]}
`,
	"set.yaml": `format: linehand.dialogue/1
name: shelf-set-up
facts: {serial: 'Serial (\S+)'}
stages:
  - {stage: pool, within: 1m, exchanges: [{prompt: '>', answer: 'pool ${storage.layout} ${storage.use}'}]}
`,
	"prove.yaml": `format: linehand.dialogue/1
name: shelf-proof
facts: {serial: 'Serial (\S+)'}
stages:
  - {stage: look, looks: true, within: 1m, exchanges: [{prompt: '>', answer: 'show all'}]}
`,
}

// TestWholeVisit: a sheet has the whole visit in its order, the steps as the
// dialogue and the site say them.
func TestWholeVisit(t *testing.T) {
	dir := t.TempDir()
	for name, text := range visit {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	set := sheets(t, filepath.Join(dir, "site.yaml"))
	text := plain(set.Units[0])
	at := 0
	for _, want := range []string{
		"! It is hot. Defer to local codes and licensed practice. Source: common practice, no source.",
		"Own step (hold point): Look at a-1 | It is cold | Wait", "  /\\\n /  \\\n",
		"== Stage: name", "== Waiting", "e0 of a-1 answers | 192.0.2.21 | by HTTPS, port 443",
		"== Set-up: pool", "Over SSH, port 2222, as keeper", "pool double parity 4", "== Proof: look", "show all",
		"== By hand, at the end", "Labels: ", "Pages: Open the page of a-1", "Address of the log | 192.0.2.21", "New pass phrase | ‹secret shelf-admin›", "At the end its page shows | Saved",
		"== Signed",
	} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("no %q after what comes before it:\n%s", want, text)
		}
		at += i
	}
	if strings.Contains(text, "Bezel and doors") {
		t.Error("a step that the site goes without is on the sheet")
	}
	if strings.Contains(text, "Unpack") {
		t.Error("the dialogue says its own steps before it, and the general set is there too")
	}
	for _, s := range set.Units[0].Sections {
		if i := slices.IndexFunc(s.Rows, func(r Row) bool { return r.Form == Told && (r.Hold || r.Caution != "") }); i >= 0 {
			t.Errorf("what is only told is a hold point: %+v", s.Rows[i])
		}
	}
	page := asHTML(t, set)
	for _, want := range []string{"<strong>Own step (hold point)</strong>", `<strong>Caution.</strong> It is hot. Defer`, "Good: It is cold", "Else: Wait", "<pre>  /\\\n /  \\</pre>"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
}

// TestCautionOnEachPage: a caution that holds for many steps stands once on
// each page that has any of them.
func TestCautionOnEachPage(t *testing.T) {
	reader, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext is not there")
	}
	set := &Set{Site: "bay", Units: []Unit{{Name: "a-1", Sections: []Section{{Title: "Cables"}}}}}
	for i := range 60 {
		set.Units[0].Sections[0].Rows = append(set.Units[0].Sections[0].Rows,
			Row{Name: fmt.Sprintf("cable %d", i), Do: "Plug it in", Caution: "Mind the light. Source: IEC 60825-2.", Again: i > 0})
	}
	file := filepath.Join(t.TempDir(), "sheet.pdf")
	if err := os.WriteFile(file, pdf(t, set, A4), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(reader, "-layout", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	pages := strings.Split(strings.TrimRight(string(out), "\f\n"), "\f")
	if len(pages) < 3 {
		t.Fatalf("%d pages are too few to tell", len(pages))
	}
	for i, page := range pages {
		if n := strings.Count(page, "CAUTION. Mind the light."); n != 1 {
			t.Errorf("page %d has the caution %d times", i+1, n)
		}
	}
}
