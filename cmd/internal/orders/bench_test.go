package orders

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// BenchmarkChanges is one durable change after the other, and many at a time.
func BenchmarkChanges(b *testing.B) {
	for _, people := range []int{1, 16} {
		b.Run(fmt.Sprintf("at-a-time=%d", people), func(b *testing.B) {
			s := alone(b, b.TempDir())
			defer s.Close()
			var next atomic.Int64
			var tasks sync.WaitGroup
			b.ResetTimer()
			for range people {
				tasks.Go(func() {
					for n := next.Add(1); n <= int64(b.N); n = next.Add(1) {
						if _, err := s.fileAt(context.Background(), s.home, Filing{ID: fmt.Sprint("o-", n), Site: "s", Unit: "u"}); err != nil {
							b.Error(err)
							return
						}
					}
				})
			}
			tasks.Wait()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "changes/s")
		})
	}
}

// BenchmarkWatch is from the beginning of a change until a watch tells it.
func BenchmarkWatch(b *testing.B) {
	s := alone(b, b.TempDir())
	defer s.Close()
	ctx, cancel := context.WithCancel(b.Context())
	news, err := s.Watch(ctx)
	if err != nil {
		b.Fatal(err)
	}
	<-news // current
	b.ResetTimer()
	for n := range b.N {
		if _, err := s.fileAt(ctx, s.home, Filing{ID: fmt.Sprint("o-", n), Site: "s", Unit: "u"}); err != nil {
			b.Fatal(err)
		}
		<-news
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N), "µs/told")
	cancel()
	for range news {
	}
}

// BenchmarkFleet is a place with 10,000 orders for 100 benches: memory of the
// process with the server in it, and how long a list takes.
func BenchmarkFleet(b *testing.B) {
	const orders, benches = 10_000, 100
	s := alone(b, b.TempDir())
	defer s.Close()
	var next atomic.Int64
	var tasks sync.WaitGroup
	begun := time.Now()
	for range 16 {
		tasks.Go(func() {
			for n := next.Add(1); n <= orders; n = next.Add(1) {
				f := Filing{ID: fmt.Sprint("o-", n), Site: "skerrymore", Unit: fmt.Sprint("deep-", n), Serial: fmt.Sprint("BW24-", n), Kind: "shelf", Bench: fmt.Sprint("bench-", n%benches), Person: "ada"}
				if _, err := s.fileAt(context.Background(), s.home, f); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	tasks.Wait()
	filed := time.Since(begun)
	runtime.GC()
	var mem runtime.MemStats
	runtime.ReadMemStats(&mem)
	b.ResetTimer()
	for range b.N {
		list, err := s.List(b.Context(), Filter{})
		if err != nil || len(list) != orders {
			b.Fatal(len(list), err)
		}
	}
	b.ReportMetric(float64(mem.HeapInuse)/(1<<20), "MiB-heap")
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/list")
	b.ReportMetric(float64(filed.Seconds()), "s-to-file")
}
