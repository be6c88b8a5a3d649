package index_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"linehand/transcript"
	"linehand/transcript/index"
)

var day = time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))

// writeRecord writes a small record: a sign-in, a stage, a fact, an ending.
func writeRecord(t testing.TB, path, unit, serial, words string, started time.Time) {
	t.Helper()
	h := transcript.Header{Format: transcript.Format, Unit: unit, Kind: "brackwater-s24", Serial: serial, Site: "skerrymore", Person: "R. Venn", Mode: "bringup", Started: started}
	text := func(s string) []transcript.Part { return []transcript.Part{{Bytes: []byte(s)}} }
	events := []transcript.Event{
		{Kind: transcript.Stage, Name: "sign in", State: "entered"},
		{Kind: transcript.Heard, Data: text("Serial no. " + serial + "\r\n\x1b[1mSign in:\x1b[0m ")},
		{Kind: transcript.Fact, Name: "serial", Text: serial},
		{Kind: transcript.Said, Why: "answer", Data: text("fitter")},
		{Kind: transcript.Said, Why: "enter", Data: text("\r")},
		{Kind: transcript.Heard, Data: text("fitter\r\n" + words + "\r\n")},
		{Kind: transcript.Stage, Name: "cluster", State: "entered"},
		{Kind: transcript.Ending, Code: "done", Text: "The unit is set up.", Next: "Label it."},
	}
	for i := range events {
		events[i].N, events[i].At, events[i].Wall = i+1, time.Duration(i)*time.Second, started.Add(time.Duration(i)*time.Second)
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(transcript.Encode(f, h, events), f.Close()); err != nil {
		t.Fatal(err)
	}
}

func open(t testing.TB, path string) *index.Index {
	t.Helper()
	x, err := index.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.Close() })
	return x
}

