package disk

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// TestAgainstPython compares 100,000 random cases with exact fractions and
// decimals of another language's standard library, in one process.
func TestAgainstPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("python3 is not installed, and CI must not skip the cross-check")
		}
		t.Skip("python3 is not installed")
	}
	const cases = 100_000
	random := rand.New(rand.NewPCG(16, 45))
	all := make([]pythonCase, cases)
	var input bytes.Buffer
	for i := range all {
		all[i] = randomCase(random)
		all[i].write(&input)
	}
	command := exec.Command(python, "-I", "testdata/figures.py")
	command.Stdin = &input
	var complaints bytes.Buffer
	command.Stderr = &complaints
	output, err := command.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, complaints.String())
	}
	lines := bufio.NewScanner(bytes.NewReader(output))
	for i, c := range all {
		if !lines.Scan() {
			t.Fatalf("%d answers to %d cases", i, cases)
		}
		if difference := c.compare(strings.Split(lines.Text(), "\t")); difference != "" {
			t.Fatalf("case %d: %s over %d drives, %d spares: %s", i, c.layout, len(c.drives), c.spares, difference)
		}
	}
}

type pythonCase struct {
	layout Layout
	drives []Size
	spares int
	stated Stated
	places int
}

func randomCase(r *rand.Rand) pythonCase {
	c := pythonCase{layout: Layout{Kind: Kinds()[r.IntN(7)]}, spares: r.IntN(4), places: r.IntN(7)}
	members := 4 + r.IntN(40)
	switch c.layout.Kind {
	case Mirrored:
		members = 2 + r.IntN(6)
	case StripedMirrors:
		c.layout.Copies = 2 + r.IntN(3)
		members = c.layout.Copies * (2 + r.IntN(10))
	case SingleParityGroups, DoubleParityGroups:
		c.layout.Groups = 2 + r.IntN(5)
		members = c.layout.Groups * (4 + r.IntN(9))
	}
	most := int64(1) << (10 + r.IntN(36)) // kilobytes to tens of terabytes
	for range members + c.spares {
		c.drives = append(c.drives, Size(most/2+1+r.Int64N(most)))
	}
	c.stated = Stated{
		RebuildRate: Size(1e6 + r.Int64N(5e9)), VerifyRate: Size(1e6 + r.Int64N(5e9)),
		ReadErrors: []float64{1e-13, 1e-14, 1e-15, 1e-16, 1e-17}[r.IntN(5)],
		MTTF:       Hours(1000 + r.Int64N(5e6)), MTTR: Hours(1 + r.Int64N(500)),
	}
	return c
}

func (c pythonCase) write(b *bytes.Buffer) {
	s := c.stated
	fmt.Fprintf(b, "%s\t%d\t%d\t%d\t%d\t%d\t%g\t%.0f\t%.0f\t%d\t", c.layout.Kind, c.layout.Copies, c.layout.Groups,
		c.spares, int64(s.RebuildRate), int64(s.VerifyRate), s.ReadErrors, float64(s.MTTF), float64(s.MTTR), c.places)
	for i, d := range c.drives {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(strconv.FormatInt(int64(d), 10))
	}
	b.WriteByte('\n')
}

// compare gives the first difference, "" when there is none.
func (c pythonCase) compare(want []string) string {
	f, err := Work(c.layout, c.drives, c.spares, c.stated)
	if err != nil {
		return err.Error()
	}
	last := Rebuild{}
	if len(f.Rebuilds) > 0 {
		last = f.Rebuilds[len(f.Rebuilds)-1]
	}
	got := []string{
		fmt.Sprint(int64(f.Raw)), fmt.Sprint(int64(f.Usable)), fmt.Sprint(f.Certain), fmt.Sprint(f.AtBest), fmt.Sprint(int64(last.Reads)),
		"", "", fmt.Sprint(int64(f.Rebuild)), fmt.Sprint(int64(f.Verify)), f.Usable.Decimal(c.places), f.Usable.Binary(c.places),
	}
	if len(want) != len(got) {
		return fmt.Sprintf("%d values, want %d", len(got), len(want))
	}
	for i, name := range strings.Fields("raw usable certain best reads chance MTTDL rebuild verify decimal binary") {
		if got[i] != "" && got[i] != want[i] {
			return fmt.Sprintf("%s is %s, want %s", name, got[i], want[i])
		}
	}
	if !near(last.Unreadable, want[5]) || !near(float64(f.MTTDL), want[6]) {
		return fmt.Sprintf("chance %g and MTTDL %g, want %s and %s", last.Unreadable, float64(f.MTTDL), want[5], want[6])
	}
	return ""
}

// near allows for the rounding of a dozen operations.
func near(got float64, want string) bool {
	w, err := strconv.ParseFloat(want, 64)
	return err == nil && (got == w || math.Abs(got-w) <= 1e-12*math.Abs(w))
}
