package replay

import (
	"bytes"
	"context"
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"time"

	"linehand/transcript"
)

func htmlOf(t testing.TB, rec *transcript.Record) string {
	t.Helper()
	var page bytes.Buffer
	if err := HTML(&page, rec); err != nil {
		t.Fatal(err)
	}
	return page.String()
}

// hostile is what a unit may send to harm whoever looks at its page.
const hostile = "</script><script>alert(1)</script><!--<img src=x onerror=alert(2)>\u2028\u202e&lt;b&gt;\x1b]8;;http://192.0.2.1/\x07link\x1b]8;;\x07"

var (
	tags     = regexp.MustCompile(`(?i)<(/?[a-z!][a-z0-9-]*)`)
	handlers = regexp.MustCompile(`(?i)<[^>]*\son[a-z]+\s*=`)
)

// TestHTMLIsSafe: a hostile record gives a page with the same elements as a
// harmless one, no handler, no address, and a policy that allows nothing.
func TestHTMLIsSafe(t *testing.T) {
	good, bad := run(), run()
	for i := range bad.Events {
		e := &bad.Events[i]
		switch e.Kind {
		case transcript.Heard:
			e.Data = append([]transcript.Part{{Bytes: []byte(hostile)}}, e.Data...)
		case transcript.Stage:
			e.Name += hostile
		default:
			e.Text += hostile
		}
	}
	bad.Header.Unit, bad.Header.Person, bad.Header.Line.Name = hostile, hostile, hostile
	page := htmlOf(t, bad)
	got, want := strings.Join(tags.FindAllString(page, -1), " "), strings.Join(tags.FindAllString(htmlOf(t, good), -1), " ")
	if got != want {
		t.Errorf("elements of the hostile page:\n%s\nof the harmless one:\n%s", got, want)
	}
	for _, banned := range []string{"innerHTML", "outerHTML", "insertAdjacent", "document.write", "eval(", "src=\"", "href=", "@import", "url(", "\u202e"} {
		if strings.Contains(page, banned) {
			t.Errorf("the page holds %q", banned)
		}
	}
	if handlers.MatchString(page) {
		t.Error("the page has a handler in its markup")
	}
	if !strings.Contains(page, "default-src &#39;none&#39;") && !strings.Contains(page, "default-src 'none'") {
		t.Error("the page has no policy")
	}
	if htmlOf(t, bad) != page {
		t.Error("the same record gives two pages")
	}
}

// TestFilmShowsTheScreen plays the frames of a film as the page does, and
// compares with the screen.
func TestFilmShowsTheScreen(t *testing.T) {
	var f film
	text := regexp.MustCompile(`(?s)<script type="application/json" id="film">(.*?)</script>`).FindStringSubmatch(htmlOf(t, run()))
	if text == nil {
		t.Fatal("the page has no film")
	}
	if err := json.Unmarshal([]byte(text[1]), &f); err != nil {
		t.Fatal(err)
	}
	at := func(ms int) string {
		shown := make([]int, f.Rows)
		for _, frame := range f.Frames {
			if frame[0] > ms {
				break
			}
			for i := 1; i < len(frame); i += 2 {
				shown[frame[i]] = frame[i+1]
			}
		}
		var list []string
		for _, n := range shown {
			list = append(list, f.Texts[n])
		}
		return strings.TrimRight(strings.Join(list, "\n"), "\n")
	}
	for ms, want := range map[int]string{
		0:    "",
		100:  "Brackwater S24\nStarting in  3",
		1100: "Brackwater S24\nStarting in  2",
		2350: "Brackwater S24\nStarting in  1\nSerial no. BW24-0117\nSign in: maint\nPass phrase:",
	} {
		if got := at(ms); got != want {
			t.Errorf("at %d ms the film shows %q, want %q", ms, got, want)
		}
	}
}

func TestStep(t *testing.T) {
	pages := func(stage, keys string) []string {
		var out bytes.Buffer
		if err := Step(context.Background(), strings.NewReader(keys), &out, run(), Options{From: stage}); err != nil {
			t.Fatal(err)
		}
		return strings.Split(out.String(), clearScreen)[1:]
	}
	all := pages("", "      q")
	if len(all) != 7 || !strings.Contains(all[0], "Starting in  1") || !strings.Contains(all[0], "§ sign in  entered") {
		t.Fatalf("%d pages, the first %q", len(all), all[0])
	}
	if !strings.Contains(all[1], "▸ maint") || !strings.Contains(all[2], "‹secret factory›") || !strings.Contains(all[2], "Pass phrase:") {
		t.Errorf("the steps are %q and %q", all[1], all[2])
	}
	if there := pages("network", "q"); len(there) != 1 || !strings.Contains(there[0], "§ network  entered") || !strings.Contains(there[0], "Start a cluster?") {
		t.Errorf("from a stage: %q", there)
	}
	back := pages("", "  b0")
	if back[3] != back[1] || back[4] != back[0] {
		t.Errorf("back again: %q", back)
	}
	if next := pages("", "s"); !strings.Contains(next[1], "§ network  entered") {
		t.Errorf("the next stage: %q", next[1])
	}
	if strings.Contains(strings.Join(all, ""), "owned") {
		t.Error("a window title reached the terminal")
	}
	if err := Step(context.Background(), strings.NewReader(""), &bytes.Buffer{}, run(), Options{From: "nowhere"}); err == nil {
		t.Error("a stage that is not there")
	}
}

// FuzzHTML: whatever a unit sends, the page's elements are the template's.
func FuzzHTML(f *testing.F) {
	f.Add([]byte(hostile))
	f.Add([]byte("\x1b[2J\x1b[999;999H<script>"))
	f.Fuzz(func(t *testing.T, sent []byte) {
		rec := &transcript.Record{Events: []transcript.Event{{N: 1, At: time.Second, Kind: transcript.Heard, Data: []transcript.Part{{Bytes: sent}}}}}
		empty := &transcript.Record{Events: []transcript.Event{{N: 1, At: time.Second, Kind: transcript.Heard}}}
		got, want := tags.FindAllString(htmlOf(t, rec), -1), tags.FindAllString(htmlOf(t, empty), -1)
		if len(got) != len(want) {
			t.Errorf("%q: elements %v, want %v", sent, got, want)
		}
	})
}
