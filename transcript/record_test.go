package transcript

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"linehand/transcript/internal/link"
)

// exampleEvents is the run in FORMAT.md.
func exampleRun() (Header, []Event) {
	start := time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600))
	h := Header{
		Tool: "linehand 0.1", Unit: "shelf-a1", Kind: "brackwater-s24", Serial: "BW24-0117", Site: "skerrymore",
		Line:     LineInfo{Name: "usb0", Device: "/dev/ttyUSB0", Settings: "9600 8N1"},
		Dialogue: Source{Name: "brackwater-s24", File: "brackwater-s24.yaml", SHA256: "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		Secrets:  []string{"factory"}, Person: "R. Venn", Mode: "bringup", Started: start, Zone: "Europe/Oslo",
		Planned: map[string]string{"unit.name": "shelf-a1"},
	}
	events := []Event{
		{At: 1200 * time.Microsecond, Kind: Stage, Name: "sign in", State: "entered"},
		{At: 1500 * time.Millisecond, Kind: Heard, Data: []Part{{Bytes: []byte("\x00")}, {Bytes: []byte("\xff\xfe")}, {Bytes: []byte("\r\nSerial no. BW24-0230\r\nPass phrase: ")}}},
		{At: 1521 * time.Millisecond, Kind: Fact, Name: "serial", Text: "BW24-0230"},
		{At: 1522 * time.Millisecond, Kind: Said, Why: "answer", Stage: "sign in", Exchange: "Pass phrase:", Pos: "brackwater-s24.yaml:14", Data: []Part{{Secret: "factory"}}},
		{At: 1700 * time.Millisecond, Kind: Hold, State: "raised", Text: "The plan says serial number BW24-0117, and the unit says BW24-0230.", Code: "wrong-chassis"},
		{At: 65 * time.Second, Kind: Hold, State: "released", Code: "give-up", By: "R. Venn"},
		{At: 65*time.Second + 1, Kind: Ending, Text: "The unit on this line is not shelf-a1.", Code: "wrong-chassis", Exit: 5, Next: "Move the cable to the chassis BW24-0117 and run again."},
	}
	for i := range events {
		events[i].N, events[i].Wall = i+1, start.Add(events[i].At)
	}
	return h, events
}

// The example in FORMAT.md is what the package reads and writes. Its links
// are checked here from the page alone, without the package's code.
func TestFormatExample(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	must(t, err)
	_, after, ok1 := strings.Cut(string(page), "```\n{\"format\"")
	example, _, ok2 := strings.Cut(after, "```\n")
	if !ok1 || !ok2 {
		t.Fatal("FORMAT.md holds no example")
	}
	example = `{"format"` + example

	before := strings.Repeat("0", 64)
	for i, line := range strings.Split(strings.TrimSuffix(example, "\n"), "\n") {
		if !json.Valid([]byte(line)) {
			t.Errorf("line %d is no JSON (RFC 8259)", i+1)
		}
		body, link := line[:len(line)-75], line[len(line)-66:len(line)-2]
		sum := sha256.Sum256([]byte(before + "\n" + body))
		if hex.EncodeToString(sum[:]) != link {
			t.Errorf("line %d: link %s, want %x", i+1, link, sum)
		}
		before = link
	}

	rec, err := read(strings.NewReader(example))
	must(t, err)
	if !rec.Whole {
		t.Fatal(rec.Fault)
	}
	h, events := exampleRun()
	h.Format = Format
	if diff := cmp.Diff(h, rec.Header); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(events, rec.Events); diff != "" {
		t.Error(diff)
	}
}

func example(t testing.TB) []byte {
	t.Helper()
	h, events := exampleRun()
	var buf bytes.Buffer
	must(t, Encode(&buf, h, events))
	return buf.Bytes()
}

