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

// BenchmarkSearch plans batches of the sizes that are searched, far from
// their bounds: technicians and lines are about equally busy.
func BenchmarkSearch(b *testing.B) {
	for _, n := range []int{4, ExactUnits, 8, SearchUnits} {
		b.Run(fmt.Sprint(n), func(b *testing.B) { benchmarkSearch(b, n) })
	}
}

func benchmarkSearch(b *testing.B, n int) {
	r := rand.New(rand.NewPCG(3, uint64(n)))
	batches := make([]Batch, 100)
	for k := range batches {
		batches[k] = drawnBatch(r, n, 100)
	}
	shortest, k := 0, 0
	for b.Loop() {
		s, err := Plan(batches[k%len(batches)])
		if err != nil {
			b.Fatal(err)
		}
		if s.Shortest {
			shortest++
		}
		k++
	}
	b.ReportMetric(100*float64(shortest)/float64(k), "%shortest")
}
