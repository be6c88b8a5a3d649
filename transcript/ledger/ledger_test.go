package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"linehand/transcript"
	"linehand/transcript/internal/link"
	"linehand/transcript/seal"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// clock is a bench's clock that goes on by a second at each look.
type clock struct{ t time.Time }

func (c *clock) now() time.Time { c.t = c.t.Add(time.Second); return c.t }

var started = time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))

func newKey(t testing.TB, n byte) seal.Key {
	t.Helper()
	return seal.KeyOfSeed([32]byte{n})
}

// bench is a folder with a log.
type bench struct {
	t     testing.TB
	dir   string
	key   seal.Key
	clock *clock
	l     *Ledger
}

func newBench(t testing.TB, name string) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir(), key: newKey(t, 1), clock: &clock{started}}
	l, err := Begin(b.dir, name, b.key, WithClock(b.clock.now))
	must(t, err)
	b.l = l
	t.Cleanup(func() { b.l.Close() })
	return b
}

// record makes a record of a run that ended, unless it is to be left open.
func (b *bench) record(name, site string, ended bool) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	mask := transcript.NewMask()
	mask.Add("admin", "tide-table-42")
	j, err := transcript.Create(path, transcript.Header{Tool: "linehand 0.1", Unit: strings.TrimSuffix(name, ".record"), Site: site, Mode: "bringup",
		Bench: b.l.Log().Bench(), After: b.l.Log().LastSeal()}, mask,
		transcript.WithClock(b.clock.now), transcript.WithCommitments(transcript.NewCheapCommitter()))
	must(b.t, err)
	must(b.t, j.Heard(b.clock.now(), []byte("\r\nPass phrase: ")))
	must(b.t, j.Say(transcript.Event{Why: "answer", Stage: "sign in", Exchange: "Pass phrase:", Data: []transcript.Part{{Bytes: []byte("tide-table-42")}}}))
	must(b.t, j.Heard(b.clock.now(), []byte("\r\nAgain: ")))
	must(b.t, j.Say(transcript.Event{Why: "answer", Stage: "sign in", Exchange: "Again:", Data: []transcript.Part{{Secret: "admin"}}}))
	if ended {
		must(b.t, j.Append(transcript.Event{Kind: transcript.Ending, Code: "done", Text: "Done."}))
	}
	must(b.t, j.Close())
	return path
}

func (b *bench) sealed(name, site string) Entry {
	b.t.Helper()
	e, err := b.l.Seal(b.record(name, site, true), SealOptions{})
	must(b.t, err)
	return e
}

func (b *bench) reopen() error {
	b.l.Close()
	l, err := Open(b.dir, b.key, WithClock(b.clock.now))
	if err == nil {
		b.l = l
	}
	return err
}

// verify reports the codes of what was found, without remarks.
func (b *bench) verify(trust Trust) (*Report, string) {
	b.t.Helper()
	r, err := Verify(b.dir, trust)
	must(b.t, err)
	var codes []string
	for _, f := range r.Findings {
		if !f.Remark {
			codes = append(codes, fmt.Sprintf("%s %s", f.Code, f.File))
		}
	}
	return r, strings.Join(codes, ", ")
}

func (b *bench) trust() Trust { return Trust{Keys: []seal.Public{newKey(b.t, 1).Public()}} }

func TestSealAndVerify(t *testing.T) {
	b := newBench(t, "bench-7")
	for _, name := range []string{"a.record", "b.record", "c.record"} {
		b.sealed(name, "skerrymore")
	}
	r, found := b.verify(b.trust())
	if !r.Whole() || r.Records != 3 || r.Entries != 4 || !r.Trusted || len(r.Findings) > 0 {
		t.Fatalf("%+v %s", r, found)
	}
	res, err := seal.VerifyFile(filepath.Join(b.dir, "b.record"), b.key.Public())
	must(t, err)
	if !res.Whole() || !res.Sealed || !res.Trusted || res.Late || !res.Ended || res.Outline.Commitments != 2 {
		t.Errorf("%+v", res)
	}
	if _, err := b.l.Seal(filepath.Join(b.dir, "b.record"), SealOptions{}); !errors.Is(err, ErrSealed) {
		t.Errorf("sealed twice: %v", err)
	}
	// The record still reads as before, and each seal names the one before.
	rec, err := transcript.Read(filepath.Join(b.dir, "c.record"))
	must(t, err)
	if !rec.Whole || rec.Seal == nil || rec.Header.After != b.l.Log().entries[2].Link() || rec.Seal.Previous != rec.Header.After {
		t.Errorf("whole %v, after %s, seal %+v", rec.Whole, rec.Header.After, rec.Seal)
	}
	res, err = seal.VerifyFile(filepath.Join(b.dir, "b.record"), newKey(t, 9).Public())
	must(t, err)
	if res.Whole() || res.Trusted {
		t.Error("the seal of a key that is not trusted passes")
	}
}

