package transcript

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var showExample = flag.Bool("show-visit", false, "print the visit that FORMAT.md has as an example")

// exampleVisit is the visit in FORMAT.md.
func exampleVisit() (Header, []Event) {
	start := time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))
	h := Header{Tool: "linehand 0.2", Unit: "shelf-a1", Kind: "brackwater-s24", Serial: "BW24-0117", Site: "skerrymore", Person: "R. Venn", Mode: VisitMode, Started: start, Zone: "Europe/Oslo"}
	events := []Event{
		{At: 0, Kind: Phase, Name: "before", State: Begun},
		{At: time.Second, Kind: Step, Name: "supply switches off", State: Shown, Text: "Switch both supplies off.", Code: "required", Want: "Both switches show 0.", Next: "Do it before the cords go in. (IEC 62368-1)"},
		{At: 9 * time.Second, Kind: Step, Name: "supply switches off", State: Ticked, Code: "required", By: "RV"},
		{At: 10 * time.Second, Kind: Phase, Name: "before", State: Over, Text: "1 step is ticked.", Code: "done"},
		{At: 300 * time.Second, Kind: Phase, Name: ProofPart, State: Begun},
		{At: 301 * time.Second, Kind: ReadBack, Exchange: "S24>", Pos: "proof.yaml:9", Name: "factory sign-in", Want: "refused", Got: "refused", Equal: true},
		{At: 302 * time.Second, Kind: ReadBack, Exchange: "S24>", Pos: "proof.yaml:14", Name: "disk check", State: OpenYet, Want: "finished", Got: "12 % done", Equal: true},
		{At: 303 * time.Second, Kind: Look, Name: "web page", State: Waited, Code: "https", Got: "192.0.2.21:443"},
		{At: 343 * time.Second, Kind: Look, Name: "web page", State: Answers, Text: "from eth0, 192.0.2.9/24", Code: "https", Got: "SHA256:b5bb9d8014a0f9b1d61e21e796d78dccdf1352f23cd32812f4850b878ae4944c"},
		{At: 344 * time.Second, Kind: Phase, Name: ProofPart, State: Over, Text: "The disk check still runs.", Code: "open", Exit: 23, Next: "Run linehand proof later."},
		{At: 360 * time.Second, Kind: Punch, Name: "disk check", Text: "The disk check is not finished.", By: "M. Orr", Next: "2026-03-09"},
		{At: 380 * time.Second, Kind: SignOff, Text: "As planned; the disk check still runs.", By: "RV"},
		{At: 381 * time.Second, Kind: Ending, Text: "The unit is set up; 1 point is open.", Code: "open", Exit: 23, Next: "Run linehand proof later."},
	}
	for i := range events {
		events[i].N, events[i].Wall = i+1, start.Add(events[i].At)
	}
	return h, events
}

// The visit in FORMAT.md is what the package writes, and reads again.
func TestFormatVisit(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	must(t, err)
	h, events := exampleVisit()
	var want bytes.Buffer
	must(t, Encode(&want, h, events))
	if *showExample {
		os.Stdout.Write(want.Bytes())
	}
	_, after, _ := strings.Cut(string(page), "## Example of a visit\n")
	_, after, _ = strings.Cut(after, "```\n")
	got, _, ok := strings.Cut(after, "```\n")
	if !ok || got != want.String() {
		t.Errorf("FORMAT.md has no visit, or another one:\n%s", cmp.Diff(want.String(), got))
	}
	rec, err := read(strings.NewReader(want.String()))
	must(t, err)
	h.Format = Format
	if diff := cmp.Diff(&Record{Header: h, Events: events, Whole: true}, rec); diff != "" {
		t.Error(diff)
	}
}

// A reader passes over kinds that it does not know: that is why visits did not
// need another version. What they hold is written again as it was.
func TestUnknownKindsPass(t *testing.T) {
	h, events := exampleVisit()
	for i := range events[:len(events)-1] {
		events[i].Kind = "of-a-later-day"
	}
	var file, again bytes.Buffer
	must(t, Encode(&file, h, events))
	rec, err := read(bytes.NewReader(file.Bytes()))
	must(t, err)
	if !rec.Whole || len(rec.Events) != len(events) {
		t.Fatalf("the record is not whole: %v", rec.Fault)
	}
	must(t, Encode(&again, rec.Header, rec.Events))
	if !bytes.Equal(file.Bytes(), again.Bytes()) {
		t.Error("it is written otherwise than it was read")
	}
	if o, err := Check(bytes.NewReader(file.Bytes())); err != nil || !o.Ended || o.Events != len(events) {
		t.Errorf("its outline is %+v, %v", o, err)
	}
}

// Every text of a visit's events is masked, who is named in them too.
func TestVisitIsMasked(t *testing.T) {
	const word = "correct-horse-battery"
	mask := NewMask()
	mask.Add("admin", word)
	path := t.TempDir() + "/a.record"
	j, err := Create(path, Header{Unit: "u", Mode: VisitMode}, mask)
	must(t, err)
	for _, kind := range []Kind{Phase, Step, Look, Punch, SignOff} {
		must(t, j.Append(Event{Kind: kind, Name: word, Text: "a " + word, Want: word, Got: word, By: word, Next: word, Value: word, Exchange: word}))
	}
	must(t, j.Close())
	file, err := os.ReadFile(path)
	must(t, err)
	if bytes.Contains(file, []byte(word)) || bytes.Count(file, []byte("‹secret admin›")) != 5*8 {
		t.Errorf("the secret is in the record, or less is masked than was given:\n%s", file)
	}
}