func TestReadFaults(t *testing.T) {
	whole := example(t)
	lines := bytes.SplitAfter(bytes.TrimSuffix(whole, []byte("\n")), []byte("\n"))
	lines[len(lines)-1] = append(lines[len(lines)-1], '\n')
	pick := func(order ...int) []byte {
		var out []byte
		for _, i := range order {
			out = append(out, lines[i]...)
		}
		return out
	}
	extended := func(add func(e *Event)) []byte {
		h, events := exampleRun()
		e := Event{N: len(events) + 1, Wall: h.Started, Kind: Note}
		add(&e)
		var buf bytes.Buffer
		must(t, Encode(&buf, h, append(events, e)))
		return buf.Bytes()
	}
	for name, c := range map[string]struct {
		file   []byte
		kind   FaultKind
		line   int
		events int
	}{
		"cut in an event":       {whole[:len(whole)-200], FaultCut, 8, 6},
		"cut before a line end": {whole[:len(whole)-1], FaultCut, 8, 6},
		"cut in the header":     {whole[:200], FaultCut, 1, 0},
		"cut between events":    {pick(0, 1, 2, 3), FaultUnended, 4, 3},
		"header only":           {pick(0), FaultUnended, 1, 0},
		"edited":                {bytes.Replace(whole, []byte("R. Venn\",\"link"), []byte("R. Vann\",\"link"), 1), FaultEdited, 7, 5},
		"edited header":         {bytes.Replace(whole, []byte("BW24-0117"), []byte("BW24-0230"), 1), FaultEdited, 1, 0},
		"edited link":           {bytes.Replace(whole, whole[len(lines[0])+len(lines[1])-10:len(lines[0])+len(lines[1])-4], []byte("000000"), 1), FaultEdited, 2, 0},
		"other line end":        {bytes.ReplaceAll(whole, []byte("\n"), []byte("\r\n")), FaultEdited, 1, 0},
		"not JSON":              {append(pick(0, 1), "rubbish\n"...), FaultEdited, 3, 1},
		"missing":               {pick(0, 1, 2, 4, 5, 6, 7), FaultMissing, 4, 2},
		"several missing":       {pick(0, 1, 5, 6, 7), FaultMissing, 3, 1},
		"doubled":               {pick(0, 1, 2, 2, 3, 4, 5, 6, 7), FaultDoubled, 4, 2},
		"doubled later":         {pick(0, 1, 2, 3, 1, 4, 5, 6, 7), FaultDoubled, 5, 3},
		"swapped":               {pick(0, 1, 3, 2, 4, 5, 6, 7), FaultSwapped, 3, 1},
		"behind the ending":     {extended(func(*Event) {}), FaultEdited, 9, 7},
		"endless line":          {append(pick(0, 1), bytes.Repeat([]byte("x"), maxLine+1<<17)...), FaultEdited, 3, 1},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a.record")
			must(t, os.WriteFile(path, c.file, 0o600))
			rec, err := Read(path)
			must(t, err)
			if rec.Whole || rec.Fault == nil || rec.Fault.Kind != c.kind || rec.Fault.Line != c.line || len(rec.Events) != c.events {
				t.Fatalf("whole %v, %d events, fault %v; want %s in line %d after %d events", rec.Whole, len(rec.Events), rec.Fault, c.kind, c.line, c.events)
			}
			if !strings.HasPrefix(rec.Fault.Error(), path+":") {
				t.Errorf("%v does not name the file", rec.Fault)
			}
			_, events := exampleRun()
			if c.events > 0 {
				if diff := cmp.Diff(events[:c.events], rec.Events); diff != "" {
					t.Error(diff)
				}
			}
		})
	}
}

// Power may fail at any byte: what stands before it is read, and nothing
// else.
func TestEveryBeginningIsRead(t *testing.T) {
	whole := example(t)
	_, events := exampleRun()
	for n := len(`{"format":"linehand.record/1"`); n < len(whole); n++ {
		rec, err := read(bytes.NewReader(whole[:n]))
		must(t, err)
		lines := bytes.Count(whole[:n], []byte("\n"))
		want := FaultCut
		if whole[n-1] == '\n' {
			want = FaultUnended
		}
		if rec.Whole || rec.Fault == nil || rec.Fault.Kind != want || len(rec.Events) != max(lines-1, 0) {
			t.Fatalf("%d bytes: %d events of %d, fault %v, want %s", n, len(rec.Events), len(events), rec.Fault, want)
		}
	}
}

