package sums_test

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
)

// largeSite is a profile of n units, n a multiple of ten: racks of eight
// shelves, a cluster each, and two outlet strips. A shelf has four ports, two
// cords, drives and a place.
func largeSite(n int) []byte {
	var b strings.Builder
	b.WriteString("format: linehand.site/1\nsite: {name: large, dns: [10.0.0.3]}\nnetworks:\n  - {name: a, subnet: 10.0.0.0/9, gateway: 10.0.0.1}\n  - {name: b, subnet: 10.128.0.0/9}\nkinds:\n")
	b.WriteString("  shelf: {dialogue: shelf.yaml, height-u: 4, weight-kg: 20, depth-mm: 700, watts: 300, power-factor: 0.95, supplies: 2, inlet: C14, drives: {count: 12, size: 8 TB, weight-kg: 0.7, rebuild-mb-s: 150, unreadable: 1 in 10^15, mttf-h: 1000000}, times: {boot: 5m, waiting: 12m, by-hand: 35m}}\n")
	b.WriteString("  strip: {dialogue: none, watts: 1, power-factor: 1, supplies: 1, inlet: C20, outlets: 8, weight-kg: 3}\n")
	b.WriteString("visit: {technicians: 4, lines: 16}\nfeeds:\n")
	racks := n / 10
	for i := range 2 * racks {
		fmt.Fprintf(&b, "  - {name: f%d, volts: 230, breaker-a: 32, code: IEC}\n", i)
	}
	b.WriteString("racks:\n")
	for i := range racks {
		fmt.Fprintf(&b, "  - {name: r%d, units-high: 42, load-kg: 900, floor-mm: 85, depth-mm: 1000, feeds: [f%d, f%d]}\n", i, 2*i, 2*i+1)
	}
	b.WriteString("clusters:\n")
	for i := range racks {
		fmt.Fprintf(&b, "  - {name: c%d, address: %s, network: a}\n", i, ten(1<<22+i))
	}
	b.WriteString("units:\n")
	for i := range 2 * racks {
		fmt.Fprintf(&b, "  - {name: s%d, kind: strip, serial: S%d, place: {rack: r%d}, cords: {1: f%d}}\n", i, i, i/2, i)
	}
	for i := range 8 * racks {
		mode := "join"
		if i%8 == 0 {
			mode = "start"
		}
		fmt.Fprintf(&b, "  - name: shelf-%d\n    kind: shelf\n    serial: BW24-%06d\n    cluster: {%s: c%d}\n    place: {rack: r%d, at: %d}\n    cords: {1: s%d, 2: s%d}\n    storage: {layout: double parity, spares: 2}\n    ports:\n", i, i, mode, i/8, i/8, 1+i%8*4, i/8*2, i/8*2+1)
		fmt.Fprintf(&b, "      - {name: e0, network: a, address: %s}\n", ten(16+i))
		for port := 1; port < 4; port++ {
			fmt.Fprintf(&b, "      - {name: e%d, network: b, address: %s, group: data}\n", port, ten(1<<23+16+3*i+port))
		}
	}
	return []byte(b.String())
}

func ten(i int) string { return fmt.Sprintf("10.%d.%d.%d", i>>16&255, i>>8&255, i&255) }

const shelfDialogue = `format: linehand.dialogue/1
name: shelf
title: First boot of a shelf
line: {speed: 9600, framing: 8N1, enter: CR}
identity: not printed
stages:
  - stage: address
    exchanges:
      - {prompt: 'Name of the unit:', answer: '${unit.name}'}
      - {prompt: 'Address:', answer: '${port.address}'}
      - {prompt: 'Mask:', answer: '${port.mask}'}
      - {prompt: 'Gateway:', answer: '${port.gateway}'}
  - stage: 'port ${p.name}'
    each: {p: 'unit.ports'}
    exchanges:
      - {prompt: 'Address of the port:', answer: '${p.address}'}
`

// BenchmarkWork reads a profile from its file, makes the plan and all its
// sums, and checks the units' values against the dialogue, as check does.
//
//	go test -run '^$' -bench 'Work/units=10000$' -benchtime 1x ./script/plan/sums
func BenchmarkWork(b *testing.B) {
	for _, n := range []int{100, 1_000, 10_000, 100_000} {
		b.Run(fmt.Sprintf("units=%d", n), func(b *testing.B) {
			dir := b.TempDir()
			path := filepath.Join(dir, "large.yaml")
			if err := os.WriteFile(path, largeSite(n), 0o600); err != nil {
				b.Fatal(err)
			}
			d, err := script.Parse("shelf.yaml", []byte(shelfDialogue))
			if err != nil {
				b.Fatal(err)
			}
			runtime.GC()
			for b.Loop() {
				s, err := site.Load(path)
				if err != nil {
					b.Fatal(err)
				}
				p, problems := plan.Make(s)
				if err := problems.Err(); err != nil {
					b.Fatal(err)
				}
				for _, u := range p.Units {
					if u.Dialogue != "" {
						script.LintValues(d, u.Values)
					}
				}
				out, problems := sums.Work(s, p, sums.Options{Dialogue: func(string) *script.Dialogue { return d }})
				if err := problems.Err(); err != nil {
					b.Fatal(err)
				}
				if len(out.Racks) != n/10 || len(p.Units) != n || out.Visit == nil || out.Power == nil {
					b.Fatal("something is not summed")
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "units/s")
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/check")
			if peak := peakMiB(); peak > 0 {
				b.ReportMetric(peak, "MiB-peak")
			}
		})
	}
}

// peakMiB is the process's own high-water mark; 0 where the system does not
// tell.
func peakMiB() float64 {
	data, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	_, after, _ := strings.Cut(string(data), "VmHWM:")
	var kib float64
	if _, err := fmt.Sscan(after, &kib); err != nil {
		return 0
	}
	return kib / 1024
}