func TestFolderFaults(t *testing.T) {
	names := []string{"a.record", "b.record", "c.record"}
	for name, c := range map[string]struct {
		spoil func(b *bench)
		want  string
	}{
		"record gone":          {func(b *bench) { must(t, os.Remove(filepath.Join(b.dir, "b.record"))) }, "record-missing b.record"},
		"last record gone":     {func(b *bench) { must(t, os.Remove(filepath.Join(b.dir, "c.record"))) }, "record-missing c.record"},
		"record renamed":       {func(b *bench) { must(t, os.Rename(filepath.Join(b.dir, "b.record"), filepath.Join(b.dir, "x.record"))) }, "moved x.record"},
		"record copied":        {func(b *bench) { b.copy("b.record", "0.record") }, "copied 0.record"},
		"record over another":  {func(b *bench) { b.copy("b.record", "c.record") }, "other-seal c.record"},
		"seal cut off":         {func(b *bench) { b.cutLines("b.record", 1) }, "seal-gone b.record"},
		"seal and more":        {func(b *bench) { b.cutLines("b.record", 4) }, "seal-gone b.record"},
		"log's end cut":        {func(b *bench) { b.cutLines(File, 1) }, "log-cut bench.checkpoint, not-in-log c.record"},
		"log gone":             {func(b *bench) { must(t, os.Remove(filepath.Join(b.dir, File))) }, "log-missing bench.ledger"},
		"log and record gone":  {func(b *bench) { must(t, errors.Join(os.Remove(b.path(File)), os.Remove(b.path("b.record")))) }, "log-missing bench.ledger, seal-chain c.record"},
		"log begins otherwise": {func(b *bench) { b.replace(File, `"bench":"bench-7"`, `"bench":"bench-8"`) }, "log-missing bench.ledger"},
		"checkpoint gone":      {func(b *bench) { must(t, os.Remove(filepath.Join(b.dir, CheckpointFile))) }, "checkpoint bench.checkpoint"},
		"log edited":           {func(b *bench) { b.replace(File, `"unit":"b"`, `"unit":"x"`) }, "edited bench.ledger, log-cut bench.checkpoint, not-in-log b.record, not-in-log c.record"},
		"forged removal":       {func(b *bench) { b.forgeRemoval() }, "signature bench.ledger"},
		"another bench's log":  {func(b *bench) { b.anotherLog() }, "key bench.ledger, checkpoint bench.checkpoint, unknown a.record"},
		"a record from beside": {func(b *bench) { b.stranger() }, "unknown s.record, not-in-log s.record"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "bench-7")
			for _, name := range names {
				b.sealed(name, "skerrymore")
			}
			c.spoil(b)
			if _, found := b.verify(b.trust()); found != c.want {
				t.Errorf("found %q, want %q", found, c.want)
			}
		})
	}
}

func (b *bench) path(name string) string { return filepath.Join(b.dir, name) }

func (b *bench) copy(from, to string) {
	data, err := os.ReadFile(b.path(from))
	must(b.t, err)
	must(b.t, os.WriteFile(b.path(to), data, 0o600))
}

func (b *bench) cutLines(name string, n int) {
	data, err := os.ReadFile(b.path(name))
	must(b.t, err)
	lines := bytes.SplitAfter(data, []byte("\n"))
	must(b.t, os.WriteFile(b.path(name), bytes.Join(lines[:len(lines)-1-n], nil), 0o600))
}

func (b *bench) replace(name, old, new string) {
	data, err := os.ReadFile(b.path(name))
	must(b.t, err)
	if !bytes.Contains(data, []byte(old)) {
		b.t.Fatalf("%s does not hold %q", name, old)
	}
	must(b.t, os.WriteFile(b.path(name), bytes.Replace(data, []byte(old), []byte(new), 1), 0o600))
}

