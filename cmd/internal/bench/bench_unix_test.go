//go:build unix

package bench_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/transcript"
)

// cpu is what this process has used.
func cpu(b testing.TB) time.Duration {
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
func switches(b testing.TB, dir string, n int) *station.Sheet {
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

// TestManyLines measures 64 lines at 9600, on each of which a switch comes up
// with its boot log: with nobody who looks, and with 20 people who look at all
// lines and 20 who have stopped reading.
func TestManyLines(t *testing.T) {
	r := openResults(t, "64 lines at 9600 with boot logs; bench and simulated units in one process")
	for _, people := range []int{20, 0} {
		manyLines(t, r, 64, people)
	}
}

func manyLines(t *testing.T, out *results, lines, people int) {
	r := newRig(t, 1, lines, nil)
	r.cfg.Sheet = switches(t, filepath.Dir(r.cfg.Data), lines)
	r.sheet = r.cfg.Sheet
	r.secrets = throwaway(r.sheet)
	r.start()
	ctx, cancel := context.WithCancel(t.Context())
	var watching sync.WaitGroup
	var screens atomic.Int64
	for range people {
		changes := r.d.Watch(ctx)
		watching.Go(func() {
			for range changes {
			}
		})
		r.d.Watch(ctx) // nobody reads it
		for n := range lines {
			id := fmt.Sprintf("unix:cable-%d", n+1)
			shown, err := r.d.Show(ctx, id)
			ok(t, "show", err)
			_, err = r.d.Show(ctx, id) // nobody reads it
			ok(t, "show", err)
			watching.Go(func() {
				for range shown {
					screens.Add(1)
				}
			})
		}
	}
	began, before := time.Now(), cpu(t)
	var sessions []*sim.Session
	for n, u := range r.sheet.Plan.Units[:lines] {
		p := newPlug()
		r.cables[fmt.Sprintf("unix:cable-%d", n+1)].to(p)
		sessions = append(sessions, sim.Start(ctx, simulated(t, u, r.secrets, 1), p, sim.Options{Seed: uint64(n), Paced: true, Burst: 16, Settings: console.Default}))
	}
	holds := 0
	for n := range lines {
		id := fmt.Sprintf("unix:cable-%d", n+1)
		for { // a machine that is too busy has gaps in what a line says, and may take one for a prompt
			l := r.until(id, "finished, or on hold", func(l bench.Line) bool { return l.State == bench.Finished || l.State == bench.Holding })
			if l.State == bench.Finished {
				if l.Ending.Code != "done" {
					t.Errorf("%s ended as %+v", l.Unit, l.Ending)
				}
				break
			}
			holds++
			time.Sleep(5 * time.Second)
			_ = r.d.Release(ctx, robin, l.Hold.ID, bench.Release{Choice: "again"}) // it may have lifted by itself
		}
	}
	took, used := time.Since(began), cpu(t)-before
	var memory runtime.MemStats
	runtime.ReadMemStats(&memory)
	_, resident := usedOf(t, []int{os.Getpid()})
	out.say("%d people look, as many have stopped reading: all done in %s; %.2f processors (%.1f ms of CPU a second and line); %d MB in use, %d MB resident; %.0f screens/s; %d holds",
		people, took.Round(time.Second/10), used.Seconds()/took.Seconds(), used.Seconds()*1000/took.Seconds()/float64(lines), memory.HeapInuse>>20, resident>>20, float64(screens.Load())/took.Seconds(), holds)
	out.say("  from the last byte of a prompt to the first of its answer, of which 20 ms are waited on purpose: %s", percentiles(answerTimes(t, r.cfg.Records)))
	cancel()
	watching.Wait()
	for _, s := range sessions {
		s.Stop()
	}
	r.finish()
	r.close()
}

// answerTimes are how long answers took, by the records in a folder.
func answerTimes(t *testing.T, folder string) (list []time.Duration) {
	t.Helper()
	paths, _ := filepath.Glob(filepath.Join(folder, "*.record"))
	for _, path := range paths {
		rec, err := transcript.Read(path)
		if err != nil {
			t.Fatal(err)
		}
		heard := time.Duration(-1)
		for _, e := range rec.Events {
			switch {
			case e.Kind == transcript.Heard:
				heard = e.At
			case e.Kind == transcript.Said && e.Why == "answer" && heard >= 0:
				list = append(list, e.At-heard)
				heard = -1
			}
		}
	}
	return list
}
