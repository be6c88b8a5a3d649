package pack

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/paper"
)

// checkPDF makes sure that a PDF has as many objects as its table says, and
// that none runs anything.
func checkPDF(t *testing.T, data []byte) {
	t.Helper()
	for _, bad := range []string{"/JavaScript", "/JS", "/Launch", "/URI", "/Filespec", "/Type /EmbeddedFile"} {
		if bytes.Contains(data, []byte(bad)) {
			t.Errorf("the PDF has a %s", bad)
		}
	}
	objects := regexp.MustCompile(`(?m)^\d+ 0 obj`).FindAllIndex(data, -1)
	size := regexp.MustCompile(`/Size (\d+)`).FindSubmatch(data)
	if size == nil || fmt.Sprint(len(objects)+1) != string(size[1]) {
		t.Errorf("%d objects, and the trailer says %s", len(objects), size)
	}
}

// need gives a program of a Debian package, or skips the test where it is not
// installed. Under CI it has to be.
func need(t *testing.T, program, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	switch {
	case err == nil:
	case os.Getenv("CI") == "true":
		t.Fatalf("%s (Debian package %s) has to be installed under CI", program, pkg)
	default:
		t.Skipf("%s is not installed (Debian package %s)", program, pkg)
	}
	return path
}

func output(t *testing.T, program string, args ...string) string {
	t.Helper()
	var errs bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", program, err, errs.String())
	}
	return string(out)
}

// The text of the PDF can be taken out, and each page says which of how many
// it is.
func TestPDFText(t *testing.T) {
	program := need(t, "pdftotext", "poppler-utils")
	d := newDemo(t)
	path := filepath.Join(t.TempDir(), "handover.pdf")
	must(t, os.WriteFile(path, get(t, files(t, d.content(t, d.record(t, "deep-1", ""))), "handover.pdf"), 0o600))
	text := output(t, program, "-layout", path, "-")
	for _, want := range []string{"Skerrymore Acoustics Laboratory", "Contents", "deep-1", "BW24-2207-0113", "192.0.2.21", "360 TB", "double parity groups", "shelf-admin", "rack-3", "strip-3b", "RV", "2026-03-04 09:30:07 +01:00", "not sealed"} {
		if !strings.Contains(text, want) {
			t.Errorf("the PDF does not say %q", want)
		}
	}
	pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
	for i, page := range pages {
		if want := fmt.Sprintf("page %d of %d", i+1, len(pages)); !strings.Contains(page, want) {
			t.Errorf("page %d does not say %q", i+1, want)
		}
	}
	contents(t, pages)
}

// contents compares the list of contents with where the sections are.
func contents(t *testing.T, pages []string) {
	t.Helper()
	found := 0
	for _, m := range regexp.MustCompile(`(?m)^\s*([A-Z][A-Za-z -]+?)\s+(\d+)$`).FindAllStringSubmatch(pages[0], -1) {
		n := 0
		fmt.Sscan(m[2], &n)
		if n < 2 || n > len(pages) {
			continue
		}
		found++
		if !regexp.MustCompile(`(?m)^\s*` + regexp.QuoteMeta(m[1]) + `\s*$`).MatchString(pages[n-1]) {
			t.Errorf("%q is not on page %d, as the contents say", m[1], n)
		}
	}
	if found != 10 {
		t.Errorf("%d sections in the contents, want 10:\n%s", found, pages[0])
	}
}

