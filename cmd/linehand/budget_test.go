package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// What the program may weigh, for linux/amd64 as `make build` makes it. What
// each dependency costs stands in fixtures/results/dependencies.txt; whoever
// raises a budget says there what for.
const (
	sizeBudget    = 68e6 // bytes, tables for debuggers included
	packageBudget = 620  // linked in, those of the standard library included
	moduleBudget  = 88   // linked in, this one included
)

func TestBudget(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program")
	}
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		t.Skip("the budget is for linux/amd64")
	}
	out, err := exec.Command("go", "list", "-deps", "-f", "{{.ImportPath}} {{with .Module}}{{.Path}}{{end}}", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	modules := map[string]bool{}
	packages := 0
	for line := range strings.Lines(string(out)) {
		packages++
		if _, module, _ := strings.Cut(strings.TrimSpace(line), " "); module != "" {
			modules[module] = true
		}
	}
	program := filepath.Join(t.TempDir(), "linehand")
	if out, err := exec.Command("go", "build", "-trimpath", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	info, err := os.Stat(program)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%.1f MB, %d packages of %d modules", float64(info.Size())/1e6, packages, len(modules))
	for _, b := range []struct {
		what      string
		is, limit float64
	}{{"bytes", float64(info.Size()), sizeBudget}, {"packages", float64(packages), packageBudget}, {"modules", float64(len(modules)), moduleBudget}} {
		if b.is > b.limit {
			t.Errorf("the program has %.0f %s; its budget is %.0f", b.is, b.what, b.limit)
		}
	}
}
