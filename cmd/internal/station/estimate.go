package station

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"time"

	"linehand/script/engine"
	"linehand/transcript"
)

// estimateFrom is how many records at the most an estimate is made from, the
// latest ones.
const estimateFrom = 20

// Estimate is how long a run of the dialogue is likely to take: the median of
// earlier runs of the same dialogue that set a unit up, out of the records in
// the folder; 0 when there is none.
func Estimate(folder, dialogue string) time.Duration {
	paths, err := filepath.Glob(filepath.Join(folder, "*.record"))
	if err != nil {
		return 0
	}
	// Names end in the time: the latest first, whatever the unit.
	slices.SortFunc(paths, func(a, b string) int { return cmp.Compare(stamp(b), stamp(a)) })
	var took []time.Duration
	for _, path := range paths {
		if d, ok := duration(path, dialogue); ok {
			if took = append(took, d); len(took) == estimateFrom {
				break
			}
		}
	}
	if len(took) == 0 {
		return 0
	}
	slices.Sort(took)
	return took[len(took)/2]
}

func stamp(path string) string {
	base := filepath.Base(path)
	const length = len("20060102T150405Z.record")
	return base[max(0, len(base)-length):]
}

// duration is how long a run took, when it was one of this dialogue and set
// its unit up.
func duration(path, dialogue string) (time.Duration, bool) {
	f, err := os.Open(path)
	if err != nil {
		return 0, false
	}
	defer f.Close()
	var last transcript.Event
	h, err := transcript.Scan(f, func(e transcript.Event) error {
		if e.Kind == transcript.Ending {
			last = e
		}
		return nil
	})
	if err != nil || h.Dialogue.Name != dialogue || last.Code != string(engine.Done) {
		return 0, false
	}
	return last.At, true
}