func update(t testing.TB, x *index.Index, folder string) index.Change {
	t.Helper()
	c, err := x.Update(t.Context(), folder)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// found are the hits as "record@event text".
func found(t testing.TB, x *index.Index, q index.Query) []string {
	t.Helper()
	hits, err := x.Search(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, h := range hits {
		list = append(list, strings.TrimSpace(fmt.Sprintf("%s@%d %s", strings.TrimSuffix(filepath.Base(h.Record), ".record"), h.Event, h.Text)))
	}
	return list
}

// shelves is a folder of three records.
func shelves(t testing.TB) string {
	dir := t.TempDir()
	writeRecord(t, filepath.Join(dir, "a.record"), "deep-1", "BW24-0113", "Address refused: 192.0.2.7 is taken.", day)
	writeRecord(t, filepath.Join(dir, "b.record"), "deep-2", "BW24-0127", "Signed in as “Möwe”.", day.Add(24*time.Hour))
	if err := os.Mkdir(filepath.Join(dir, "old"), 0o700); err != nil {
		t.Fatal(err)
	}
	writeRecord(t, filepath.Join(dir, "old", "c.record"), "deep-1", "BW24-0113", "Signed in.", day.Add(-24*time.Hour))
	return dir
}

func TestSearch(t *testing.T) {
	dir := shelves(t)
	x := open(t, filepath.Join(t.TempDir(), "index.db"))
	if c := update(t, x, dir); c.Added != 3 || len(c.Unread) > 0 {
		t.Fatalf("the first update: %+v", c)
	}
	for _, c := range []struct {
		name string
		q    index.Query
		want []string
	}{
		{"unit, capitals or not, latest first", index.Query{Unit: "DEEP-1"}, []string{"a@0", "c@0"}},
		{"serial number", index.Query{Serial: "bw24-0127"}, []string{"b@0"}},
		{"stage", index.Query{Stage: "Cluster", Unit: "deep-2"}, []string{"b@7 cluster"}},
		{"fact by name and text", index.Query{Fact: "serial=BW24-0127"}, []string{"b@3 serial = BW24-0127"}},
		{"fact by text", index.Query{Fact: "=BW24-0127"}, []string{"b@3 serial = BW24-0127"}},
		{"fact by name", index.Query{Fact: "serial", Unit: "deep-2"}, []string{"b@3 serial = BW24-0127"}},
		{"an address", index.Query{Text: "192.0.2.7"}, []string{"a@6 Address refused: 192.0.2.7 is taken."}},
		{"words from their beginning, in any order", index.Query{Text: "refus addr"}, []string{"a@6 Address refused: 192.0.2.7 is taken."}},
		{"letters beyond ASCII", index.Query{Text: "möwe"}, []string{"b@6 Signed in as “Möwe”."}},
		{"operators are words", index.Query{Text: `taken OR "signed`}, nil},
		{"text and unit", index.Query{Text: "signed", Unit: "deep-1"}, []string{"c@6 Signed in."}},
		{"what was typed", index.Query{Text: "fitter", Unit: "deep-2"}, []string{"b@2 Sign in: fitter", "b@4 fitter"}},
		{"time", index.Query{Since: day, Before: day.Add(time.Hour)}, []string{"a@0"}},
		{"ending", index.Query{Ending: "held"}, nil},
		{"limit", index.Query{Ending: "done", Limit: 1}, []string{"b@0"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, found(t, x, c.q)); diff != "" {
				t.Errorf("hits (-want +got):\n%s", diff)
			}
		})
	}
	if _, err := x.Search(t.Context(), index.Query{}); !errors.Is(err, index.ErrEmptyQuery) {
		t.Errorf("a query for nothing: %v", err)
	}
}

func TestUpdateReadsOnlyWhatIsNew(t *testing.T) {
	dir := shelves(t)
	x := open(t, filepath.Join(t.TempDir(), "index.db"))
	update(t, x, dir)
	if c := update(t, x, dir); c.Same != 3 || c.Added+c.Changed+c.Removed+c.Moved > 0 {
		t.Errorf("nothing was changed: %+v", c)
	}
	writeRecord(t, filepath.Join(dir, "b.record"), "deep-3", "BW24-0999", "Signed out.", day)
	if err := os.Remove(filepath.Join(dir, "a.record")); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "old", "c.record"), filepath.Join(dir, "d.record")); err != nil {
		t.Fatal(err)
	}
	writeRecord(t, filepath.Join(dir, "e.record"), "deep-4", "BW24-0444", "Signed out.", day)
	c := update(t, x, dir)
	if c.Changed != 1 || c.Removed != 1 || c.Added+c.Moved != 2 {
		t.Errorf("one changed, one removed, one renamed, one new: %+v", c)
	}
	for q, want := range map[index.Query][]string{
		{Unit: "deep-2"}:  nil,
		{Unit: "deep-3"}:  {"b@0"},
		{Unit: "deep-1"}:  {"d@0"},
		{Text: "refused"}: nil,
		{Text: "Möwe"}:    nil,
	} {
		if diff := cmp.Diff(want, found(t, x, q)); diff != "" {
			t.Errorf("%+v (-want +got):\n%s", q, diff)
		}
	}
}

func TestTheIndexCanBeThrownAway(t *testing.T) {
	dir := shelves(t)
	path := filepath.Join(t.TempDir(), "index.db")
	x := open(t, path)
	update(t, x, dir)
	want := found(t, x, index.Query{Text: "signed"})
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string][]byte{"gone": nil, "no database": []byte("this is no database, and longer than its header, so that it is looked at"), "empty": {}} {
		t.Run(name, func(t *testing.T) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			if spoil != nil {
				if err := os.WriteFile(path, spoil, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			x := open(t, path)
			if c := update(t, x, dir); c.Added != 3 {
				t.Errorf("the index made anew: %+v", c)
			}
			if diff := cmp.Diff(want, found(t, x, index.Query{Text: "signed"})); diff != "" {
				t.Errorf("hits (-want +got):\n%s", diff)
			}
			if info, err := os.Stat(path); err != nil || info.Mode().Perm()&0o077 != 0 && os.PathSeparator == '/' {
				t.Errorf("others may read the index: %v", info.Mode())
			}
			x.Close()
		})
	}
}