// No byte of a record can be changed unseen.
func TestEveryByteIsLinked(t *testing.T) {
	whole := example(t)
	for i := range whole {
		altered := bytes.Clone(whole)
		altered[i] ^= 1 << (i % 8)
		if rec, err := read(bytes.NewReader(altered)); err == nil && rec.Whole {
			t.Fatalf("bit %d of byte %d was changed, and the record is read as whole", i%8, i)
		}
	}
}

// relink gives changed lines new links, as a forger or another version would.
func relink(t testing.TB, file []byte, old, new string) []byte {
	t.Helper()
	if !bytes.Contains(file, []byte(old)) {
		t.Fatalf("%q is not in the file", old)
	}
	before := firstLink
	var out []byte
	for line := range bytes.Lines(bytes.Replace(file, []byte(old), []byte(new), 1)) {
		body, _, _ := link.Cut(bytes.TrimSuffix(line, []byte("\n")))
		out = append(out, chain(bytes.Clone(body), &before)...)
	}
	return out
}

func TestReadRefusals(t *testing.T) {
	whole := example(t)
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"empty":              {nil, ErrNotRecord},
		"text":               {[]byte("hello\n"), ErrNotRecord},
		"text without end":   {[]byte("hello"), ErrNotRecord},
		"binary":             {[]byte{0x7f, 'E', 'L', 'F', 0, 1, 2}, ErrNotRecord},
		"other JSON":         {[]byte(`{"format":"other/1"}` + "\n"), ErrNotRecord},
		"other kind":         {relink(t, whole, `"kind":"record"`, `"kind":"pack"`), ErrNotRecord},
		"byte-order mark":    {append([]byte("\xef\xbb\xbf"), whole...), ErrNotRecord}, // RFC 8259 section 8.1
		"version 2":          {relink(t, whole, `record/1`, `record/2`), ErrOtherVersion},
		"version 10":         {relink(t, whole, `record/1`, `record/10`), ErrOtherVersion},
		"not a version":      {relink(t, whole, `record/1`, `record`), ErrNotRecord},
		"one unended string": {[]byte(`{"format":"linehand.record/2`), ErrNotRecord},
	} {
		t.Run(name, func(t *testing.T) {
			rec, err := read(bytes.NewReader(c.file))
			if !errors.Is(err, c.want) || rec != nil {
				t.Errorf("%v, want %v", err, c.want)
			}
		})
	}
	if _, err := Read(filepath.Join(t.TempDir(), "absent.record")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("absent file: %v", err)
	}
}

// Members that a later program adds within format 1 are kept; another
// spelling of those we know is refused, so that a record has one reading.
func TestUnknownMembers(t *testing.T) {
	whole := example(t)
	with := relink(t, whole, `"by":"R. Venn"`, `"by":"R. Venn","badge":{"no": 7},"shift":"early"`)
	with = relink(t, with, `"planned":{"unit.name":"shelf-a1"}`, `"planned":{"unit.name":"shelf-a1"},"depot":"b2"`)
	rec, err := read(bytes.NewReader(with))
	must(t, err)
	if !rec.Whole || string(rec.Events[5].Extra) != `"badge":{"no": 7},"shift":"early"` || string(rec.Header.Extra) != `"depot":"b2"` {
		t.Fatalf("fault %v, extra %s and %s", rec.Fault, rec.Events[5].Extra, rec.Header.Extra)
	}
	var again bytes.Buffer
	must(t, Encode(&again, rec.Header, rec.Events))
	if !bytes.Equal(again.Bytes(), with) {
		t.Error("written again, the record has other bytes")
	}
	for name, bad := range map[string][]byte{
		"blank":           relink(t, whole, `"by":"R. Venn"`, `"by": "R. Venn"`),
		"escape":          relink(t, whole, `R. Venn","link`, `R. V\u0065nn","link`),
		"order":           relink(t, whole, `"code":"give-up","by":"R. Venn"`, `"by":"R. Venn","code":"give-up"`),
		"twice":           relink(t, whole, `"by":"R. Venn"`, `"by":"R. Venn","by":"R. Venn"`),
		"other case":      relink(t, whole, `"by":"R. Venn"`, `"by":"R. Venn","BY":"R. Venn"`),
		"empty member":    relink(t, whole, `"by":"R. Venn"`, `"by":"R. Venn","next":""`),
		"base 64 of text": relink(t, whole, `{"b64":"//4="}`, `{"b64":"YWI="}`),
		"count":           relink(t, whole, `{"n":6`, `{"n":7`),
		"negative zero":   relink(t, whole, `"exit":5`, `"exit":-0`),
		"leading zero":    relink(t, whole, `"exit":5`, `"exit":05`), // RFC 8259 section 6
	} {
		rec, err := read(bytes.NewReader(bad))
		if err != nil || rec.Fault == nil || rec.Fault.Kind != FaultEdited {
			t.Errorf("%s: %v, fault %v; want one of kind edited", name, err, rec)
		}
	}
}