// Every label's QR code, read by another program, says what it should.
func TestQRCodes(t *testing.T) {
	draw, read := need(t, "pdftoppm", "poppler-utils"), need(t, "zbarimg", "zbar-tools")
	d := newDemo(t)
	for _, size := range []LabelSize{UsualLabels, {50, 25}, {99.1, 67.7}} {
		c := d.content(t, d.record(t, "deep-1", ""))
		c.Labels = size
		dir := t.TempDir()
		must(t, os.WriteFile(filepath.Join(dir, "labels.pdf"), get(t, files(t, c), "labels.pdf"), 0o600))
		output(t, draw, "-gray", "-r", "300", "-png", filepath.Join(dir, "labels.pdf"), filepath.Join(dir, "sheet"))
		sheets, err := filepath.Glob(filepath.Join(dir, "sheet*.png"))
		must(t, err)
		var got []string
		for _, sheet := range sheets {
			out := output(t, read, "-q", "--raw", "-Sdisable", "-Sqrcode.enable", sheet)
			for part := range strings.SplitSeq(out, "unit: ") {
				if part != "" {
					got = append(got, "unit: "+strings.TrimSuffix(part, "\n"))
				}
			}
		}
		var want []string
		for _, u := range c.Document.Units {
			want = append(want, AssetText(c.Document.Site, u))
		}
		slices.Sort(got)
		slices.Sort(want)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("labels of %s (-want +read):\n%s", size, diff)
		}
	}
}

func TestParseLabelSize(t *testing.T) {
	for text, ok := range map[string]bool{"70x37": true, "63.5x38.1": true, "210x297": true, "": false, "70": false, "0x0": false, "NaNx40": false, "70x-3": false, "1e9x40": false, "ax40": false, "49x30": false} {
		if size, err := ParseLabelSize(text); (err == nil) != ok {
			t.Errorf("ParseLabelSize(%q) = %v, %v", text, size, err)
		}
	}
}

// Nothing that is printed is cut by the edge of the paper, whatever a unit
// says.
func TestWithinThePaper(t *testing.T) {
	program := need(t, "pdftotext", "poppler-utils")
	d := newDemo(t)
	for _, attack := range append(attacks, "") {
		list := files(t, d.content(t, d.record(t, "deep-1", attack)))
		within(t, program, get(t, list, "handover.pdf"), margin)
		within(t, program, get(t, list, "labels.pdf"), 0.5)
	}
}

var wordForm = regexp.MustCompile(`<word xMin="([0-9.-]+)" yMin="([0-9.-]+)" xMax="([0-9.-]+)" yMax="([0-9.-]+)">(.*)</word>`)

// within looks for words that come nearer to the edge than so many mm.
func within(t *testing.T, program string, pdf []byte, edge float64) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.pdf")
	must(t, os.WriteFile(path, pdf, 0o600))
	words := wordForm.FindAllStringSubmatch(output(t, program, "-bbox", path, "-"), -1)
	if len(words) < 50 {
		t.Fatalf("%d words on the paper", len(words))
	}
	for _, w := range words {
		var at [4]float64
		for i := range at {
			v, err := strconv.ParseFloat(w[i+1], 64)
			must(t, err)
			at[i] = v * paper.Point
		}
		if e := edge - 0.3; at[0] < e || at[2] > paperWide-e || at[1] < min(e, 5) || at[3] > paperHigh-min(e, 5) {
			t.Errorf("%.20q stands at %.1f mm", w[5], at)
		}
	}
}

// A unit cannot say more on a label than in its own line.
func TestAssetText(t *testing.T) {
	d := newDemo(t)
	for _, attack := range append(attacks, "x\nunit: other") {
		c := d.content(t, d.record(t, "deep-1", attack))
		for _, u := range c.Document.Units {
			text := AssetText(c.Document.Site, u)
			if u.Name == "deep-1" && (strings.Count(text, "\n") != 6 || strings.Count(text, "unit: deep-1\n") != 1 || len(text) > 500) {
				t.Errorf("%.40q gives %q", attack, text)
			}
		}
	}
}

// Every class of shapes has a look on paper and one on a screen.
func TestEveryClassHasALook(t *testing.T) {
	all := picturesOf(newDemo(t).content(t))
	for _, p := range slices.Concat(append(all.networks, all.racks, all.disks)...) {
		for _, s := range p.Shapes {
			for _, class := range strings.Fields(s.Class) {
				_, paper := inks[class]
				if s.Form == draw.Word {
					continue
				}
				if screen := strings.Contains(draw.Style, ".drawing ."+class+" "); !paper || !screen && !strings.Contains(draw.Style, ".drawing ."+class+",") {
					t.Errorf("%s: class %q has a look on paper: %v, on a screen: %v", p.ID, class, paper, screen)
				}
			}
		}
	}
}
