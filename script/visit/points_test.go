package visit

import (
	"strings"
	"testing"

	"linehand/script/engine"
)

// What the proof has found is named also where the visit ends before its last
// part, and nowhere else.
func TestNaming(t *testing.T) {
	found := []Point{{Name: "link of e3", Text: `link of e3 reads back as "down", and "up" is planned`}}
	for how, want := range map[engine.How]bool{engine.Held: true, engine.Stopped: true, engine.Differs: true, engine.NoRecord: false, engine.Silent: false} {
		got := naming(engine.Ending{How: how, Sentence: "It ended."}, found).Sentence
		if strings.Contains(got, found[0].Text) != want || !strings.HasPrefix(got, "It ended.") {
			t.Errorf("%s: %s", how, got)
		}
	}
	if got := naming(engine.Ending{How: engine.Held, Sentence: "It ended."}, nil).Sentence; got != "It ended." {
		t.Errorf("with nothing found: %s", got)
	}
}