// What is written is read back the same, whatever the bytes and texts.
func TestEncodeReadProperty(t *testing.T) {
	text := rapid.String()
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.SliceOf(rapid.Byte()).Draw(t, "raw")
		e := Event{N: 1, At: time.Duration(rapid.Int64Min(0).Draw(t, "at")), Wall: time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "wall"), 7).UTC(), Kind: Said,
			Why: text.Draw(t, "why"), Value: text.Draw(t, "value"), Text: text.Draw(t, "text"), Exit: rapid.Int().Draw(t, "exit"),
			Data: []Part{{Bytes: raw}, {Secret: "s"}, {Bytes: raw}}}
		end := Event{N: 2, Wall: e.Wall, Kind: Ending}
		var file bytes.Buffer
		must2(t, Encode(&file, Header{Started: e.Wall}, []Event{e, end}))
		rec, err := read(bytes.NewReader(file.Bytes()))
		must2(t, err)
		if !rec.Whole {
			t.Fatal(rec.Fault)
		}
		got := rec.Events[0]
		if diff := cmp.Diff(withoutEmpty(e.Data), join(got.Data)); diff != "" {
			t.Fatal(diff)
		}
		e.Data, got.Data = nil, nil
		if diff := cmp.Diff(e, got); diff != "" {
			t.Fatal(diff)
		}
		for line := range bytes.Lines(file.Bytes()) {
			if !json.Valid(line) {
				t.Fatalf("%q is no JSON", line)
			}
		}
	})
}

func must2(t *rapid.T, err error) {
	if err != nil {
		t.Fatal(err)
	}
}

func withoutEmpty(data []Part) []Part {
	var out []Part
	for _, part := range data {
		if part.Secret != "" || len(part.Bytes) > 0 {
			out = append(out, part)
		}
	}
	return out
}

// SHA-256 as the link uses it: RFC 6234 section 8.5 tests 1 to 4 and 6 (the
// messages of FIPS 180-4's examples among them), and the digest of nothing.
func TestLinkHash(t *testing.T) {
	for message, want := range map[string]string{
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
		strings.Repeat("a", 1000000):                               "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
		strings.Repeat("01234567", 80):                             "594847328451bdfa85056225462cc1d867d877fb388df0ce35f25ab5562bfbb5",
		"\x19":                                                     "68aa2e2ee5dff96e3355e6c7ee373e3d6a4e17f75f9518d843709c0c9bc3e3d4",
	} {
		// A link is the digest of before, LF and the line: any message with
		// an LF in it can be split there, so the vectors are checked on the
		// same function of the library that link calls.
		sum := sha256.Sum256([]byte(message))
		if got := hex.EncodeToString(sum[:]); got != want {
			t.Errorf("SHA-256 of %d bytes is %s, want %s", len(message), got, want)
		}
	}
	// Computed with coreutils: printf '%064d\ndef' 0 | sha256sum
	line := link.From(firstLink).Append([]byte("def"))
	if got, want := string(line), `def,"link":"`+"432458831e013fb62c7ca3174bcc47bfeda6997f5b43d76b496a65241e1965a8"+"\"}\n"; got != want {
		t.Errorf("line %s, want %s", got, want)
	}
}