// forgeRemoval is what somebody without the key can do: an entry with right
// links that covers up a deletion.
func (b *bench) forgeRemoval() {
	e := *b.l.Log().Find("b.record")
	line, err := b.l.Log().compose(&Entry{Kind: Removed, Wall: stamp(started.Add(time.Hour)), Record: "b.record", Of: e.Entry, Why: "old"}, newKey(b.t, 9))
	must(b.t, err)
	f, err := os.OpenFile(b.path(File), os.O_APPEND|os.O_WRONLY, 0)
	must(b.t, err)
	_, err = f.Write(line)
	must(b.t, errors.Join(err, f.Close(), os.Remove(b.path("b.record"))))
}

// anotherLog is the same folder made up with another key.
func (b *bench) anotherLog() {
	other := &bench{t: b.t, dir: b.t.TempDir(), key: newKey(b.t, 9), clock: &clock{started}}
	l, err := Begin(other.dir, "bench-7", other.key, WithClock(other.clock.now))
	must(b.t, err)
	other.l = l
	defer l.Close()
	other.sealed("a.record", "skerrymore")
	b.dir = other.dir
}

func (b *bench) stranger() {
	other := newBench(b.t, "bench-8")
	other.key = newKey(b.t, 9)
	other.l.Close()
	other.dir = b.t.TempDir()
	l, err := Begin(other.dir, "bench-8", other.key)
	must(b.t, err)
	other.l = l
	other.sealed("s.record", "skerrymore")
	data, err := os.ReadFile(other.path("s.record"))
	must(b.t, err)
	must(b.t, os.WriteFile(b.path("s.record"), data, 0o600))
}

func FuzzRead(f *testing.F) {
	b := newBench(f, "bench-7")
	b.sealed("a.record", "x")
	log, err := os.ReadFile(b.path(File))
	must(f, err)
	f.Add(log)
	f.Add(log[:len(log)-9])
	f.Add([]byte(`{"format":"linehand.ledger/1","entry":0,"kind":"begun"`))
	f.Add(bytes.Replace(log, []byte(`"key":"`), []byte(`"key":"x`), 1))
	f.Fuzz(func(t *testing.T, data []byte) {
		if relinked := relinked(data); !bytes.Equal(relinked, data) { // else no changed line would get past the link
			if l, _, err := read(bytes.NewReader(relinked)); err == nil {
				l.signatures(0)
				l.LastSeal()
				l.Due(Policy{Keep: 1}, started)
				_, _, _ = l.pack("x", Checkpoint{Size: int64(l.Size())})
			}
		}
		l, fault, err := read(bytes.NewReader(data))
		if err != nil {
			return
		}
		// What was read is what stands there: the lines, and no more.
		if !bytes.HasPrefix(data, append(bytes.Join(l.lines, []byte("\n")), '\n')) || fault == nil && l.size != int64(len(data)) {
			t.Errorf("%d entries of %d bytes out of %d", l.Size(), l.size, len(data))
		}
		l.signatures(0)
		_, _ = l.Current()
	})
}

// relinked puts right links on whatever lines there are.
func relinked(data []byte) (out []byte) {
	chain := link.From("")
	for line := range bytes.Lines(data) {
		if body, _, ok := link.Cut(bytes.TrimSuffix(line, []byte("\n"))); ok {
			line = chain.Append(bytes.Clone(body))
		}
		out = append(out, line...)
	}
	return out
}

func FuzzReadCheckpoint(f *testing.F) {
	f.Add("bench-7 2 UcW+qQ279xjZi+9LqgiO3IPqdd+dkZIKlNfhMu4W1L4= /fioSWFb3qNefthpQZoRmQsXP/TxO61fx6O2oaKXkO8hr4FbGDNO7NNaaevO56nEMjQH7UAoT02nysUUGeq4qVZc8wg=")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ReadCheckpoint([]byte(text))
		if err != nil {
			return
		}
		for _, form := range []string{c.String(), string(c.Note())} {
			if again, err := ReadCheckpoint([]byte(form)); err != nil || again != c {
				t.Errorf("%q is read again as %v, %v", form, again, err)
			}
		}
	})
}