func TestFilesThatAreNoRecords(t *testing.T) {
	dir := shelves(t)
	if err := os.WriteFile(filepath.Join(dir, "z.record"), []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, "a.record"))
	if err != nil {
		t.Fatal(err)
	}
	cut := filepath.Join(dir, "cut.record")
	if err := os.WriteFile(cut, whole[:len(whole)-200], 0o600); err != nil {
		t.Fatal(err)
	}
	x := open(t, filepath.Join(t.TempDir(), "index.db"))
	c := update(t, x, dir)
	if c.Added != 4 || len(c.Unread) != 1 || !strings.Contains(c.Unread[0], "z.record") {
		t.Errorf("%+v", c)
	}
	hits, err := x.Search(t.Context(), index.Query{Unit: "deep-1", Since: day})
	if err != nil || len(hits) != 2 || hits[0].Fault != "" || hits[1].Fault != "cut" {
		t.Errorf("the record that is cut off: %+v, %v", hits, err)
	}
	if _, err := x.Update(t.Context(), filepath.Join(dir, "nowhere")); err != nil {
		t.Errorf("a folder that is not there: %v", err)
	}
}

// FuzzSearch: no words make a search fail.
func FuzzSearch(f *testing.F) {
	dir := shelves(f)
	x, err := index.Open(context.Background(), filepath.Join(f.TempDir(), "index.db"))
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { x.Close() })
	if _, err := x.Update(context.Background(), dir); err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{`"`, "a OR b", "NEAR(a b)", "*", "-a", "text:a", "a\x00b", "\xff", "^a", "( )"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if _, err := x.Search(t.Context(), index.Query{Text: text, Unit: text, Stage: text, Fact: text}); err != nil && !errors.Is(err, index.ErrEmptyQuery) {
			t.Errorf("%q: %v", text, err)
		}
	})
}

// many writes records of 10,000 runs.
func many(b *testing.B, n int) string {
	dir := b.TempDir()
	for i := range n {
		sub := filepath.Join(dir, fmt.Sprintf("%03d", i%100))
		if i < 100 {
			if err := os.Mkdir(sub, 0o700); err != nil {
				b.Fatal(err)
			}
		}
		writeRecord(b, filepath.Join(sub, fmt.Sprintf("%05d.record", i)), fmt.Sprintf("shelf-%d", i%2500), fmt.Sprintf("BW24-%05d", i%2500),
			fmt.Sprintf("Signed in.\r\nUnit name: shelf-%d\r\nAddress of e0: 192.0.2.%d\r\nJoined the cluster.", i%2500, i%250), day.Add(time.Duration(i)*time.Minute))
	}
	return dir
}

// BenchmarkTenThousandRecords: what it takes to index 10,000 records, to find
// that nothing has changed, and to search them.
func BenchmarkTenThousandRecords(b *testing.B) {
	dir := many(b, 10000)
	path := filepath.Join(b.TempDir(), "index.db")
	x := open(b, path)
	begun := time.Now()
	update(b, x, dir)
	b.Logf("10,000 records indexed in %v", time.Since(begun).Round(time.Millisecond))
	if info, err := os.Stat(path); err == nil {
		b.Logf("the index has %.1f MB", float64(info.Size())/1e6)
	}
	b.Run("nothing new", func(b *testing.B) {
		for b.Loop() {
			update(b, x, dir)
		}
	})
	for name, q := range map[string]index.Query{
		"unit":  {Unit: "shelf-77"},
		"text":  {Text: "192.0.2.77"},
		"fact":  {Fact: "serial=BW24-00077"},
		"stage": {Stage: "cluster", Unit: "shelf-77"},
		"time":  {Since: day.Add(100 * time.Hour), Before: day.Add(101 * time.Hour)},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if len(found(b, x, q)) == 0 {
					b.Fatal("nothing was found")
				}
			}
		})
	}
}
