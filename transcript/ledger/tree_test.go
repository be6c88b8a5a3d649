package ledger

import (
	"bytes"
	"encoding/hex"
	"errors"
	"os"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// The leaves of the Certificate Transparency test set, and the tree hashes,
// inclusion and consistency proofs over them; the rules are those of RFC 6962
// section 2.1 and RFC 9162 section 2.1.
var leaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}

var roots = []string{
	"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
	"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
	"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
	"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
	"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
	"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
	"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
	"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}

const (
	h01   = "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"
	h23   = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
	h4    = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
	h67   = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
	h0to3 = "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"
)

func testTree(t *testing.T) *Log {
	t.Helper()
	l := new(Log)
	for _, leaf := range leaves {
		data, err := hex.DecodeString(leaf)
		must(t, err)
		must(t, l.add(Entry{}, data))
	}
	return l
}

func TestTreeHashes(t *testing.T) {
	l := testTree(t)
	for n, want := range roots {
		root, err := l.Root(int64(n))
		must(t, err)
		if got := hex.EncodeToString(root[:]); got != want {
			t.Errorf("root of %d leaves: %s, want %s", n, got, want)
		}
	}
}

func TestTreeProofs(t *testing.T) {
	l := testTree(t)
	same := func(what string, got []tlog.Hash, want ...string) {
		t.Helper()
		for i, h := range got {
			if i >= len(want) || hex.EncodeToString(h[:]) != want[i] {
				t.Errorf("%s: step %d is %x", what, i, h[:])
			}
		}
		if len(got) != len(want) {
			t.Errorf("%s: %d steps, want %d", what, len(got), len(want))
		}
	}
	path, err := tlog.ProveRecord(8, 0, l)
	must(t, err)
	same("leaf 0 in 8", path, "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7", h23, "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4")
	path, err = tlog.ProveRecord(8, 5, l)
	must(t, err)
	same("leaf 5 in 8", path, h4, h67, h0to3)
	tree, err := tlog.ProveTree(5, 2, l)
	must(t, err)
	same("2 to 5", tree, h23, h4)
	tree, err = tlog.ProveTree(8, 6, l)
	must(t, err)
	same("6 to 8", tree, "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a", h67, h0to3)
}

// What a crash leaves at any step of sealing: Open finishes it, or it never
// began. The order is entry, seal, checkpoint.
func TestCrashAtEachStep(t *testing.T) {
	b := newBench(t, "bench-7")
	b.sealed("a.record", "x")
	path := b.record("b.record", "x", true)
	read := func(name string) []byte {
		data, err := os.ReadFile(b.path(name))
		must(t, err)
		return data
	}
	log, record, point := read(File), read("b.record"), read(CheckpointFile)
	_, err := b.l.Seal(path, SealOptions{})
	must(t, err)
	b.l.Close()
	log2, record2 := read(File), read("b.record")
	try := func(what string, log, record []byte, sealed bool) {
		t.Helper()
		for name, data := range map[string][]byte{File: log, "b.record": record, CheckpointFile: point} {
			must(t, os.WriteFile(b.path(name), data, 0o600))
		}
		must(t, b.reopen())
		if !sealed {
			if !bytes.Equal(read("b.record"), record) {
				t.Errorf("%s: the record is another", what)
			}
			_, err := b.l.Seal(path, SealOptions{Late: true})
			must(t, err)
		} else if !bytes.Equal(read("b.record"), record2) {
			t.Errorf("%s: the record is not sealed as it was to be", what)
		}
		if r, found := b.verify(b.trust()); found != "" || len(r.Findings) > 0 {
			t.Errorf("%s: %s %v", what, found, r.Findings)
		}
		b.l.Close()
	}
	try("before the entry", log, record, false)
	for n := 1; n < len(log2)-len(log); n += 41 {
		try("in the entry", log2[:len(log)+n], record, false)
	}
	for n := 0; n <= len(record2)-len(record); n += 23 {
		try("in the seal", log2, record2[:len(record)+n], true)
	}
	try("before the checkpoint", log2, record2, true)
	// A removal that was entered and not done is done.
	for name, data := range map[string][]byte{File: log2, "b.record": record2} {
		must(t, os.WriteFile(b.path(name), data, 0o600))
	}
	must(t, os.Remove(b.path(CheckpointFile)))
	if err := b.reopen(); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a log without its checkpoint is signed anew: %v", err)
	}
}

func TestRemovalIsFinished(t *testing.T) {
	b := newBench(t, "bench-7")
	e := b.sealed("a.record", "x")
	_, err := b.l.append(Entry{Kind: Removed, Record: e.Record, Of: e.Entry, Why: "old"})
	must(t, err)
	must(t, b.reopen())
	if _, err := os.Stat(b.path("a.record")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the record is there: %v", err)
	}
	if _, found := b.verify(b.trust()); found != "" {
		t.Error(found)
	}
}

func TestOpenRefusesAnAlteredLog(t *testing.T) {
	for name, spoil := range map[string]func(*bench){
		"edited":         func(b *bench) { b.replace(File, `"unit":"a"`, `"unit":"b"`) },
		"cut":            func(b *bench) { b.cutLines(File, 1) },
		"forged removal": func(b *bench) { b.forgeRemoval() },
	} {
		b := newBench(t, "bench-7")
		b.sealed("a.record", "x")
		b.sealed("b.record", "x")
		spoil(b)
		if err := b.reopen(); !errors.Is(err, ErrAltered) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func BenchmarkVerifyFolder(b *testing.B) {
	bench := newBench(b, "bench-7")
	for i := range 200 {
		bench.sealed(string(rune('a'+i%26))+string(rune('a'+i/26))+".record", "x")
	}
	for b.Loop() {
		r, err := Verify(bench.dir, bench.trust())
		must(b, err)
		if !r.Whole() || r.Records != 200 {
			b.Fatal(r.Findings)
		}
	}
	b.ReportMetric(200*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}
