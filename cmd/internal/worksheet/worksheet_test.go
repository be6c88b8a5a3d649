package worksheet

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"linehand/cmd/internal/paper"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/rack"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

var update = flag.Bool("update", false, "write the golden sheet anew")

const demo = "../../../fixtures/site/skerrymore.yaml"

// sheets lays out the sheets of a profile's units.
func sheets(t testing.TB, profile string) *Set {
	t.Helper()
	s, err := site.Load(profile)
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if p == nil {
		t.Fatal(problems.Err())
	}
	load := func(path string) *script.Dialogue {
		d, err := script.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	all, _ := sums.Work(s, p, sums.Options{Dialogue: load})
	set, err := Make(p, all, p.Units, func(u *plan.Unit) (Talks, error) {
		var t Talks
		for _, part := range []struct {
			to   **script.Dialogue
			path string
		}{{&t.First, u.Dialogue}, {&t.SetUp, u.SetUp}, {&t.Proof, u.Proof}} {
			if part.path != "" {
				*part.to = load(part.path)
			}
		}
		return t, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// hostile is a set whose texts are long, odd or mean to break out.
func hostile() *Set {
	long := strings.Repeat("Averyveryverylongwordwithoutanyblank", 8)
	return &Set{Site: `</title><script>alert(1)</script> 鯨の歌 ` + long, Digest: "00", Units: []Unit{{
		Name: strings.Repeat("a-very-long-unit-name-", 3), Kind: "<b>box</b>", Title: long + "\u202egnp.exe", Serial: `"><img src=x>`, Place: long, Plan: strings.Repeat("ab", 32),
		Sections: []Section{{Title: long, Caution: long, Notes: []string{long}, Rows: []Row{
			{Do: strings.Repeat("word ", 2000), Value: strings.Repeat("x", 4000), Note: long},
			{Form: Stop, Do: "<script>", Value: "\x1b[31m\U0001F40B"},
			{Form: Compare, Do: "", Value: ""},
		}}},
	}}}
}

func pdf(t testing.TB, s *Set, size Paper) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := s.PDF(&b, size); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asHTML(t testing.TB, s *Set) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// plain writes a sheet as text, for the golden file. Its place in the schedule
// is left out: that is another package's.
func plain(u Unit) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s | %s | %s | %s | %s\n", u.Name, u.Kind, u.Title, u.Serial, u.Place)
	for _, s := range u.Sections {
		fmt.Fprintf(&b, "\n== %s\n", s.Title)
		for _, n := range s.Notes {
			fmt.Fprintf(&b, "   %s\n", n)
		}
		if s.Caution != "" {
			fmt.Fprintf(&b, " ! %s\n", s.Caution)
		}
		for _, r := range s.Rows {
			value := r.Value
			if r.Secret {
				value = "‹secret " + value + "›"
			}
			if r.Caution != "" && !r.Again {
				fmt.Fprintf(&b, " ! %s\n", r.Caution)
			}
			do := r.Do
			if r.Name != "" {
				do = nameOf(&r) + ": " + do
			}
			fmt.Fprintf(&b, " %s %s | %s | %s\n", [...]string{"tick", "answer", "compare", "measure", "stop", "else", "told"}[r.Form], do, value, r.Note+r.Otherwise)
			if r.Picture != "" {
				fmt.Fprintf(&b, "%s\n", strings.TrimRight(r.Picture, "\n"))
			}
		}
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	set := sheets(t, demo)
	for _, name := range []string{"deep-2", "strip-1a"} {
		i := slices.IndexFunc(set.Units, func(u Unit) bool { return u.Name == name })
		got, file := plain(set.Units[i]), filepath.Join("testdata", name+".golden")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("the sheet of %s is not that of %s:\n%s", name, file, got)
		}
	}
}

// TestOrder: what must come before power does, and in its order. The order is
// the job's own, step by step; the figures of the strap are those of package
// rack, with their source there.
func TestOrder(t *testing.T) {
	set := sheets(t, demo)
	strap := rack.WristStrap()
	for _, u := range set.Units {
		text := plain(u)
		steps := []string{fmt.Sprintf("person to ground at most %.0f MΩ", strap.MaxOhm/1e6), "Static strap (hold point)", "Modules (hold point)", "Switches off (hold point)", "Power cord 1 (hold point)", "Hands clear (hold point)", "Supply 1 on (hold point)", "Lights at the start"}
		if strings.HasPrefix(u.Name, "deep") || strings.HasPrefix(u.Name, "shallow") {
			steps = []string{steps[0], "drives out first, then lifting device", steps[1], "Rails:", "Drives out (hold point)", "Lift (hold point)", "Drives (hold point)", steps[2], "Data cable e0", "Data cable e3", steps[3], steps[4],
				"Power cord 2 (hold point)", steps[5], steps[6], "Supply 2 on (hold point)", steps[7],
				"Controller in charge (hold point)", "Null-modem cable on the console port of the controller that is in charge", "Sign in:", "Unit name:", "Name of the cluster:", "read back",
				"Lights at the end (hold point)", "Labels:", "Name of the session record"}
		}
		at := 0
		for _, step := range steps {
			i := strings.Index(text[at:], step)
			if i < 0 {
				t.Errorf("%s: no %q after what comes before it", u.Name, step)
				break
			}
			at += i
		}
		cautions := 0
		for _, s := range u.Sections {
			for _, r := range s.Rows {
				if r.Caution == "" {
					continue
				}
				cautions++
				if !strings.Contains(r.Caution, "Source: ") || !strings.Contains(strings.ToLower(r.Caution), "local codes and licensed practice") {
					t.Errorf("%s, %s: the caution names no source, or defers to nobody: %s", u.Name, r.Name, r.Caution)
				}
			}
		}
		if cautions < 8 {
			t.Errorf("%s: %d cautions", u.Name, cautions)
		}
	}
}

// TestNoReference: a sheet tells neither a secret nor where one is kept.
func TestNoReference(t *testing.T) {
	const value = "Kelp7Forest9Drift"
	t.Setenv("LINEHAND_S24_FACTORY", value)
	t.Setenv("LINEHAND_X48_FACTORY", value)
	set := sheets(t, demo)
	text := asHTML(t, set)
	for _, u := range set.Units {
		text += plain(u)
	}
	for _, kept := range []string{value, "LINEHAND_", "secrets/", "New administrator secret"} {
		if strings.Contains(text, kept) {
			t.Errorf("a sheet has %q", kept)
		}
	}
	for _, name := range []string{"s24-factory", "deep-join", "shelf-admin"} {
		if !strings.Contains(text, name) {
			t.Errorf("no sheet names the secret %s", name)
		}
	}
}

// TestSameBytes: the same plan gives the same PDF, whatever the time of day.
func TestSameBytes(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		first := pdf(t, sheets(t, demo), paper)
		if !bytes.Equal(first, pdf(t, sheets(t, demo), paper)) {
			t.Errorf("%s: the same plan gives other bytes", paper)
		}
	}
	if first, again := asHTML(t, sheets(t, demo)), asHTML(t, sheets(t, demo)); first != again {
		t.Error("HTML: the same plan gives other bytes")
	}
}

// TestPaper: sizes by ISO 216 (210 by 297 mm) and of Letter (8.5 by 11 in),
// in points of 1/72 in, as the PDF says them.
func TestPaper(t *testing.T) {
	for paper, want := range map[Paper]string{A4: "[0 0 595.28 841.89]", Letter: "[0 0 612.00 792.00]"} {
		if got := pdf(t, hostile(), paper); !bytes.Contains(got, []byte("/MediaBox "+want)) {
			t.Errorf("%s: no MediaBox of %s", paper, want)
		}
	}
	if _, err := ParsePaper("a5"); err == nil {
		t.Error("a5 was taken")
	}
}

// TestPDFText reads the PDF back with another program: text can be selected,
// pages are numbered for each unit, and what no face has is there as its
// number.
func TestPDFText(t *testing.T) {
	reader, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext is not there")
	}
	read := func(s *Set) string {
		file := filepath.Join(t.TempDir(), "sheet.pdf")
		if err := os.WriteFile(file, pdf(t, s, A4), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(reader, "-layout", file, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	text := read(sheets(t, demo))
	for _, want := range []string{"198.51.100.26", "Name of the cluster:", "skerry-deep", "750 kΩ to 10 MΩ", "STOP", "ELSE"} {
		if !strings.Contains(text, want) {
			t.Errorf("the PDF has no %q", want)
		}
	}
	total := regexp.MustCompile(`unit deep-1, page 1 of (\d+)`).FindStringSubmatch(text)
	if total == nil {
		t.Fatal("pages are not numbered")
	}
	if n := len(regexp.MustCompile(`unit deep-1, page \d+ of `+total[1]+`\b`).FindAllString(text, -1)); strconv.Itoa(n) != total[1] {
		t.Errorf("deep-1 has %d pages, and they say %s", n, total[1])
	}
	odd := read(hostile())
	for _, want := range []string{"‹U+9BE8›", "‹U+202E›", "‹U+001B›", "‹U+1F40B›"} {
		if !strings.Contains(strings.Join(strings.Fields(odd), ""), want) {
			t.Errorf("the PDF of odd texts has no %s", want)
		}
	}
	if n := strings.Count(odd, "word"); n < 2000 {
		t.Errorf("%d of 2000 words of a long row are there", n)
	}
}

// TestRows: whatever the rows, none is drawn below the foot or beside its
// column, and no line of a long one is lost.
func TestRows(t *testing.T) {
	p, err := newPress(hostile(), A4, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.unit = &p.set.Units[0]
	p.pages = []int{0}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringN(0, 400, -1).Draw(t, "text")
		room := rapid.Float64Range(12, 80).Draw(t, "room")
		lines := p.wrap(paper.Mono, typeSize, text, room)
		for _, line := range lines {
			if w := p.pdf.GetStringWidth(line); w > room {
				t.Fatalf("line %q is %g mm wide, and has %g", line, w, room)
			}
		}
		if got, want := strings.Join(strings.Fields(strings.Join(lines, " ")), ""), strings.Join(strings.Fields(paper.Printable(text)), ""); got != want {
			t.Fatalf("wrapped to %q, want %q", got, want)
		}
		l := laid{do: lines, value: lines, write: true}
		count := 0
		for {
			now, rest := l.split()
			if h := now.height(); h > p.bottom-margin-20 {
				t.Fatalf("a part of a row is %g mm high", h)
			}
			count += len(now.do)
			if rest == nil {
				break
			}
			l = *rest
		}
		if count != len(lines) {
			t.Fatalf("%d of %d lines are drawn", count, len(lines))
		}
	})
}

func TestHTML(t *testing.T) {
	for name, set := range map[string]*Set{"demo": sheets(t, demo), "hostile": hostile()} {
		text := asHTML(t, set)
		var open []string
		acts := "" // attributes and styles: a URL that is only read refers to nothing
		z := html.NewTokenizer(strings.NewReader(text))
		for {
			kind := z.Next()
			if kind == html.ErrorToken {
				break
			}
			token := z.Token()
			for _, a := range token.Attr {
				acts += " " + a.Key + "=" + a.Val
			}
			if len(open) > 0 && open[len(open)-1] == "style" {
				acts += token.Data
			}
			switch kind {
			case html.StartTagToken:
				if token.Data == "script" || token.Data == "img" || token.Data == "link" {
					t.Errorf("%s: <%s> is on the page", name, token.Data)
				}
				if token.Data != "meta" {
					open = append(open, token.Data)
				}
			case html.EndTagToken:
				if len(open) == 0 || open[len(open)-1] != token.Data {
					t.Fatalf("%s: </%s> closes %v", name, token.Data, open)
				}
				open = open[:len(open)-1]
			}
		}
		if len(open) > 0 {
			t.Errorf("%s: never closed: %v", name, open)
		}
		if found := regexp.MustCompile(`(?i)https?://|@import|url\(| src=| on[a-z]+=`).FindString(acts); found != "" {
			t.Errorf("%s: the page refers to something outside, or acts: %q", name, found)
		}
	}
}

func TestWording(t *testing.T) {
	for _, test := range []struct{ regexp, want string }{
		{`S24 \S+>`, "S24 …>"},
		{`Gateway of e0 \[[0-9.]+\]:`, "Gateway of e0 […]:"},
		{`Cluster \S+ found, \d+ members?\. Join secret:`, "Cluster … found, … members. Join secret:"},
		{`(?m)^login:\s*$`, "login:…"},
		{`a\S+\d+b`, "a…b"},
	} {
		if got := wording(script.Pattern{Text: test.regexp, Regexp: true}); got != test.want {
			t.Errorf("wording of %s is %q, want %q", test.regexp, got, test.want)
		}
	}
	if got := wording(script.Pattern{Text: "[y/n] "}); got != "[y/n]" {
		t.Errorf("plain text became %q", got)
	}
}