func TestLodged(t *testing.T) {
	b := newBench(t, "bench-7")
	b.sealed("a.record", "x")
	line := b.checkpoint().String()
	if strings.ContainsAny(line, "\n\r") {
		t.Fatalf("%q is more than a line", line)
	}
	b.sealed("b.record", "x")
	lodged, err := ReadCheckpoint([]byte(line))
	must(t, err)
	trust := b.trust()
	trust.Lodged = []Checkpoint{lodged, b.checkpoint()}
	if r, found := b.verify(trust); r.Lodged != 2 || found != "" {
		t.Fatal(found)
	}
	proof, err := b.l.Log().ProveSince(lodged, b.checkpoint())
	must(t, err)
	_, err = proof.Check(b.key.Public())
	must(t, err)
	inclusion, err := b.l.Log().Prove(1, b.checkpoint())
	must(t, err)
	e, err := inclusion.Check(b.key.Public())
	must(t, err)
	if e.Record != "a.record" {
		t.Errorf("%+v", e)
	}
	for i := range inclusion.Path {
		bad := inclusion
		bad.Path = slices.Clone(bad.Path)
		bad.Path[i][3] ^= 1
		if _, err := bad.Check(b.key.Public()); !errors.Is(err, ErrProof) {
			t.Errorf("step %d of the path changed: %v", i, err)
		}
	}
	bad := inclusion
	bad.Line = strings.Replace(bad.Line, "a.record", "b.record", 1)
	if _, err := bad.Check(b.key.Public()); !errors.Is(err, ErrProof) {
		t.Errorf("another line: %v", err)
	}
	if _, err := inclusion.Check(newKey(t, 9).Public()); err == nil {
		t.Error("a proof passes with a key that did not sign")
	}
	// The whole folder made anew by the bench itself: only what was lodged shows it.
	must(t, os.RemoveAll(b.dir))
	l, err := Begin(b.dir, "bench-7", b.key, WithClock(b.clock.now))
	must(t, err)
	b.l.Close()
	b.l = l
	b.sealed("a.record", "x")
	b.sealed("b.record", "x")
	if _, found := b.verify(b.trust()); found != "" {
		t.Errorf("found %s without what was lodged", found)
	}
	if _, found := b.verify(trust); found != "root , root " {
		t.Errorf("found %q", found)
	}
}

func (b *bench) checkpoint() Checkpoint {
	b.t.Helper()
	text, err := os.ReadFile(b.path(CheckpointFile))
	must(b.t, err)
	c, err := ReadCheckpoint(text)
	must(b.t, err)
	return c
}

func TestRotate(t *testing.T) {
	b := newBench(t, "bench-7")
	b.sealed("a.record", "x")
	old := b.checkpoint()
	fresh := newKey(t, 2)
	must(t, b.l.Rotate(fresh))
	b.key = fresh
	b.sealed("b.record", "x")
	must(t, b.reopen())
	if r, found := b.verify(b.trust()); found != "" || len(r.Keys) != 2 {
		t.Fatalf("trusting the first key: %s", found)
	}
	if _, found := b.verify(Trust{Keys: []seal.Public{fresh.Public()}, Lodged: []Checkpoint{old}}); found != "" {
		t.Fatalf("trusting the second key: %s", found)
	}
	b.key = newKey(t, 1)
	if err := b.reopen(); !errors.Is(err, ErrOtherKey) {
		t.Errorf("opened with the old key: %v", err)
	}
}

