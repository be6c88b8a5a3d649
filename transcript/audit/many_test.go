package audit

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"linehand/transcript"
)

// named is a run's report under a name, begun days later.
func named(name string, rec *transcript.Record, days int) Named {
	rec.Header.Started = rec.Header.Started.AddDate(0, 0, days)
	number(rec)
	return Named{Record: name + ".record", Report: Audit(rec, Planned{})}
}

// other is a run of another unit, which refused its address and whose
// cluster took longer.
func other(unit string) *transcript.Record {
	rec := run()
	rec.Header.Unit = unit
	for i := range rec.Events {
		e := &rec.Events[i]
		if e.Kind == transcript.Hold && e.State == "raised" {
			e.Code, e.Exchange, e.Text = "refused", "Address of e0:", "the unit did not take the answer to \"Address of e0:\": Address refused: taken"
		}
		if e.At > 62*time.Second {
			e.At += 30 * time.Second
		}
		if e.Kind == transcript.Fact {
			e.Text = "BW24-0118"
		}
	}
	return rec
}

func TestCompare(t *testing.T) {
	first, then := named("a", run(), 0), named("b", other("shelf-a1"), 1)
	c := Compare(then, first)
	if c.First.Record != "a.record" || !c.OneUnit {
		t.Errorf("the earlier run is the first: %+v", c)
	}
	var got []string
	for _, d := range c.Differences {
		got = append(got, d.Kind+": "+d.What+": "+d.First+" -> "+d.Then)
	}
	want := []string{
		"time: verify: 4s -> 34s",
		"fact: serial: BW24-0117 -> BW24-0118",
		"hold: network, unknown-prompt: the unit asks what the dialogue does not know: “Rack number?” -> ",
		"hold: network, refused:  -> the unit did not take the answer to \"Address of e0:\": Address refused: taken",
		"refused: network, Address of e0::  -> the unit did not take the answer to \"Address of e0:\": Address refused: taken",
		"ending: verdict: as planned -> differs",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("differences (-want +got):\n%s", diff)
	}
	if same := Compare(first, first); len(same.Differences) != 0 {
		t.Errorf("a run differs from itself: %+v", same.Differences)
	}
	goldenOf(t, "compare", c.WriteText, c)
}

func TestFleet(t *testing.T) {
	reports := []Named{named("c", other("shelf-a2"), 2), named("a", other("shelf-a1"), 0), named("b", run(), 1)}
	f := Over(reports)
	if f.Runs != 3 || len(f.Units) != 2 || f.Units[0].Runs != 2 || f.Units[0].Last.Record != "b.record" {
		t.Errorf("runs and units: %+v", f.Units)
	}
	if f.Worst() != Differs {
		t.Errorf("the worst is %q", f.Worst())
	}
	i := slices.IndexFunc(f.Stages, func(s StageTime) bool { return s.Stage == "verify" })
	if s := f.Stages[i]; s.Median != 34*time.Second || s.Max != 34*time.Second || s.Runs != 3 || s.All != 72*time.Second {
		t.Errorf("stage verify took 34, 4 and 34 s: %+v", s)
	}
	if p := f.Prompts[0]; p.Exchange != "Address of e0:" || p.Refused != 2 || p.Retypes != 3 || len(p.Units) != 2 {
		t.Errorf("the prompt that was refused: %+v", p)
	}
	slices.Reverse(reports)
	if diff := cmp.Diff(f, Over(reports)); diff != "" {
		t.Errorf("the order of the records makes a difference:\n%s", diff)
	}
	goldenOf(t, "fleet", f.WriteText, f)
	if empty := Over(nil); empty.Runs != 0 || empty.Worst() != AsPlanned {
		t.Errorf("of no record: %+v", empty)
	}
}

// goldenOf compares text and JSON with files in testdata.
func goldenOf(t *testing.T, name string, write func(io.Writer) error, value any) {
	t.Helper()
	var text bytes.Buffer
	if err := write(&text); err != nil {
		t.Fatal(err)
	}
	asJSON, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	for file, got := range map[string][]byte{name + ".txt": text.Bytes(), name + ".json": append(asJSON, '\n')} {
		path := filepath.Join("testdata", file)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(got)); diff != "" {
			t.Error(diff)
		}
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		list []time.Duration
		want time.Duration
	}{{[]time.Duration{7}, 7}, {[]time.Duration{9, 1, 5}, 5}, {[]time.Duration{4, 1, 2, 9}, 3}} {
		if got := median(c.list); got != c.want {
			t.Errorf("median of %v is %v, want %v", c.list, got, c.want)
		}
	}
}

