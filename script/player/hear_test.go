package player

import (
	"testing"
	"time"

	"linehand/console/screen"
	"linehand/script"
	"linehand/transcript"
)

type forgets struct{}

func (forgets) Heard(time.Time, []byte) error { return nil }
func (forgets) Say(transcript.Event) error    { return nil }
func (forgets) Append(transcript.Event) error { return nil }
func (forgets) Window(string) error           { return nil }
func (forgets) EndWindow() error              { return nil }
func (forgets) Sync() error                   { return nil }

// TestWhatWaitsIsTakenBeforeALineIsQuiet: when a busy machine is late for
// both, what was read and the end of the wait, then what was read comes first;
// a prompt is never answered over text that has come behind it.
func TestWhatWaitsIsTakenBeforeALineIsQuiet(t *testing.T) {
	for range 64 { // of two things that are ready, select takes any
		p := &play{Run: Run{Dialogue: &script.Dialogue{}}, rec: &gatherer{Recorder: forgets{}}, ctx: t.Context(),
			scr: screen.New(80, 24), ear: &ear{chunks: make(chan chunk, 4)}}
		p.ear.chunks <- chunk{bytes: []byte("and more"), at: time.Now()}
		heard, err := p.pump(time.Now().Add(-time.Second), nil)
		if !heard || err != nil || p.scr.Current() != "and more" {
			t.Fatalf("heard %v, %v; the screen shows %q", heard, err, p.scr.Current())
		}
	}
}