func TestLateSeals(t *testing.T) {
	b := newBench(t, "bench-7")
	path := b.record("a.record", "x", false)
	if _, err := b.l.Seal(path, SealOptions{}); !errors.Is(err, ErrFault) {
		t.Fatalf("a run without an ending is sealed as if it had one: %v", err)
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	must(t, err)
	_, err = f.WriteString(`{"n":7,"at":12`)
	must(t, errors.Join(err, f.Close()))
	_, err = b.l.Seal(path, SealOptions{Late: true, Reason: "The bench lost power."})
	must(t, err)
	res, err := seal.VerifyFile(path, b.key.Public())
	must(t, err)
	if !res.Sealed || !res.Late || res.Ended || !res.Whole() {
		t.Errorf("%+v", res)
	}
	if got := res.Outline.Seal.Text; got != "The bench lost power. The last 14 bytes were the beginning of a line and were taken off." {
		t.Errorf("the seal says %q", got)
	}
	if _, found := b.verify(b.trust()); found != "" {
		t.Error(found)
	}
	// An altered record gets no seal, late or not.
	altered := b.record("b.record", "x", true)
	b.replace("b.record", "Again", "again")
	if _, err := b.l.Seal(altered, SealOptions{Late: true}); !errors.Is(err, ErrFault) {
		t.Errorf("an altered record: %v", err)
	}
	// Nor does one that is still being written.
	j, err := transcript.Create(b.path("c.record"), transcript.Header{Unit: "c"}, nil)
	must(t, err)
	defer j.Close()
	if _, err := b.l.Seal(b.path("c.record"), SealOptions{Late: true}); !errors.Is(err, ErrRunning) {
		t.Errorf("a run that goes on: %v", err)
	}
}

func TestRetention(t *testing.T) {
	b := newBench(t, "bench-7")
	for _, name := range []string{"a.record", "b.record", "c.record", "d.record"} {
		b.sealed(name, "x")
	}
	b.sealed("other.record", "y")
	names := func(list []Entry) (out []string) {
		for _, e := range list {
			out = append(out, e.Record)
		}
		return out
	}
	log := b.l.Log()
	for _, c := range []struct {
		policy Policy
		now    time.Time
		want   []string
	}{
		{Policy{}, b.clock.t, nil},
		{Policy{Keep: 3}, b.clock.t, []string{"a.record"}},
		{Policy{Keep: 1, Site: "y"}, b.clock.t, nil},
		{Policy{MaxAge: time.Hour}, b.clock.t, nil},
		{Policy{MaxAge: time.Hour}, b.clock.t.Add(time.Hour), []string{"a.record", "b.record", "c.record", "d.record", "other.record"}},
		{Policy{MaxAge: time.Hour, Site: "y"}, b.clock.t.Add(time.Hour), []string{"other.record"}},
	} {
		if got := names(log.Due(c.policy, c.now)); !slices.Equal(got, c.want) {
			t.Errorf("%+v lets go %v, want %v", c.policy, got, c.want)
		}
	}
	for _, e := range log.Due(Policy{Keep: 3}, b.clock.t) {
		must(t, b.l.Remove(e, "one too many", "R. Venn"))
	}
	if _, err := os.Stat(b.path("a.record")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a.record is there: %v", err)
	}
	r, found := b.verify(b.trust())
	if found != "" || r.Removed != 1 || r.Records != 4 {
		t.Errorf("%+v %s", r, found)
	}
	if got := log.Due(Policy{Keep: 3}, b.clock.t); len(got) != 0 {
		t.Errorf("removed twice: %v", names(got))
	}
}

func TestPack(t *testing.T) {
	b := newBench(t, "bench-7")
	b.sealed("a.record", "x")
	b.sealed("private.record", "y")
	must(t, b.l.Rotate(newKey(t, 2)))
	b.key = newKey(t, 2)
	b.sealed("b.record", "x")
	var first, second bytes.Buffer
	must(t, Pack(&first, b.dir, "x"))
	must(t, Pack(&second, b.dir, "x"))
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("two packs differ")
	}
	if bytes.Contains(first.Bytes(), []byte("private")) {
		t.Error("the pack tells of another site")
	}
	if err := Pack(&second, b.dir, "nowhere"); err == nil {
		t.Error("a site without records is packed")
	}
	for n := range byte(2) {
		there := newBench(t, "bench-9")
		got, err := there.l.Unpack(bytes.NewReader(first.Bytes()), "R. Venn", newKey(t, n+1).Public())
		must(t, err)
		if len(got) != 2 {
			t.Errorf("%d came in", len(got))
		}
		if r, found := there.verify(there.trust()); found != "" || r.Records != 2 {
			t.Errorf("%+v %s", r, found)
		}
		again, err := there.l.Unpack(bytes.NewReader(first.Bytes()), "R. Venn", newKey(t, n+1).Public())
		if err != nil || len(again) != 0 {
			t.Errorf("again: %d came in, %v", len(again), err)
		}
	}
	there := newBench(t, "bench-9")
	if _, err := there.l.Unpack(bytes.NewReader(first.Bytes()), "", newKey(t, 9).Public()); !errors.Is(err, ErrPack) {
		t.Errorf("a stranger's key: %v", err)
	}
	// One byte changed anywhere that counts: nothing altered comes in.
	for i := 0; i < first.Len(); i += 37 {
		bad := bytes.Clone(first.Bytes())
		bad[i] ^= 1
		list, err := there.l.Unpack(bytes.NewReader(bad), "", newKey(t, 1).Public())
		if err == nil && !harmless(first.Bytes(), i) {
			t.Errorf("byte %d of %d changed: taken in without a word", i, first.Len())
		}
		for _, e := range list {
			must(t, there.l.Remove(*there.l.Log().Find(e.Record), "test", ""))
		}
	}
	if _, found := there.verify(there.trust()); found != "" {
		t.Error(found)
	}
}

// harmless tells whether a byte is padding, or of a tar header that is not
// used; the header's own sum covers the rest of it.
func harmless(archive []byte, i int) bool { return archive[i] == 0 }
