package archive

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"linehand/cmd/internal/pack"
	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/index"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func record(t *testing.T, path, unit string) {
	t.Helper()
	begun := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	var b bytes.Buffer
	must(t, transcript.Encode(&b, transcript.Header{Unit: unit, Started: begun}, []transcript.Event{
		{N: 1, Wall: begun, Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte("harbour wall\r\n")}}},
		{N: 2, At: time.Second, Wall: begun, Kind: transcript.Ending, Code: "held", Text: "Given up.", Exit: 10},
	}))
	must(t, os.MkdirAll(filepath.Dir(path), 0o700))
	must(t, os.WriteFile(path, b.Bytes(), 0o600))
}

func TestFindAndRead(t *testing.T) {
	base := t.TempDir()
	folder := filepath.Join(base, "records")
	a, err := Open(Options{Folder: folder})
	must(t, err)
	record(t, filepath.Join(folder, "a.record"), "deep-1")
	record(t, filepath.Join(folder, "earlier", "b.record"), "deep-2")
	all, err := a.Find(t.Context(), index.Query{})
	must(t, err)
	if len(all) != 2 {
		t.Fatalf("%+v", all)
	}
	hits, err := a.Find(t.Context(), index.Query{Text: "harbour", Unit: "deep-2"})
	must(t, err)
	if len(hits) != 1 || hits[0].Record != "earlier/b.record" {
		t.Fatalf("%+v", hits)
	}
	r, err := a.Audit(hits[0].Record)
	if err != nil || r.Unit != "deep-2" || r.Verdict == audit.AsPlanned {
		t.Errorf("%+v, %v", r, err)
	}
	if f, err := a.Film("a.record"); err != nil || len(f.Frames) == 0 {
		t.Errorf("%+v, %v", f, err)
	}
	if s, err := a.Seal("a.record"); err != nil || s.Sealed || s.File != "a.record" {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := a.Make([]string{"a.record"}, pack.UsualLabels); !errors.Is(err, ErrNoPlan) {
		t.Error(err)
	}
}

// TestOutside: nothing outside the folder is read, by no name.
func TestOutside(t *testing.T) {
	base := t.TempDir()
	folder := filepath.Join(base, "records")
	a, err := Open(Options{Folder: folder})
	must(t, err)
	record(t, filepath.Join(base, "out.record"), "deep-1")
	record(t, filepath.Join(folder, "in.record"), "deep-1")
	must(t, os.Mkdir(filepath.Join(folder, "folder.record"), 0o700))
	if runtime.GOOS != "windows" {
		must(t, os.Symlink(filepath.Join(base, "out.record"), filepath.Join(folder, "link.record")))
	}
	for _, name := range []string{"../out.record", filepath.Join(base, "out.record"), "x/../../out.record", "link.record", "folder.record", "in.record\x00", "", ".record", "none.record", "index.db", "keys"} {
		if f, err := a.File(name); !errors.Is(err, ErrNone) {
			t.Errorf("%q: %v %v", name, f, err)
		}
	}
	f, err := a.File("in.record")
	must(t, err)
	f.Close()
}
