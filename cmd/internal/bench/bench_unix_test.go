//go:build unix

package bench_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/fixtures/sim"
)

// cpu is what this process has used.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkLines brings up a switch on each of 64 lines at 9600 with its boot
// log, while 20 people watch all lines. Simulated units are in the same
// process, and in the CPU time.
func BenchmarkLines(b *testing.B) {
	const lines, people = 64, 20
	for range b.N {
		r := newRig(b, 1, lines, nil)
		r.cfg.Sheet = switches(b, filepath.Dir(r.cfg.Data), lines)
		r.sheet = r.cfg.Sheet
		r.secrets = throwaway(r.sheet)
		r.start()
		var watching sync.WaitGroup
		ctx := b.Context()
		screens := make([]int, people*lines)
		for n := range screens {
			shown, err := r.d.Show(ctx, fmt.Sprintf("unix:cable-%d", n%lines+1))
			if err != nil {
				b.Fatal(err)
			}
			watching.Go(func() {
				for range shown {
					screens[n]++
				}
			})
		}
		began, before := time.Now(), cpu(b)
		for n := range lines {
			u := r.sheet.Plan.Units[n]
			p := newPlug()
			r.cables[fmt.Sprintf("unix:cable-%d", n+1)].to(p)
			s := sim.Start(ctx, simulated(b, u, r.secrets, 1), p, sim.Options{Seed: uint64(n), Paced: true, Burst: 16, Settings: console.Default})
			defer s.Stop()
		}
		var most time.Duration
		for n := range lines {
			l := r.until(fmt.Sprintf("unix:cable-%d", n+1), "finished", in(bench.Finished))
			most = max(most, l.Ending.At.Sub(l.Begun))
			if l.Ending.Code != "done" {
				b.Errorf("%s ended as %+v", l.Unit, l.Ending)
			}
		}
		took := time.Since(began)
		b.ReportMetric(float64((cpu(b)-before).Microseconds())/1000/took.Seconds()/lines, "cpu-ms/line-s")
		b.ReportMetric(took.Seconds(), "s")
		b.ReportMetric(most.Seconds(), "longest-run-s")
		total := 0
		for _, n := range screens {
			total += n
		}
		b.ReportMetric(float64(total)/took.Seconds(), "screens/s")
		r.finish()
		r.close()
	}
}

// switches lays out a site of so many switches.
func switches(b *testing.B, dir string, n int) *station.Sheet {
	b.Helper()
	var text strings.Builder
	text.WriteString("format: linehand.site/1\ndefaults: company.yaml\nsite: {name: holm, title: Holm, demonstration: true}\nnetworks:\n  - {name: quay, subnet: 192.0.2.0/24, gateway: 192.0.2.1, vlan: 10}\nunits:\n")
	for i := range n {
		fmt.Fprintf(&text, "  - {name: sw-%02d, kind: quillon-x48, serial: QX48-%04d, ports: [{name: m0, network: quay, address: 192.0.2.%d}]}\n", i+1, i+1, 20+i)
	}
	if err := os.WriteFile(filepath.Join(dir, "site", "batch.yaml"), []byte(text.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	return reread(b, dir)
}
