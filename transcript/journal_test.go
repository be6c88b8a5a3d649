package transcript

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// plainText joins what was heard, or said, as people would see it.
func plainText(events []Event, kind Kind) string {
	var text strings.Builder
	for _, e := range events {
		if e.Kind == kind {
			for _, part := range e.Data {
				text.WriteString(part.String())
			}
		}
	}
	return text.String()
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestJournalWritesWhatReadReads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site", "runs", "shelf-a1.record")
	start := time.Date(2026, 3, 4, 9, 30, 0, 500, time.FixedZone("", 3600))
	clock := start
	mask := NewMask()
	mask.Add("join", "correct horse")
	j, err := Create(path, Header{Tool: "linehand 0.1", Unit: "shelf-a1", Mode: "bringup", Started: start, Zone: "Europe/Oslo",
		Planned: map[string]string{"unit.name": "shelf-a1", "oops": "the correct horse"}}, mask, WithClock(func() time.Time { return clock }))
	must(t, err)
	must(t, j.Append(Event{Kind: Stage, Name: "sign in", State: "entered"}))
	must(t, j.Heard(start.Add(time.Second), []byte("\x00\xff\xfe\r\nSign in: ")))
	must(t, j.Flush())
	clock = start.Add(2 * time.Second)
	must(t, j.Say(Event{Why: "answer", Stage: "sign in", Exchange: "Sign in:", Pos: "s24.yaml:12", Value: "factory.user", Data: []Part{{Bytes: []byte("maint")}}}))
	must(t, j.Heard(start.Add(3*time.Second), []byte("correct ho")))
	must(t, j.Heard(start.Add(4*time.Second), []byte("rse ok")))
	must(t, j.Append(Event{Kind: ReadBack, Name: "name", Value: "shelf-a1", Want: "shelf-a1", Got: "correct horse", Equal: true}))
	must(t, j.Append(Event{Kind: Ending, Code: "done", Text: "Done.", Next: "Go on."}))
	if err := j.Heard(clock, []byte("late")); !errors.Is(err, ErrEnded) {
		t.Errorf("heard after the ending: %v, want ErrEnded", err)
	}
	must(t, j.Close())
	must(t, j.Close())

	rec, err := Read(path)
	must(t, err)
	if !rec.Whole || rec.Fault != nil {
		t.Fatalf("whole %v, fault %v", rec.Whole, rec.Fault)
	}
	if got, want := rec.Header.Planned["oops"], "the ‹secret join›"; got != want {
		t.Errorf("planned in the header: %q, want %q", got, want)
	}
	want := []Event{
		{N: 1, At: 0, Kind: Stage, Name: "sign in", State: "entered"},
		{N: 2, At: time.Second, Kind: Heard, Data: []Part{{Bytes: []byte("\x00")}, {Bytes: []byte("\xff\xfe")}, {Bytes: []byte("\r\nSign in: ")}}},
		{N: 3, At: 2 * time.Second, Kind: Said, Why: "answer", Stage: "sign in", Exchange: "Sign in:", Pos: "s24.yaml:12", Value: "factory.user", Data: []Part{{Bytes: []byte("maint")}}},
		{N: 4, At: 4 * time.Second, Kind: Heard, Data: []Part{{Secret: "join"}, {Bytes: []byte(" ok")}}},
		{N: 5, At: 2 * time.Second, Kind: ReadBack, Name: "name", Value: "shelf-a1", Want: "shelf-a1", Got: "‹secret join›", Equal: true},
		{N: 6, At: 2 * time.Second, Kind: Ending, Code: "done", Text: "Done.", Next: "Go on."},
	}
	for i := range want {
		want[i].Wall = start.Add(want[i].At)
	}
	if diff := cmp.Diff(want, rec.Events); diff != "" {
		t.Error(diff)
	}
	if runtime.GOOS != "windows" {
		for name, mode := range map[string]fs.FileMode{path: 0o600, filepath.Dir(path): 0o700, filepath.Dir(filepath.Dir(path)): 0o700} {
			if info, err := os.Stat(name); err != nil || info.Mode().Perm() != mode {
				t.Errorf("%s has mode %v, want %v (%v)", filepath.Base(name), info.Mode().Perm(), mode, err)
			}
		}
	}
	if _, err := Create(path, Header{}, nil); !errors.Is(err, fs.ErrExist) {
		t.Errorf("second Create: %v, want fs.ErrExist", err)
	}
}

