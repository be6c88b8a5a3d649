package schedule

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// siteBatch is a batch like those of a large site: several kinds of unit,
// clusters of eight, times that vary a little.
func siteBatch(n int) Batch {
	r := rand.New(rand.NewPCG(7, uint64(n)))
	b := Batch{Lines: 16, Technicians: 4, MoveCable: 40 * time.Second}
	for i := range n {
		u := Unit{
			Name: fmt.Sprintf("unit-%d", i), Hands: time.Duration(600+r.IntN(1800)) * time.Second,
			Boot: time.Duration(120+r.IntN(400)) * time.Second, BootWatched: i%3 == 0,
			Dialogue: time.Duration(30+r.IntN(900)) * time.Second, Wait: time.Duration(r.IntN(1200)) * time.Second,
		}
		if i%8 != 0 {
			u.After = []string{fmt.Sprintf("unit-%d", i-i%8)}
		}
		b.Units = append(b.Units, u)
	}
	return b
}

// BenchmarkPlan shows how planning grows: ns/(n log2 n) stays level.
func BenchmarkPlan(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			batch := siteBatch(n)
			b.ReportAllocs()
			var s Schedule
			for b.Loop() {
				var err error
				if s, err = Plan(batch); err != nil {
					b.Fatal(err)
				}
			}
			perUnit := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / float64(n)
			b.ReportMetric(perUnit/math.Log2(float64(n)), "ns/(n·log2n)")
			b.ReportMetric(float64(s.Makespan)/float64(s.Bounds.Lowest()), "makespan/bound")
		})
	}
}

// BenchmarkExact searches batches of eight units that are far from their
// bounds: technicians and lines are about equally busy.
func BenchmarkExact(b *testing.B) {
	r := rand.New(rand.NewPCG(3, 8))
	var batches []Batch
	for range 200 {
		batch := Batch{Lines: 1 + r.IntN(3), Technicians: 1 + r.IntN(2), MoveCable: time.Duration(r.IntN(20))}
		for i := range ExactUnits {
			u := Unit{Name: fmt.Sprint(i), Hands: time.Duration(r.IntN(100)), Boot: time.Duration(r.IntN(100)), BootWatched: r.IntN(2) == 0,
				Dialogue: time.Duration(r.IntN(100)), Wait: time.Duration(r.IntN(100))}
			if i > 0 && r.IntN(4) == 0 {
				u.After = []string{fmt.Sprint(r.IntN(i))}
			}
			batch.Units = append(batch.Units, u)
		}
		batches = append(batches, batch)
	}
	var longest, all time.Duration
	k := 0
	for b.Loop() {
		start := time.Now()
		if _, err := Plan(batches[k%len(batches)]); err != nil {
			b.Fatal(err)
		}
		took := time.Since(start)
		longest, all = max(longest, took), all+took
		k++
	}
	b.ReportMetric(float64(longest.Microseconds())/1000, "ms-longest")
}
