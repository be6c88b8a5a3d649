package player_test

import (
	"bytes"
	"errors"
	"strings"
	"sync"
	"testing"

	"linehand/console"
	"linehand/script/engine"
	"linehand/transcript"
)

// disk is a record's file in memory that counts what is done to it and can
// fail.
type disk struct {
	mu     sync.Mutex
	bytes  bytes.Buffer
	synced int // bytes that a sync has covered
	calls  int
	failAt int // this call of Write or Sync fails, and every later one; 0: none
}

var errFull = errors.New("no space left on device")

func (d *disk) step() error {
	d.calls++
	if d.failAt > 0 && d.calls >= d.failAt {
		return errFull
	}
	return nil
}

func (d *disk) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.step(); err != nil {
		return 0, err
	}
	return d.bytes.Write(p)
}

func (d *disk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.step(); err != nil {
		return err
	}
	d.synced = d.bytes.Len()
	return nil
}

func (d *disk) Truncate(size int64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bytes.Truncate(int(size))
	return nil
}

func (d *disk) Close() error { return nil }

// said is every byte that the part of the record that is safe on disk says
// was about to be sent.
func (d *disk) said(t *testing.T, s secrets) string {
	d.mu.Lock()
	safe := bytes.Clone(d.bytes.Bytes()[:d.synced])
	d.mu.Unlock()
	var all strings.Builder
	_, err := transcript.Scan(bytes.NewReader(safe), func(e transcript.Event) error {
		if e.Kind != transcript.Said {
			return nil
		}
		for _, p := range e.Data {
			if p.Secret != "" {
				all.WriteString(s[p.Secret])
				continue
			}
			all.Write(p.Bytes)
		}
		return nil
	})
	var fault *transcript.Fault
	if err != nil && !errors.As(err, &fault) {
		t.Errorf("the record cannot be read: %v", err)
	}
	return all.String()
}

// watched is a line that compares each write with what is on disk by then.
type watched struct {
	console.Line
	t    *testing.T
	disk *disk
	sent string
	s    secrets
}

func (w *watched) Write(p []byte) (int, error) {
	w.sent += string(p)
	if on := w.disk.said(w.t, w.s); !strings.HasPrefix(on, w.sent) {
		w.t.Errorf("sent %q, and on disk is only %q", w.sent, on)
	}
	return w.Line.Write(p)
}

func TestWhatIsSentIsOnDiskBefore(t *testing.T) {
	d := &disk{}
	var w *watched
	o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: wellBehaved, file: d,
		wrap: func(l console.Line) console.Line {
			w = &watched{Line: l, t: t, disk: d, s: basicSecrets}
			return w
		}}.play(t)
	if o.How != engine.Done {
		t.Fatalf("ended as %s: %s", o.How, o.Sentence)
	}
	if w.sent == "" {
		t.Fatal("nothing was sent")
	}
}

// TestADiskThatFailsAtAnyMoment: nothing is sent that is not on record, and
// the run says that the record failed.
func TestADiskThatFailsAtAnyMoment(t *testing.T) {
	whole := &disk{}
	rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: wellBehaved, file: whole}.play(t)
	if whole.calls < 20 {
		t.Fatalf("a run does only %d things to its record", whole.calls)
	}
	// The header is written and synced before the run: calls 1 and 2.
	for failAt := 3; failAt <= whole.calls; failAt++ {
		d := &disk{failAt: failAt}
		var w *watched
		o := rig{dialogue: basic, serial: "BW-1", secrets: basicSecrets, device: wellBehaved, file: d,
			wrap: func(l console.Line) console.Line {
				w = &watched{Line: l, t: t, disk: d, s: basicSecrets}
				return w
			}}.play(t)
		if o.How != engine.NoRecord || !strings.Contains(o.Sentence, errFull.Error()) {
			t.Errorf("failing at %d of %d: ended as %s: %s", failAt, whole.calls, o.How, o.Sentence)
		}
	}
}
