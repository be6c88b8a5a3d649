//go:build unix

package ledger

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"linehand/transcript"
	"linehand/transcript/seal"
)

// In a child process of the test, a run without end is recorded: it hears
// numbered lines and answers them, and what it sends it writes to standard
// output, as if that were the wire, once the record says that it may.
func TestRecordForEver(t *testing.T) {
	path := os.Getenv("LINEHAND_TEST_RECORD")
	if path == "" {
		t.Skip("for TestKilled only")
	}
	mask := transcript.NewMask()
	mask.Add("admin", "tide-table-42")
	j, err := transcript.Create(path, transcript.Header{Unit: "u"}, mask, transcript.WithCommitments(transcript.NewCheapCommitter()))
	must(t, err)
	for n := 0; n < 1_000_000; n++ {
		must(t, j.Heard(time.Now(), heardAt(n)))
		if n%7 == 0 {
			must(t, j.Append(transcript.Event{Kind: transcript.Stage, Name: fmt.Sprint("stage ", n), State: "entered"}))
		}
		if n%3 == 0 {
			answer := fmt.Appendf(nil, "answer %d\r", n)
			must(t, j.Say(transcript.Event{Why: "answer", Data: []transcript.Part{{Bytes: answer}}}))
			_, err := os.Stdout.Write(answer)
			must(t, err)
		}
	}
}

func heardAt(n int) []byte { return fmt.Appendf(nil, "line %d of the unit: ready\r\n", n) }

// Killed at a random moment, a record is readable up to its last whole line,
// tells all that reached the wire and at most one answer more, tells what was
// heard without a gap, and can be sealed late. LINEHAND_KILLS sets how often.
func TestKilled(t *testing.T) {
	kills := 20
	if text := os.Getenv("LINEHAND_KILLS"); text != "" {
		var err error
		kills, err = strconv.Atoi(text)
		must(t, err)
	}
	b := newBench(t, "bench-7")
	torn, events := 0, 0
	for i := range kills {
		name := fmt.Sprintf("run-%d.record", i)
		wire := killedRun(t, b.path(name), rand.New(rand.NewPCG(uint64(i), 6)))
		rec, err := transcript.Read(b.path(name))
		if errors.Is(err, transcript.ErrNotRecord) || errors.Is(err, os.ErrNotExist) {
			if len(wire) > 0 {
				t.Fatalf("run %d: there is no record, and %q was sent", i, wire)
			}
			os.Remove(b.path(name)) // killed before the header was there
			continue
		}
		must(t, err)
		if rec.Fault == nil || rec.Fault.Kind != transcript.FaultCut && rec.Fault.Kind != transcript.FaultUnended {
			t.Fatalf("run %d: fault %v", i, rec.Fault)
		}
		if rec.Fault.Kind == transcript.FaultCut {
			torn++
		}
		events += len(rec.Events)
		checkKilled(t, i, rec, wire)
		if _, err := b.l.Seal(b.path(name), SealOptions{Late: true, Reason: "The program was killed."}); err != nil && len(rec.Events) > 0 {
			t.Fatal(err)
		}
	}
	if r, found := b.verify(b.trust()); found != "" {
		t.Errorf("%s %+v", found, r)
	}
	t.Logf("%d kills, %d events, %d records with a torn line", kills, events, torn)
}

// killedRun records in a child process, kills it, and returns what it sent.
func killedRun(t *testing.T, path string, r *rand.Rand) []byte {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestRecordForEver$")
	cmd.Env = append(os.Environ(), "LINEHAND_TEST_RECORD="+path, "LINEHAND_KILLS=")
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	var wire bytes.Buffer
	in := bufio.NewReader(out)
	for range r.IntN(30) { // so many answers are let through
		answer, err := in.ReadBytes('\r')
		wire.Write(answer)
		if err != nil {
			break
		}
	}
	timer := time.NewTimer(time.Duration(r.IntN(3000)) * time.Microsecond) // then at any moment
	<-timer.C
	must(t, cmd.Process.Kill())
	_, err = io.Copy(&wire, in)
	must(t, err)
	_ = cmd.Wait()
	return wire.Bytes()
}

func checkKilled(t *testing.T, i int, rec *transcript.Record, wire []byte) {
	t.Helper()
	var said, heard, want bytes.Buffer
	for _, e := range rec.Events {
		for _, part := range e.Data {
			switch e.Kind {
			case transcript.Said:
				said.Write(part.Bytes)
			case transcript.Heard:
				heard.Write(part.Bytes)
			}
		}
	}
	rest, ok := bytes.CutPrefix(said.Bytes(), wire)
	if !ok || bytes.Count(rest, []byte("\r")) > 1 {
		t.Errorf("run %d: sent %d bytes, of which the record does not tell, or tells of %q besides", i, len(wire), rest)
	}
	for n := 0; want.Len() < heard.Len(); n++ {
		want.Write(heardAt(n))
	}
	if !bytes.HasPrefix(want.Bytes(), heard.Bytes()) {
		t.Errorf("run %d: what was heard has a gap", i)
	}
}

// Sealing killed at random moments, many records one after the other: the log
// opens again, and in the end every record is sealed and the folder whole.
func TestSealForEver(t *testing.T) {
	dir := os.Getenv("LINEHAND_TEST_FOLDER")
	if dir == "" {
		t.Skip("for TestSealingKilled only")
	}
	l, err := Open(dir, newKey(t, 1))
	must(t, err)
	names, err := filepath.Glob(filepath.Join(dir, "*.record"))
	must(t, err)
	for _, name := range names {
		if _, err := l.Seal(name, SealOptions{Late: true}); err != nil && !errors.Is(err, ErrSealed) {
			t.Fatal(err)
		}
	}
}

func TestSealingKilled(t *testing.T) {
	b := newBench(t, "bench-7")
	for i := range 30 {
		b.record(fmt.Sprintf("run-%d.record", i), "x", i%3 > 0)
	}
	b.l.Close()
	for i := range 10 {
		cmd := exec.Command(os.Args[0], "-test.run=^TestSealForEver$")
		cmd.Env = append(os.Environ(), "LINEHAND_TEST_FOLDER="+b.dir)
		must(t, cmd.Start())
		timer := time.NewTimer(time.Duration(5+3*i) * time.Millisecond)
		<-timer.C
		must(t, cmd.Process.Kill())
		_ = cmd.Wait()
		r, err := Verify(b.dir, Trust{Keys: []seal.Public{b.key.Public()}})
		must(t, err)
		for _, f := range r.Findings { // what was under way may be half done, and nothing else
			if !f.Remark && f.Code != SealGone && f.Code != Code(transcript.FaultCut) {
				t.Errorf("kill %d: %s", i, f)
			}
		}
	}
	must(t, b.reopen())
	for i := range 30 {
		if _, err := b.l.Seal(b.path(fmt.Sprintf("run-%d.record", i)), SealOptions{Late: true}); err != nil && !errors.Is(err, ErrSealed) {
			t.Fatal(err)
		}
	}
	r, found := b.verify(b.trust())
	if found != "" || r.Records != 30 {
		t.Errorf("%s %+v", found, r)
	}
	for _, f := range r.Findings {
		if f.Code != Code(transcript.FaultUnended) && f.Code != ClockBack {
			t.Error(f)
		}
	}
}