func TestClockJumps(t *testing.T) {
	rec := run()
	for i := range rec.Events {
		switch {
		case i >= 20:
			rec.Events[i].Wall = rec.Events[i].Wall.Add(-time.Hour + time.Second)
		case i >= 10:
			rec.Events[i].Wall = rec.Events[i].Wall.Add(time.Second) // slewed: no jump
		}
	}
	got := Audit(rec, plan).Clock
	if want := []Jump{{Event: 21, At: rec.Events[20].At, By: -time.Hour}}; !slices.Equal(got, want) {
		t.Errorf("clock jumps %+v, want %+v", got, want)
	}
}

func TestFactorySecret(t *testing.T) {
	typed := func(events ...transcript.Event) *transcript.Record {
		rec := run()
		rec.Events = append(slices.Clone(rec.Events[:2]), events...)
		number(rec)
		return rec
	}
	sign := func(name string) transcript.Event { return secret("sign in", "Pass phrase:", name) }
	refused := transcript.Event{Kind: transcript.Note, Code: "progress", Stage: "sign in", Text: `refused: Sign-in refused; going on with stage "again"`}
	for name, c := range map[string]struct {
		rec  *transcript.Record
		want FactoryState
	}{
		"never typed":                     {typed(sign("admin")), ""},
		"typed and left":                  {typed(sign("factory")), FactoryValid},
		"another was taken in its place":  {typed(sign("factory"), secret("new", "New:", "admin"), secret("new", "Again:", "admin"), sign("admin")), FactoryReplaced},
		"another was set, and not tried":  {typed(sign("factory"), secret("new", "New:", "admin"), secret("new", "Again:", "admin")), FactorySet},
		"only a join secret was set":      {typed(sign("factory"), secret("new", "Join secret:", "join"), secret("new", "Join secret again:", "join")), FactoryValid},
		"it was refused":                  {typed(sign("factory"), refused), FactoryRefused},
		"refused, then the planned one":   {typed(sign("factory"), refused, sign("admin")), FactoryReplaced},
		"the other was refused in return": {typed(sign("factory"), sign("admin"), refused), FactoryValid},
	} {
		t.Run(name, func(t *testing.T) {
			var got FactoryState
			if f := Audit(c.rec, Planned{}).Factory; f != nil {
				got = f.State
			}
			if got != c.want {
				t.Errorf("it is %q, want %q", got, c.want)
			}
		})
	}
}

var tags = regexp.MustCompile(`(?i)<(/?[a-z!][a-z0-9-]*)`)

// TestHTMLIsSafe: whatever stands in a record is text in the page.
func TestHTMLIsSafe(t *testing.T) {
	const hostile = `</td></table><script>alert(1)</script><img src=x onerror="alert(2)">` + "\x1b[2J\u202e"
	page := func(words string) string {
		rec := other("shelf-a1" + words)
		for i := range rec.Events {
			e := &rec.Events[i]
			for _, field := range []*string{&e.Text, &e.Stage, &e.Exchange, &e.Value, &e.Got, &e.Want, &e.By} {
				if *field != "" {
					*field += words
				}
			}
			if e.Kind == transcript.Stage {
				e.Name += words
			}
		}
		rec.Header.Person, rec.Header.Line.Name = "R. Venn"+words, "usb0"+words
		a, b := named("a"+words, rec, 0), named("b", run(), 1)
		c, f := Compare(a, b), Over([]Named{a, b})
		var out bytes.Buffer
		if err := (Sheet{Reports: []Named{a, b}, Comparison: &c, Fleet: &f}).HTML(&out); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	got, want := page(hostile), page(" and harmless words")
	if strings.Contains(got, "<script") || strings.Contains(got, "<img") || strings.ContainsAny(got, "\x1b\u202e") {
		t.Error("words of the unit are markup, or could steer a terminal")
	}
	if diff := cmp.Diff(tags.FindAllString(want, -1), tags.FindAllString(got, -1)); diff != "" {
		t.Errorf("the elements are others than those of harmless words:\n%s", diff)
	}
	for _, banned := range []string{"src=", "href=", "url(", "http://", "https://", "style=\""} {
		if strings.Contains(want, banned) {
			t.Errorf("the page holds %q", banned)
		}
	}
}
