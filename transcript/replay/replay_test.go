package replay

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"linehand/transcript"
)

var update = flag.Bool("update", false, "write the golden files anew")

func heard(at time.Duration, text string) transcript.Event {
	return transcript.Event{At: at, Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte(text)}}}
}

func said(at time.Duration, why, text string) transcript.Event {
	return transcript.Event{At: at, Kind: transcript.Said, Why: why, Data: []transcript.Part{{Bytes: []byte(text)}}}
}

// run is a short bring-up, with a redrawn countdown, colours, a masked echo
// and a window title that a viewer's terminal must not get.
func run() *transcript.Record {
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	rec := &transcript.Record{
		Header: transcript.Header{Unit: "shelf-a1", Line: transcript.LineInfo{Name: "usb0"}, Person: "R. Venn",
			Started: time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))},
		Whole: true,
		Events: []transcript.Event{
			heard(ms(100), "\x1b]0;owned\a\x00Brackwater S24\r\nStarting in  3"),
			heard(ms(1100), "\b\b 2"),
			heard(ms(2100), "\b\b 1\r\n"),
			{At: ms(2110), Kind: transcript.Stage, Name: "sign in", State: "entered"},
			heard(ms(2200), "Serial no. BW24-0117\r\n\x1b[1mSign in:\x1b[0m "),
			{At: ms(2201), Kind: transcript.Fact, Name: "serial", Text: "BW24-0117"},
			said(ms(2300), "answer", "maint"),
			heard(ms(2310), "maint"),
			said(ms(2320), "enter", "\r"),
			heard(ms(2330), "\r\nPass phrase: \x1b[6n"),
			{At: ms(2400), Kind: transcript.Said, Why: "answer", Data: []transcript.Part{{Secret: "factory"}}},
			heard(ms(2410), "*******"),
			said(ms(2420), "enter", "\r"),
			heard(ms(2430), "\r\nWelcome, "),
			{At: ms(2440), Kind: transcript.Heard, Data: []transcript.Part{{Secret: "factory"}, {Bytes: []byte("!\r\n\xff\xfe\r\n")}}},
			heard(ms(2450), "Start a cluster? [y/n] "),
			{At: ms(2500), Kind: transcript.Stage, Name: "network", State: "entered"},
			{At: ms(9000), Kind: transcript.Hold, State: "raised", Text: "The plan says join, and the unit offers to start a cluster.", Code: "guard"},
			{At: ms(30000), Kind: transcript.Hold, State: "released", Code: "by-hand", By: "R. Venn"},
			said(ms(31000), "hand", "n\x03"),
			{At: ms(31100), Kind: transcript.ReadBack, Name: "address", Want: "192.0.2.7", Got: "192.0.2.9"},
			{At: ms(31200), Kind: transcript.Note, Text: "The unit printed \x1b[31m red.", By: "R. Venn"},
			{At: ms(31300), Kind: transcript.Ending, Text: "Given up.", Next: "Start again."},
		},
	}
	return rec
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
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

func TestText(t *testing.T) {
	var first, second bytes.Buffer
	for _, w := range []*bytes.Buffer{&first, &second} {
		if err := Text(w, run(), Options{}); err != nil {
			t.Fatal(err)
		}
	}
	golden(t, "run.txt", first.Bytes())
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the second time the text differs")
	}
	if i := bytes.IndexFunc(first.Bytes(), func(r rune) bool { return r < ' ' && r != '\n' }); i >= 0 {
		t.Errorf("a control character at %d", i)
	}
}

func TestTextOfAFaultyRecord(t *testing.T) {
	rec := run()
	rec.Events = rec.Events[:6]
	rec.Whole, rec.Fault = false, &transcript.Fault{Kind: transcript.FaultCut, File: "a.record", Line: 8, Text: "the file ends in the middle of this line"}
	var out bytes.Buffer
	if err := Text(&out, rec, Options{From: "sign in"}); err != nil {
		t.Fatal(err)
	}
	golden(t, "cut.txt", out.Bytes())
}