// disk is a file whose writes, syncs and cuts can be made to fail.
type disk struct {
	bytes.Buffer
	writes, closes int
	syncs          atomic.Int32
	onWrite        func(n int, p []byte) (int, error) // nil error and len(p): write all
	onSync         func(n int) error
	onTruncate     error
}

func (d *disk) Write(p []byte) (int, error) {
	d.writes++
	if d.onWrite == nil {
		return d.Buffer.Write(p)
	}
	n, err := d.onWrite(d.writes, p)
	d.Buffer.Write(p[:n])
	return n, err
}

func (d *disk) Sync() error {
	n := d.syncs.Add(1)
	if d.onSync == nil {
		return nil
	}
	return d.onSync(int(n))
}

func (d *disk) Truncate(size int64) error {
	if d.onTruncate == nil {
		d.Buffer.Truncate(int(size))
	}
	return d.onTruncate
}

func (d *disk) Close() error { d.closes++; return nil }

// A journal that could not write stays failed, and leaves whole lines only.
func TestJournalFailsForGood(t *testing.T) {
	for nth := 2; nth <= 5; nth++ {
		for name, fault := range map[string]func(p []byte) (int, error){
			"disk full":           func([]byte) (int, error) { return 0, syscall.ENOSPC },
			"disk full, torn":     func(p []byte) (int, error) { return len(p) / 2, syscall.ENOSPC },
			"short without error": func(p []byte) (int, error) { return len(p) - 1, nil },
		} {
			t.Run(fmt.Sprintf("%s at write %d", name, nth), func(t *testing.T) {
				d := &disk{onWrite: func(n int, p []byte) (int, error) {
					if n == nth {
						return fault(p)
					}
					return len(p), nil
				}}
				j, err := Create("x.record", Header{}, nil, WithFile(d))
				must(t, err)
				var failed error
				for i := 2; i < 7; i++ {
					err := j.Say(Event{Why: "answer", Data: []Part{{Bytes: []byte("y")}}})
					switch {
					case i < nth && err != nil:
						t.Fatalf("write %d: %v", i, err)
					case i == nth && err == nil:
						t.Fatal("the failed write was not told: the answer would be sent")
					case i == nth:
						failed = err
					case i > nth && err != failed:
						t.Fatalf("write %d after the failure: %v, want the same error again", i, err)
					}
				}
				if strings.HasPrefix(name, "disk full") && !errors.Is(failed, syscall.ENOSPC) {
					t.Errorf("%v does not wrap its cause", failed)
				}
				for what, err := range map[string]error{"Flush": j.Flush(), "Sync": j.Sync(), "Append": j.Append(Event{Kind: Note}), "Heard": j.Heard(time.Now(), []byte("x")), "Close": j.Close()} {
					if err != failed {
						t.Errorf("%s after the failure: %v", what, err)
					}
				}
				rec, err := read(&d.Buffer)
				must(t, err)
				if rec.Fault == nil || rec.Fault.Kind != FaultUnended || len(rec.Events) != nth-2 {
					t.Errorf("%d events, fault %v; want %d whole ones", len(rec.Events), rec.Fault, nth-2)
				}
				if d.closes != 1 {
					t.Errorf("closed %d times", d.closes)
				}
			})
		}
	}
}

func TestJournalLeavesATornLineItCannotCut(t *testing.T) {
	d := &disk{onTruncate: syscall.EPERM, onWrite: func(n int, p []byte) (int, error) {
		if n == 3 {
			return 10, syscall.EIO
		}
		return len(p), nil
	}}
	j, err := Create("x.record", Header{}, nil, WithFile(d))
	must(t, err)
	must(t, j.Append(Event{Kind: Note, Text: "one"}))
	if err := j.Append(Event{Kind: Note, Text: "two"}); !errors.Is(err, syscall.EIO) {
		t.Fatal(err)
	}
	j.Close()
	rec, err := read(&d.Buffer)
	must(t, err)
	if rec.Fault == nil || rec.Fault.Kind != FaultCut || rec.Fault.Line != 3 || len(rec.Events) != 1 {
		t.Errorf("%d events, fault %v", len(rec.Events), rec.Fault)
	}
}