// The times of RFC 3339 section 5.8, as a record writes them and reads them.
func TestTimes(t *testing.T) {
	for _, c := range []struct {
		rfc, record string
		utc         string // "" : a record has no such time
	}{
		{"1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000000Z", "1985-04-12T23:20:50.52Z"},
		{"1996-12-19T16:39:57-08:00", "1996-12-19T16:39:57.000000000-08:00", "1996-12-20T00:39:57Z"},
		{"1937-01-01T12:00:27.87+00:20", "1937-01-01T12:00:27.870000000+00:20", "1937-01-01T11:40:27.87Z"},
		// Legal there; no clock that the bench reads shows a leap second.
		{"1990-12-31T23:59:60Z", "1990-12-31T23:59:60.000000000Z", ""},
		{"1990-12-31T15:59:60-08:00", "1990-12-31T15:59:60.000000000-08:00", ""},
	} {
		got, err := parseTime(c.record)
		if c.utc == "" {
			if err == nil {
				t.Errorf("%s is read as %v", c.record, got)
			}
			continue
		}
		want, err2 := time.Parse(time.RFC3339Nano, c.utc)
		if err != nil || err2 != nil || !got.Equal(want) {
			t.Errorf("%s is read as %v (%v), want %v", c.record, got, err, want)
		}
		if text := got.Format(timeLayout); text != c.record {
			t.Errorf("%s is written as %s", c.record, text)
		}
		if _, err := parseTime(c.rfc); err == nil {
			t.Errorf("%s is read: a time has one spelling, with nine digits", c.rfc)
		}
	}
}

// Strings as RFC 8259 section 7 wants them, with the fewest escapes.
func TestStrings(t *testing.T) {
	for in, want := range map[string]string{
		"\"\\/":               `"\"\\/"`,
		"\b\f\n\r\t":          `"\b\f\n\r\t"`,
		"\x00\x1b\x1f\x7f":    `"\u0000\u001b\u001f` + "\x7f" + `"`,
		"\u00e9\u20ac\u2028𝄞": "\"\u00e9\u20ac\u2028𝄞\"",
		"a\xffb":              "\"a\ufffdb\"",
	} {
		got := appendString(nil, in)
		var back string
		if err := json.Unmarshal(got, &back); string(got) != want || err != nil || back != strings.ToValidUTF8(in, "\ufffd") {
			t.Errorf("%q is written %s, want %s (%v)", in, got, want, err)
		}
	}
}

// Whatever the file: no panic, and what is read as whole has those bytes
// when written again.
func FuzzRead(f *testing.F) {
	whole := example(f)
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add(relink(f, whole, `"by":"R. Venn"`, `"by":"R. Venn","badge":7`))
	f.Add(relink(f, whole, `record/1`, `record/2`))
	f.Add([]byte("{}\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		for _, file := range [][]byte{file, relinked(file)} {
			rec, err := read(bytes.NewReader(file))
			if err != nil {
				continue
			}
			var again bytes.Buffer
			must(t, Encode(&again, rec.Header, rec.Events))
			if rec.Whole && !bytes.Equal(again.Bytes(), file) {
				t.Errorf("read  %q\nwrote %q", file, again.Bytes())
			}
			if !rec.Whole && rec.Header.Format != "" && !bytes.HasPrefix(file, again.Bytes()) {
				t.Errorf("the sound part of %q became %q", file, again.Bytes())
			}
		}
	})
}

// relinked puts right links on whatever lines there are: else no changed
// line would ever get past the link.
func relinked(file []byte) []byte {
	before := firstLink
	var out []byte
	for line := range bytes.Lines(file) {
		if body, _, ok := link.Cut(bytes.TrimSuffix(line, []byte("\n"))); ok {
			line = chain(bytes.Clone(body), &before)
		}
		out = append(out, line...)
	}
	return out
}

func BenchmarkScan(b *testing.B) {
	h, events := exampleRun()
	end := events[len(events)-1]
	events = nil
	for range 10000 {
		events = append(events, Event{N: len(events) + 1, Wall: h.Started, Kind: Heard, Data: []Part{{Bytes: []byte("[   1.0] usb 1-1\r\n")}}})
	}
	end.N = len(events) + 1
	var file bytes.Buffer
	must(b, Encode(&file, h, append(events, end)))
	b.SetBytes(int64(file.Len()))
	for b.Loop() {
		if _, err := Scan(bytes.NewReader(file.Bytes()), func(Event) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