func TestFromAnUnknownStage(t *testing.T) {
	err := Text(&bytes.Buffer{}, run(), Options{From: "cluster"})
	if err == nil || !strings.Contains(err.Error(), `"sign in", "network"`) {
		t.Errorf("%v does not name the stages", err)
	}
}

// clocked notes when each write came.
type clocked struct {
	start time.Time
	at    []time.Duration
	bytes.Buffer
}

func (c *clocked) Write(p []byte) (int, error) {
	c.at = append(c.at, time.Since(c.start))
	return c.Buffer.Write(p)
}

func TestPlayTiming(t *testing.T) {
	rec := &transcript.Record{Events: []transcript.Event{
		heard(10*time.Second, "a"), heard(11*time.Second, "b"), said(12*time.Second, "answer", "y"), heard(31*time.Second, "c"),
		heard(30*time.Second, "d"), heard(32*time.Second, "e"),
	}}
	for name, c := range map[string]struct {
		o    Options
		want []float64
	}{
		"true time":     {Options{Speed: 1}, []float64{0, 1, 21, 21, 23}},
		"twice as fast": {Options{Speed: 2}, []float64{0, .5, 10.5, 10.5, 11.5}},
		"at once":       {Options{}, []float64{0, 0, 0, 0, 0}},
		"short pauses":  {Options{Speed: 1, MaxPause: 1500 * time.Millisecond}, []float64{0, 1, 2.5, 2.5, 4}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := &clocked{start: time.Now()}
				if err := Play(t.Context(), w, rec, c.o); err != nil {
					t.Fatal(err)
				}
				var got []float64
				for _, at := range w.at {
					got = append(got, at.Seconds())
				}
				if diff := cmp.Diff(c.want, got); diff != "" || w.String() != "abcde" {
					t.Errorf("%q at %v\n%s", w.String(), got, diff)
				}
			})
		})
	}
}

func TestPlayStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		var out bytes.Buffer
		start := time.Now()
		err := Play(ctx, &out, &transcript.Record{Events: []transcript.Event{heard(0, "a"), heard(time.Hour, "b")}}, Options{Speed: 1})
		if !errors.Is(err, context.DeadlineExceeded) || out.String() != "a" || time.Since(start) != 5*time.Second {
			t.Errorf("%v after %v, with %q", err, time.Since(start), out.String())
		}
	})
	for _, speed := range []float64{-1, math.NaN()} {
		if err := Play(t.Context(), &bytes.Buffer{}, run(), Options{Speed: speed}); err == nil {
			t.Errorf("speed %v was taken", speed)
		}
	}
}

