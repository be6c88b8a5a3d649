package bench_test

import (
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"

	"linehand/cmd/internal/bench"
	"linehand/fixtures/sim"
	"linehand/transcript"
)

// Sixteen shelves over eight cables: each comes up exactly once, joiners after
// who starts their cluster.
func TestBatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const shelves, cables = 16, 8
		r := newRig(t, shelves, cables, nil)
		r.start()
		queue := make(chan string, shelves)
		for _, u := range r.sheet.Plan.Units {
			if u.Kind == "brackwater-s24" {
				queue <- u.Name
			}
		}
		close(queue)
		var mu sync.Mutex
		sessions := map[string]*sim.Session{}
		var hands sync.WaitGroup
		for cable := range r.cables {
			hands.Go(func() {
				for name := range queue {
					s := r.boot(t.Context(), name, cable, sim.Faults{})
					mu.Lock()
					sessions[name] = s
					mu.Unlock()
					l := r.until(cable, "finished with "+name, func(l bench.Line) bool { return l.State == bench.Finished && l.Unit == name })
					if l.Ending == nil || l.Ending.Code != "done" {
						t.Errorf("%s ended as %+v", name, l.Ending)
					}
				}
			})
		}
		hands.Wait()
		r.finish()
		for name, s := range sessions {
			s.Stop()
			for prompt, n := range asked(s) {
				if n != 1 {
					t.Errorf("%s: %q was answered %d times", name, prompt, n)
				}
			}
		}
		records, _ := filepath.Glob(filepath.Join(r.cfg.Records, "*.record"))
		if len(records) != shelves {
			t.Errorf("%d records, want %d", len(records), shelves)
		}
		for _, path := range records {
			rec, err := transcript.Read(path)
			if err != nil || rec.Fault != nil {
				t.Errorf("%s: %v %v", path, err, rec.Fault)
			}
		}
		r.close()
	})
}
