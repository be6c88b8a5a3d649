package lift

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
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

// randomTask has round values often, so that the edges of the tables are met.
func randomTask(r *rand.Rand) Task {
	pick := func(top float64, edges ...float64) float64 {
		if r.IntN(3) == 0 {
			return edges[r.IntN(len(edges))]
		}
		return r.Float64() * top
	}
	point := func() Point {
		return Point{H: pick(70, 0, 10, 25, 25.1, 63, 63.1), V: pick(190, 0, 30, 29.9, 70, 75, 74.9, 175, 175.1), A: pick(150, 0, 45, 135, 135.1)}
	}
	return Task{System: System(r.IntN(2)), Load: .1 + 60*r.Float64(), Origin: point(), Destination: point(), Control: r.IntN(2) == 1,
		Rate: pick(17, 0, .2, .5, 1, 2.4, 9, 13, 15, 15.1), Duration: Duration(r.IntN(3)), Coupling: Coupling(r.IntN(3))}
}

func TestAgainstPython(t *testing.T) {
	const cases = 120_000
	r := rand.New(rand.NewPCG(94, 110))
	tasks := make([]Task, cases)
	var input bytes.Buffer
	for i := range tasks {
		x := randomTask(r)
		tasks[i] = x
		control := 0
		if x.Control {
			control = 1
		}
		fmt.Fprintln(&input, int(x.System), x.Load, x.Origin.H, x.Origin.V, x.Origin.A, x.Destination.H, x.Destination.V, x.Destination.A,
			control, x.Rate, int(x.Duration), int(x.Coupling))
	}
	lines := python(t, "testdata/equation.py", input.Bytes())
	zero := 0
	for i, x := range tasks {
		var at, to, counts float64
		if !lines.Scan() {
			t.Fatalf("no answer to case %d", i)
		}
		if _, err := fmt.Sscan(lines.Text(), &at, &to, &counts); err != nil {
			t.Fatal(err)
		}
		got, err := Assess(x)
		if err != nil {
			t.Fatal(err)
		}
		if !near(got.Origin.RWL, at) || !near(got.Destination.RWL, to) || !near(got.RWL, counts) {
			t.Fatalf("case %d %+v: %v, %v, %v; python says %v, %v, %v", i, x, got.Origin.RWL, got.Destination.RWL, got.RWL, at, to, counts)
		}
		if counts == 0 {
			zero++
		}
	}
	if zero < cases/50 || zero > cases*9/10 {
		t.Errorf("%d of %d cases are beyond the equation: the cases test little", zero, cases)
	}
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }
