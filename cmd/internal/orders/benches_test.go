package orders

import (
	"fmt"
	"testing"
	"time"
)

// TestBenchesAfterOneHasLapsed: announcements that are replaced or forgotten
// while others read are not waited for.
func TestBenchesAfterOneHasLapsed(t *testing.T) {
	s := alone(t, t.TempDir())
	defer s.Close()
	ctx := t.Context()
	stream, err := s.home.js.Stream(ctx, benchesStream)
	if err != nil {
		t.Fatal(err)
	}
	slow := 0
	for n := range 40 {
		for i := range 3 {
			if _, err := s.home.js.Publish(ctx, fmt.Sprintf("linehand.%s.bench.far-%d", s.home.name, i), fmt.Appendf(nil, `{"name":"far-%d"}`, i)); err != nil {
				t.Fatal(err)
			}
		}
		gone := make(chan error, 1)
		go func() {
			time.Sleep(time.Duration(n%10) * 200 * time.Microsecond) // before, between and after counting and reading
			gone <- stream.Purge(ctx)
		}()
		began := time.Now()
		if _, err := s.Benches(ctx); err != nil {
			t.Fatal(err)
		}
		if time.Since(began) >= time.Second {
			slow++
		}
		if err := <-gone; err != nil {
			t.Fatal(err)
		}
	}
	// A machine that does other things is slow now and then; what waits for
	// an announcement that never comes waits so long each time.
	if slow > 4 {
		t.Errorf("%d of 40 took a second or longer", slow)
	}
}

// TestBatchIsAllowed: of a batch that others change meanwhile, all are allowed
// once, in the order of the list.
func TestBatchIsAllowed(t *testing.T) {
	s := alone(t, t.TempDir())
	defer s.Close()
	const many = 100
	for n := range many {
		if _, err := s.File(t.Context(), Filing{ID: fmt.Sprintf("o-%03d", n), Site: "s", Unit: fmt.Sprint("u", n), Batch: "b", Person: "Robin", Position: float64(n + 1)}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Allow(t.Context(), "o-007", PerUnit, "Sam"); err != nil {
		t.Fatal(err)
	}
	got, err := s.AllowBatch(t.Context(), "s", "b", "Robin")
	if err != nil || len(got) != many-1 {
		t.Fatalf("%d of %d: %v", len(got), many-1, err)
	}
	for i, o := range got {
		if o.State != Allowed || o.AllowedBy != "Robin" || i > 0 && got[i-1].Position >= o.Position {
			t.Errorf("place %d: %+v", i, o)
		}
	}
}

// BenchmarkAllowBatch is a batch of 500 units.
func BenchmarkAllowBatch(b *testing.B) {
	s := alone(b, b.TempDir())
	defer s.Close()
	for n := 0; b.Loop(); n++ {
		b.StopTimer()
		for u := range 500 {
			if _, err := s.File(b.Context(), Filing{Site: "s", Unit: fmt.Sprint("u", u), Batch: fmt.Sprint("b", n), Person: "Robin"}); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		if got, err := s.AllowBatch(b.Context(), "s", fmt.Sprint("b", n), "Robin"); err != nil || len(got) != 500 {
			b.Fatalf("%d: %v", len(got), err)
		}
	}
}
