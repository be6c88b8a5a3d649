package visit

import (
	"maps"
	"slices"
	"sync"
	"time"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// witness stands in front of the recorder and keeps what the visit needs to
// know of what was recorded. Only its times are read from elsewhere than the
// goroutine that plays.
type witness struct {
	player.Recorder
	facts  map[string]string
	reads  []transcript.Event // the last read-back of each name, in the order of the first
	looked map[string]bool    // names that were looked at
	failed error              // the recorder's first failure
	fresh  bool               // nothing was answered in this session, and there was none before it

	mu     sync.Mutex
	first  time.Time // first byte heard since reset
	heard  int       // bytes since reset
	answer time.Time // first answer said since reset
	last   string    // fact read last, for people
}

func newWitness(rec player.Recorder) *witness {
	return &witness{Recorder: rec, facts: make(map[string]string), looked: make(map[string]bool)}
}

// knew takes over facts of an earlier record.
func (w *witness) knew(facts map[string]string) { maps.Copy(w.facts, facts) }

// Append implements player.Recorder.
func (w *witness) Append(e transcript.Event) error {
	switch e.Kind {
	case transcript.Fact:
		w.facts[e.Name] = e.Text
		w.mu.Lock()
		w.last = e.Name + " " + e.Text
		w.mu.Unlock()
	case transcript.ReadBack:
		w.read(e)
	case transcript.Look:
		w.looked[e.Name] = true
	case transcript.Stage:
		if w.fresh && e.State == string(engine.StageUnseen) {
			e.State = string(engine.StageLeftOut)
		}
	case transcript.Phase, transcript.Ending:
		// The player ends its part; the visit does so when all that belongs to
		// the part is over.
		if e.Kind == transcript.Ending || e.State == transcript.Over {
			return nil
		}
	}
	return w.keep(w.Recorder.Append(e))
}

// Heard implements player.Recorder.
func (w *witness) Heard(at time.Time, p []byte) error {
	w.mu.Lock()
	if w.first.IsZero() {
		w.first = at
	}
	w.heard += len(p)
	w.mu.Unlock()
	return w.keep(w.Recorder.Heard(at, p))
}

// Say implements player.Recorder.
func (w *witness) Say(e transcript.Event) error {
	err := w.keep(w.Recorder.Say(e))
	w.fresh = w.fresh && e.Why != "answer" && e.Why != "key"
	w.mu.Lock()
	if w.answer.IsZero() && (e.Why == "answer" || e.Why == "key") {
		w.answer = time.Now()
	}
	w.mu.Unlock()
	return err
}

// Sync implements player.Recorder.
func (w *witness) Sync() error { return w.keep(w.Recorder.Sync()) }

func (w *witness) keep(err error) error {
	if err != nil && w.failed == nil {
		w.failed = err
	}
	return err
}

// over records the end of a part, or of the visit.
func (w *witness) over(e transcript.Event) { _ = w.keep(w.Recorder.Append(e)) }

func (w *witness) read(e transcript.Event) {
	for i := range w.reads {
		if w.reads[i].Name == e.Name {
			w.reads[i] = e
			return
		}
	}
	w.reads = append(w.reads, e)
}

// latest is what each read-back came to the last time.
func (w *witness) latest() []transcript.Event { return w.reads }

// good counts the values that read back as planned.
func (w *witness) good() (n int) {
	for _, e := range w.reads {
		if e.Equal && e.State != transcript.OpenYet {
			n++
		}
	}
	return n
}

// again tells whether something of that name was read back or looked at.
func (w *witness) again(name string) bool {
	return w.looked[name] || slices.ContainsFunc(w.reads, func(e transcript.Event) bool { return e.Name == name })
}

// reset forgets the times, for a line that is opened anew.
func (w *witness) reset() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.first, w.answer, w.heard = time.Time{}, time.Time{}, 0
}

// boot is what is known of a boot under way.
type boot struct {
	first, answer time.Time // zero: not yet
	heard         int
	last          string
}

func (w *witness) boot() boot {
	w.mu.Lock()
	defer w.mu.Unlock()
	return boot{w.first, w.answer, w.heard, w.last}
}