func TestJournalTellsThatSyncFailed(t *testing.T) {
	d := &disk{onSync: func(n int) error {
		if n == 2 {
			return syscall.EIO
		}
		return nil
	}}
	j, err := Create("x.record", Header{}, nil, WithFile(d))
	must(t, err)
	first := j.Say(Event{Why: "answer", Data: []Part{{Bytes: []byte("y")}}})
	if !errors.Is(first, syscall.EIO) {
		t.Fatalf("Say: %v: the answer would be sent", first)
	}
	if err := j.Say(Event{Why: "answer"}); err != first {
		t.Errorf("Say again: %v, want the same error", err)
	}
	if err := j.Close(); err != first {
		t.Errorf("Close: %v, want the same error", err)
	}
}

func TestCreateFailsWhenTheHeaderIsNotOnDisk(t *testing.T) {
	for name, d := range map[string]*disk{
		"write": {onWrite: func(int, []byte) (int, error) { return 0, syscall.ENOSPC }},
		"sync":  {onSync: func(int) error { return syscall.ENOSPC }},
	} {
		if _, err := Create("x.record", Header{}, nil, WithFile(d)); !errors.Is(err, syscall.ENOSPC) || d.closes != 1 {
			t.Errorf("%s: %v, closed %d times", name, err, d.closes)
		}
	}
}

// Said events are on disk when Say returns; others within 200 ms, with one
// sync for all that came meanwhile.
func TestJournalSyncs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		j, err := Create("x.record", Header{}, nil, WithFile(d))
		must(t, err)
		want := func(syncs int, when string) {
			t.Helper()
			synctest.Wait()
			if got := int(d.syncs.Load()); got != syncs {
				t.Fatalf("%d syncs %s, want %d", got, when, syncs)
			}
		}
		want(1, "after the header")
		must(t, j.Say(Event{Why: "answer", Data: []Part{{Bytes: []byte("y")}}}))
		want(2, "when Say has returned")
		time.Sleep(time.Second)
		want(2, "when nothing new is there")
		for range 10 {
			must(t, j.Heard(time.Now(), []byte("boot\r\n")))
			time.Sleep(10 * time.Millisecond)
		}
		want(2, "100 ms after the first heard event")
		time.Sleep(101 * time.Millisecond)
		want(3, "201 ms after it")
		time.Sleep(time.Hour)
		want(3, "an hour later")
		must(t, j.Close())
		want(3, "after Close with nothing new")
	})
}

