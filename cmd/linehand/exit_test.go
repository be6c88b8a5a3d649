package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script/engine"
	"linehand/transcript"
	"linehand/transcript/audit"
)

func TestExitCode(t *testing.T) {
	for _, test := range []struct {
		name string
		err  error
		want int
	}{
		{"none", nil, 0},
		{"unknown", errors.New("boom"), 1},
		{"usage", usage("", "wrong"), 2},
		{"findings", fmt.Errorf("wrapped: %w", station.Findings{{What: "wrong"}}), 3},
		{"secret", &station.SecretError{Unit: "u", Err: errors.New("none")}, 4},
		{"line absent", &lineError{"u", fmt.Errorf("line: %w", console.ErrAbsent)}, 5},
		{"line busy", &lineError{"u", &console.BusyError{Name: "l"}}, 5},
		{"record", &station.RecordError{Err: errors.New("disk full")}, 21},
		{"stopped", context.Canceled, 22},
		{"stopped while opening", &lineError{"u", context.Canceled}, 22},
		{"no record", transcript.ErrNotRecord, 33},
		{"other version", transcript.ErrOtherVersion, 33},
	} {
		if got := exitCode(test.err); got != test.want {
			t.Errorf("%s: exit code %d, want %d", test.name, got, test.want)
		}
	}
}

// TestExitCodesAreTold: the help text and README list the same codes, and
// every ending of a run is among them.
func TestExitCodesAreTold(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	told := codes(t, `(?m)^ {1,3}(\d+)  `, exitHelp)
	if in := codes(t, `(?m)^\| (\d+) \| `, string(readme)); !slices.Equal(in, told) {
		t.Errorf("README lists %v\nthe help text %v", in, told)
	}
	for _, how := range []engine.How{engine.Done, engine.Already, engine.Differs, engine.Held, engine.Refused, engine.Chassis, engine.Silent, engine.Garbled,
		engine.LoopBack, engine.Strange, engine.Overdue, engine.Lost, engine.Failed, engine.Stopped, engine.NoRecord, engine.Broken, engine.Open} {
		if !slices.Contains(told, how.ExitCode()) {
			t.Errorf("exit code %d of ending %s is not told", how.ExitCode(), how)
		}
	}
}

func codes(t *testing.T, pattern, text string) []int {
	t.Helper()
	var out []int
	for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1) {
		n, err := strconv.Atoi(m[1])
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, n)
	}
	if len(out) < 20 {
		t.Fatalf("only %v found", out)
	}
	return out
}

// Each verdict of an audit has its exit code; a visit that is open has that of
// its run.
func TestAuditCode(t *testing.T) {
	for verdict, want := range map[audit.Verdict]int{audit.AsPlanned: 0, audit.Open: 23, audit.Differs: 30, audit.NotWhole: 31, audit.NotFinished: 32, audit.Unplanned: 34} {
		if got := auditCode(verdict); got != want {
			t.Errorf("%s: exit code %d, want %d", verdict, got, want)
		}
	}
}
