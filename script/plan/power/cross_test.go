package power

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

// python runs a script of testdata over all of input at once. Where there is
// no python3 the check is skipped, but not under CI.
func python(t *testing.T, script string, input []byte) *bufio.Scanner {
	t.Helper()
	path, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the cross-check must run under CI: %v", err)
		}
		t.Skipf("no cross-check here: %v", err)
	}
	cmd := exec.Command(path, script)
	cmd.Stdin = bytes.NewReader(input)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", script, err, stderr.String())
	}
	return bufio.NewScanner(bytes.NewReader(out))
}

type plan struct {
	feeds []Feed
	units []Unit
}

func randomPlan(r *rand.Rand) plan {
	var p plan
	for i := range 1 + r.IntN(3) {
		f := Feed{Name: fmt.Sprint(i), Volts: 100 + 380*r.Float64(), Phases: 1, Breaker: 32}
		if r.IntN(2) == 0 {
			f.Phases = 3
		}
		p.feeds = append(p.feeds, f)
	}
	for i := range 1 + r.IntN(3) {
		u := Unit{Name: fmt.Sprint(i), Watts: 1 + 3000*r.Float64(), Factor: .5 + .5*r.Float64()}
		for range 1 + r.IntN(3) {
			c := Cord{Feed: fmt.Sprint(r.IntN(len(p.feeds)))}
			if n, _ := strconv.Atoi(c.Feed); p.feeds[n].Phases == 3 {
				c.Pair = pairs[r.IntN(len(pairs))]
			}
			u.Cords = append(u.Cords, c)
		}
		p.units = append(p.units, u)
	}
	return p
}

func (p plan) write(w *bytes.Buffer) {
	fmt.Fprint(w, len(p.feeds), len(p.units))
	for _, f := range p.feeds {
		fmt.Fprint(w, " ", f.Phases, " ", f.Volts)
	}
	for _, u := range p.units {
		fmt.Fprint(w, " ", u.Watts, " ", u.Factor, " ", len(u.Cords))
		for _, c := range u.Cords {
			fmt.Fprint(w, " ", c.Feed, " ", max(c.Pair.index(), 0))
		}
	}
	w.WriteByte('\n')
}

// results lists what python lists. A failure that changes nothing is the
// normal state.
func (p plan) results() []float64 {
	report := Check(p.feeds, p.units)
	var all []float64
	for i, f := range report.Feeds {
		for failed := -1; failed < len(p.feeds); failed++ {
			if failed == i {
				continue
			}
			s := f.Normal
			for _, other := range f.Failures {
				if failed >= 0 && other.Failed == p.feeds[failed].Name {
					s = other
				}
			}
			all = append(all, s.Lines[0], s.Lines[1], s.Lines[2], s.Neutral)
		}
	}
	return append(all, report.Heat.BTUh)
}

func TestAgainstPython(t *testing.T) {
	const cases = 100_000
	r := rand.New(rand.NewPCG(210, 20))
	plans := make([]plan, cases)
	var input bytes.Buffer
	for i := range plans {
		plans[i] = randomPlan(r)
		plans[i].write(&input)
	}
	lines := python(t, "testdata/feeds.py", input.Bytes())
	for i, p := range plans {
		if !lines.Scan() {
			t.Fatalf("no answer to case %d", i)
		}
		want, got := strings.Fields(lines.Text()), p.results()
		if len(want) != len(got) {
			t.Fatalf("case %d: %d results, python has %d", i, len(got), len(want))
		}
		for k := range want {
			v, err := strconv.ParseFloat(want[k], 64)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(got[k]-v) > 1e-9*math.Max(1, math.Abs(v))+1e-7 {
				t.Fatalf("case %d %+v: result %d is %v, python says %v", i, p, k, got[k], v)
			}
		}
	}
}