// What the mask held back keeps the time at which it arrived.
func TestHeldBackBytesKeepTheirTime(t *testing.T) {
	d := &disk{}
	mask := NewMask()
	mask.Add("s", "#shoebox")
	start := time.Now()
	j, err := Create("x.record", Header{Started: start}, mask, WithFile(d), WithClock(func() time.Time { return start.Add(9 * time.Second) }))
	must(t, err)
	must(t, j.Heard(start.Add(1*time.Second), []byte("say #sh")))
	must(t, j.Flush())
	must(t, j.Heard(start.Add(5*time.Second), []byte("all")))
	must(t, j.Heard(start.Add(6*time.Second), []byte("#s")))
	must(t, j.Flush())
	must(t, j.Heard(start.Add(7*time.Second), []byte("hoebox")))
	must(t, j.Heard(start.Add(8*time.Second), []byte("#s")))
	must(t, j.Heard(start.Add(9*time.Second), []byte("ho")))
	must(t, j.Heard(start.Add(10*time.Second), []byte("p")))
	must(t, j.Heard(start.Add(11*time.Second), []byte("#shoeb")))
	must(t, j.Close())
	rec, err := read(&d.Buffer)
	must(t, err)
	type heard struct {
		At   time.Duration
		Text string
	}
	var got []heard
	for _, e := range rec.Events {
		got = append(got, heard{e.At / time.Second, plainText([]Event{e}, Heard)})
	}
	want := []heard{{1, "say "}, {1, "#sh"}, {5, "all"}, {6, "#s"}, {7, "‹secret s›"}, {8, "#sho"}, {10, "p"}, {11, "‹secret s›"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// The end of a prompt may look like the beginning of a secret, and still
// comes before the answer.
func TestPromptBeforeAnswer(t *testing.T) {
	d := &disk{}
	mask := NewMask()
	mask.Add("s", "#shoebox")
	j, err := Create("x.record", Header{}, mask, WithFile(d))
	must(t, err)
	must(t, j.Heard(time.Now(), []byte("shelf#")))
	must(t, j.Say(Event{Why: "answer", Data: []Part{{Bytes: []byte("show")}}}))
	must(t, j.Heard(time.Now(), []byte("shoebox")))
	must(t, j.Close())
	rec, _ := read(&d.Buffer)
	var got []string
	for _, e := range rec.Events {
		got = append(got, string(e.Kind)+" "+Typed(e.Data))
	}
	want := []string{"heard shelf", "heard #", "said show", "heard ‹secret s›"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestSaidIsMasked(t *testing.T) {
	d := &disk{}
	mask := NewMask()
	mask.Add("pin", "12")
	mask.Add("join", "correct horse")
	j, err := Create("x.record", Header{}, mask, WithFile(d))
	must(t, err)
	b := func(s string) Part { return Part{Bytes: []byte(s)} }
	for _, data := range [][]Part{
		{b("192.0.2.12"), b("\r")}, {b("12\r")}, {{Secret: "join"}, b("\r")}, {b("a correct"), b(" horse!")},
	} {
		must(t, j.Say(Event{Why: "answer", Data: data}))
	}
	must(t, j.Append(Event{Kind: Note, Text: "see correct horse", Data: []Part{b("correct horse")}}))
	must(t, j.Close())
	if strings.Contains(d.String(), "correct horse") {
		t.Errorf("the secret is in the file: %s", d.String())
	}
	rec, _ := read(&d.Buffer)
	if got, want := plainText(rec.Events, Said), "192.0.2.12\r‹secret pin›\r‹secret join›\ra ‹secret join›!"; got != want {
		t.Errorf("said %q, want %q", got, want)
	}
}

// A secret typed by hand comes a key at a time, each recorded before it is
// sent: from the third key on it is masked.
func TestTypedByHandIsMasked(t *testing.T) {
	d := &disk{}
	mask := NewMask()
	mask.Add("join", "correct horse")
	j, err := Create("x.record", Header{}, mask, WithFile(d))
	must(t, err)
	keys := func(s string) {
		for _, c := range []byte(s) {
			must(t, j.Say(Event{Why: "hand", Data: []Part{{Bytes: []byte{c}}}}))
		}
	}
	keys("show\rcorrect horse\r")
	must(t, j.Window("new"))
	keys("ab\r")
	must(t, j.EndWindow())
	keys("ok")
	must(t, j.Close())
	rec, _ := read(&d.Buffer)
	want := "show\rco" + strings.Repeat("‹secret join›", 11) + "\r‹secret new›\rok"
	if got := plainText(rec.Events, Said); got != want {
		t.Errorf("said %q, want %q", got, want)
	}
}

func BenchmarkHeard(b *testing.B) {
	mask := NewMask()
	for i := range 10 {
		mask.Add(fmt.Sprintf("s%d", i), fmt.Sprintf("correct horse %d", i))
	}
	j, err := Create(filepath.Join(b.TempDir(), "a.record"), Header{}, mask)
	must(b, err)
	defer j.Close()
	piece := []byte("[    1.234567] p") // 16 bytes, as a slow line gives them
	b.SetBytes(int64(len(piece)))
	for b.Loop() {
		if err := j.Heard(time.Now(), piece); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSay(b *testing.B) {
	j, err := Create(filepath.Join(b.TempDir(), "a.record"), Header{}, nil)
	must(b, err)
	defer j.Close()
	for b.Loop() {
		if err := j.Say(Event{Why: "answer", Data: []Part{{Bytes: []byte("192.0.2.7")}}}); err != nil {
			b.Fatal(err)
		}
	}
}