// Forms of sequences by ECMA-48 section 5.4 (control sequences), 5.6 (control
// strings) and 8.3 (functions); 8-bit controls are UTF-8 here.
func TestFilter(t *testing.T) {
	for name, c := range map[string]struct{ in, want string }{
		"text":                       {"a\tb\r\nc\b ", "a\tb\r\nc\b "},
		"bell, NUL, DEL, XOFF":       {"a\a\x00\x7f\x13\x0eb", "ab"},
		"UTF-8":                      {"é€𝄞", "é€𝄞"},
		"not UTF-8":                  {"\xff\xc3(\xe2\x82", "\ufffd\ufffd(\ufffd\ufffd"},
		"C1 as UTF-8":                {"a\u009b2Jb\u009d0;x\u009c", "a2Jb0;x"},
		"C1 as a byte":               {"a\x9b2J", "a\ufffd2J"},
		"right to left":              {"a\u202eb\u2066", "ab"},
		"colours":                    {"\x1b[1;38:5:196mred\x1b[m", "\x1b[1;38:5:196mred\x1b[m\x1b[0m"},
		"cursor":                     {"\x1b[2;3H\x1b[A\x1b7\x1b8\x1bM", "\x1b[2;3H\x1b[A\x1b7\x1b8\x1bM"},
		"erase":                      {"\x1b[2J\x1b[K\x1b[1J", "\x1b[2J\x1b[K\x1b[1J"},
		"erase the scroll-back":      {"\x1b[3J\x1b[03J\x1b[2;3J", ""},
		"queries":                    {"\x1b[6n\x1b[c\x1b[>c\x1b[18t\x1b[?15n\x1bZ\x05", ""},
		"modes":                      {"\x1b[?1049h\x1b[?1000h\x1b[4h\x1b[?25l\x1b[!p\x1bc\x1b=\x1b[5i", ""},
		"private SGR":                {"\x1b[>4;2m\x1b[?4m", ""},
		"intermediate byte":          {"\x1b[1 A\x1b(B\x1b#8x", "x"},
		"repeat":                     {"x\x1b[99999999bx", "xx"},
		"title, BEL":                 {"a\x1b]0;title\ab", "ab"},
		"title, ST":                  {"a\x1b]2;title\x1b\\b", "ab"},
		"clipboard":                  {"\x1b]52;c;aGk=\a", ""},
		"device string":              {"a\x1bP$q\"p\x1b\\b\x1b_x\x1b\\c\x1b^x\x1b\\d\x1bXx\x1b\\e", "abcde"},
		"string without end":         {"\x1b]0;" + strings.Repeat("x", 5000) + "ok", strings.Repeat("x", 5000+3-maxString-2) + "xok"},
		"CAN ends":                   {"\x1b[1\x18mA\x1b]0;x\x1aB", "mAB"},
		"ESC begins anew":            {"\x1b[1\x1b[2mx", "\x1b[2mx\x1b[0m"},
		"control in a sequence acts": {"\x1b[1\r;2Hx", "\r\x1b[1;2Hx"},
		"long":                       {"\x1b[" + strings.Repeat("1;", 100) + "mx", "x"},
	} {
		t.Run(name, func(t *testing.T) {
			var f filter
			f.part(transcript.Part{Bytes: []byte(c.in)})
			f.end()
			var single filter
			for _, b := range []byte(c.in) {
				single.part(transcript.Part{Bytes: []byte{b}})
			}
			single.end()
			if string(single.out) != string(f.out) {
				t.Errorf("byte by byte %q, at once %q", single.out, f.out)
			}
			if name == "string without end" {
				if !strings.HasSuffix(string(f.out), "ok") {
					t.Errorf("got %q", f.out)
				}
				return
			}
			if string(f.out) != c.want {
				t.Errorf("got  %q\nwant %q", f.out, c.want)
			}
		})
	}
}

func TestPlayShowsSecretsByName(t *testing.T) {
	var out bytes.Buffer
	rec := &transcript.Record{Events: []transcript.Event{{Kind: transcript.Heard, Data: []transcript.Part{
		{Bytes: []byte("\x1b[")}, {Secret: "join\x1b]"}, {Bytes: []byte("2Jx\xe2")}, {Secret: "b"}}}}}
	if err := Play(t.Context(), &out, rec, Options{}); err != nil {
		t.Fatal(err)
	}
	if got, want := out.String(), "‹secret join\ufffd]›2Jx\ufffd‹secret b›"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// What may come out, as one expression over the whole.
var clean = regexp.MustCompile("^(?:[^\x00-\x1f\x7f-\u009f\u202a-\u202e\u2066-\u2069]|[\b\t\n\r]|\x1b[78DEM]|\x1b\\[[0-9;:]*[@A-IJ-MPSTXZ`adefmsu])*$")

func FuzzFilter(f *testing.F) {
	f.Add([]byte("a\x1b[1;2Hb\x1b]0;x\a"), 3)
	f.Add([]byte("\x1b[?25l\xe2\x82\xac\x9b"), 5)
	f.Fuzz(func(t *testing.T, in []byte, split int) {
		split = max(0, min(split, len(in)))
		var whole, pieces filter
		whole.part(transcript.Part{Bytes: in})
		whole.end()
		pieces.part(transcript.Part{Bytes: in[:split]})
		pieces.part(transcript.Part{Bytes: in[split:]})
		pieces.end()
		if !bytes.Equal(whole.out, pieces.out) {
			t.Errorf("split at %d: %q, at once %q", split, pieces.out, whole.out)
		}
		if !utf8.Valid(whole.out) || !clean.Match(whole.out) {
			t.Errorf("%q let through %q", in, whole.out)
		}
	})
}
