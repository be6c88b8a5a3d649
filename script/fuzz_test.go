package script

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// FuzzParse: any bytes are read or refused without a panic; a refusal names
// places in the file, and what is read can be linted, with values and
// without.
func FuzzParse(f *testing.F) {
	seeds, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range append(seeds, "testdata/example.yaml") {
		src, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Add([]byte(minimal("  - stage: a\n    exchanges: [{prompt: 'Name:', answer: '${join(map(unit.ports, {.name}), \",\")}'}]\n")))
	f.Fuzz(func(t *testing.T, src []byte) {
		d, err := Parse("d.yaml", src)
		if err != nil {
			for line := range strings.SplitSeq(err.Error(), "\n") {
				if !strings.HasPrefix(line, "d.yaml:") {
					t.Fatalf("a fault without its place: %q", line)
				}
			}
			return
		}
		for _, finding := range slices.Concat(Lint(d), LintValues(d, shelf()), LintSteps(d.Before, shelf()), LintSteps(d.After, shelf())) {
			if finding.Pos.Line < 1 || finding.Mend == "" {
				t.Fatalf("a finding without place or mend: %v", finding)
			}
		}
	})
}

// FuzzAnswer: an answer compiles or says why not, and what compiles renders
// or says why not, within the limits.
func FuzzAnswer(f *testing.F) {
	for _, seed := range []string{"${unit.name}", "${secret.join-a}", "$${x}", "${ports[\"e0\"].address}", "${a ? b : c}", "${filter(unit.ports, {.mtu > 0})[0].name}", "${join(site.dns, ',')}", "${1/0}", "${2**1000}"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, source string) {
		answer, faults := compileAnswer(newScope(), source, placeAt(Pos{}))
		if len(faults) > 0 {
			return
		}
		pieces, err := answer.Render(shelf())
		if err != nil {
			return
		}
		for _, piece := range pieces {
			if len(piece.Text) > 1<<20 {
				t.Fatalf("%d bytes out of %q", len(piece.Text), source)
			}
		}
	})
}
