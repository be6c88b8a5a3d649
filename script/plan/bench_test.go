package plan

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"linehand/script/site"
)

// profileOf writes a profile of n shelves with four ports each. The
// addresses are private ones (RFC 1918): the documentation ranges are too
// small.
func profileOf(n int) []byte {
	var b strings.Builder
	b.WriteString("format: linehand.site/1\nsite: {name: large, domain: example.net, dns: [10.0.0.3]}\n")
	b.WriteString("networks:\n  - {name: a, subnet: 10.0.0.0/9, gateway: 10.0.0.1}\n  - {name: b, subnet: 10.128.0.0/9, gateway: 10.128.0.1, mtu: 9000}\n")
	b.WriteString("kinds:\n  shelf: {dialogue: shelf.yaml, factory: {user: setup, secret: factory}, roles: {admin: admin}, height-u: 4, weight-kg: 24, watts: 420, supplies: 2, inlet: C14}\n")
	b.WriteString("racks:\n")
	for i := 0; i < n; i += 8 {
		fmt.Fprintf(&b, "  - {name: r%d, units-high: 42, load-kg: 900, feeds: [left, right]}\n", i/8)
	}
	b.WriteString("feeds:\n  - {name: left, volts: 230, breaker-a: 16}\n  - {name: right, volts: 230, breaker-a: 16}\n")
	b.WriteString("secrets:\n  factory: {env: FACTORY}\n  admin: {ask: Administrator}\n  join: {env: JOIN}\n")
	b.WriteString("clusters:\n")
	for i := 0; i < n; i += 8 {
		fmt.Fprintf(&b, "  - {name: c%d, address: %s, network: a, join-secret: join}\n", i/8, tenth(1<<22+i))
	}
	b.WriteString("units:\n")
	for i := range n {
		mode := "join"
		if i%8 == 0 {
			mode = "start"
		}
		fmt.Fprintf(&b, "  - name: shelf-%d\n    kind: shelf\n    serial: BW24-%06d\n    cluster: {%s: c%d}\n    place: {rack: r%d, at: %d}\n    cords: {1: left, 2: right}\n    storage: {layout: double parity, spares: 2}\n    ports:\n", i, i, mode, i/8, i/8, 1+i%8*4)
		fmt.Fprintf(&b, "      - {name: e0, network: a, address: %s}\n", tenth(16+i))
		for port := 1; port < 4; port++ {
			fmt.Fprintf(&b, "      - {name: e%d, network: b, address: %s, group: data}\n", port, tenth(1<<23+16+3*i+port))
		}
	}
	return []byte(b.String())
}

func tenth(i int) string { return fmt.Sprintf("10.%d.%d.%d", i>>16&255, i>>8&255, i&255) }

// BenchmarkCheck reads a profile from a file and makes the plan, as a check
// does. Peak memory is the process's own high-water mark, where the system
// tells it; run one size at a time to see that of the size:
//
//	go test -run '^$' -bench 'Check/units=10000$' -benchtime 1x ./script/plan
func BenchmarkCheck(b *testing.B) {
	for _, n := range []int{100, 1_000, 10_000, 100_000} {
		b.Run(fmt.Sprintf("units=%d", n), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "large.yaml")
			if err := os.WriteFile(path, profileOf(n), 0o600); err != nil {
				b.Fatal(err)
			}
			runtime.GC()
			for b.Loop() {
				s, err := site.Load(path)
				if err != nil {
					b.Fatal(err)
				}
				p, problems := Make(s)
				if err := problems.Err(); err != nil || len(p.Units) != n {
					b.Fatal(err)
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

// peakMiB is the most memory that this process has had resident; 0 where the
// system does not tell.
func peakMiB() float64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(status)) {
		var kib float64
		if n, _ := fmt.Sscanf(line, "VmHWM: %f kB", &kib); n == 1 {
			return kib / 1024
		}
	}
	return 0
}

func BenchmarkParseAndPlan(b *testing.B) {
	for _, n := range []int{100, 1_000, 10_000} {
		b.Run(fmt.Sprintf("units=%d", n), func(b *testing.B) {
			data := profileOf(n)
			var kept *Plan
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			b.ReportAllocs()
			for b.Loop() {
				s, err := site.Parse("large.yaml", data)
				if err != nil {
					b.Fatal(err)
				}
				p, problems := Make(s)
				if err := problems.Err(); err != nil {
					b.Fatal(err)
				}
				kept = p
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "units/s")
			runtime.GC()
			runtime.ReadMemStats(&after)
			b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/(1<<20), "MiB-kept")
			runtime.KeepAlive(kept)
		})
	}
}
