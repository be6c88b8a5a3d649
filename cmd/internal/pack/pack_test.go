package pack

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/player"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
	"linehand/transcript/handover"
	"linehand/transcript/seal"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// demo is the demo site with its plan.
type demo struct {
	site *site.Site
	plan *plan.Plan
	sums sums.Sums
}

func newDemo(t testing.TB) demo {
	t.Helper()
	s, err := site.Load(filepath.FromSlash("../../../fixtures/site/skerrymore.yaml"))
	must(t, err)
	p, problems := plan.Make(s)
	must(t, problems.Err())
	all, _ := sums.Work(s, p, sums.Options{})
	return demo{s, p, all}
}

// content makes a pack's content out of records' bytes.
func (d demo) content(t testing.TB, files ...[]byte) Content {
	t.Helper()
	var records []handover.Record
	byDigest := make(map[string][]byte)
	for _, file := range files {
		rec := handover.Record{Record: new(transcript.Record), SHA256: handover.Digest(file), Size: int64(len(file))}
		var err error
		rec.Header, err = transcript.Scan(bytes.NewReader(file), func(e transcript.Event) error {
			rec.Events = append(rec.Events, e)
			return nil
		})
		must(t, err)
		rec.Whole = true
		rec.Seal, err = seal.Verify(bytes.NewReader(file))
		must(t, err)
		records = append(records, rec)
		byDigest[rec.SHA256] = file
	}
	doc, err := handover.Make(SiteOf(d.site, d.plan, d.sums), records)
	must(t, err)
	c := Content{Document: doc, Records: make(map[string][]byte), Plan: d.plan, Sums: d.sums, Labels: UsualLabels}
	for _, r := range doc.Runs {
		c.Records[r.File] = byDigest[r.SHA256]
	}
	return c
}

// record is a short record of a unit of the demo site. The unit says text
// wherever it has a say.
func (d demo) record(t testing.TB, name, text string) []byte {
	t.Helper()
	u, err := d.plan.Unit(name)
	must(t, err)
	h := transcript.Header{Format: transcript.Format, Tool: "linehand test", Unit: u.Name, Kind: u.Kind, Serial: u.Serial, Site: "skerrymore", Mode: "bringup",
		Person: "Ragna Venn", Plan: u.SHA256, Planned: u.Planned, Started: time.Date(2026, 3, 4, 9, 30, 0, 0, time.FixedZone("", 3600)), Zone: "Europe/Oslo"}
	serial, got := u.Serial, "192.0.2.21"
	if text != "" {
		serial, got, h.Person, h.Dialogue.Name = text, text, text, text
	}
	events := []transcript.Event{
		{Kind: transcript.Stage, Name: "name " + text, State: "entered"},
		{Kind: transcript.Fact, Name: "serial", Text: serial}, {Kind: transcript.Fact, Name: "firmware", Text: "3.2.1" + text},
		{Kind: transcript.Said, Why: "answer", Stage: "name " + text, Exchange: "Address:", Value: "ports.e0.address", Data: []transcript.Part{{Bytes: []byte("192.0.2.21")}}},
		{Kind: transcript.Said, Why: "enter", Stage: "name " + text, Exchange: "Address:", Data: []transcript.Part{{Bytes: []byte("\r")}}},
		{Kind: transcript.ReadBack, Stage: "name " + text, Name: "address of e0" + text, Value: "ports.e0.address", Want: "192.0.2.21", Got: got, Equal: text == ""},
		{Kind: transcript.Hold, State: "raised", Text: "why " + text},
		{Kind: transcript.Ending, Code: "done", Text: "The unit is set up." + text},
	}
	for i := range events {
		events[i].N, events[i].At = i+1, time.Duration(i)*time.Second
		events[i].Wall = h.Started.Add(events[i].At)
	}
	var b bytes.Buffer
	must(t, transcript.Encode(&b, h, events))
	return b.Bytes()
}

func files(t testing.TB, c Content) []File {
	t.Helper()
	list, err := Files(c)
	must(t, err)
	return list
}

func get(t testing.TB, list []File, name string) []byte {
	t.Helper()
	i := slices.IndexFunc(list, func(f File) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("the pack has no %s", name)
	}
	return list[i].Data
}

// Two makings give the same bytes, wherever the machine stands.
func TestSameBytes(t *testing.T) {
	d := newDemo(t)
	one, two := d.record(t, "deep-1", ""), d.record(t, "deep-2", "")
	first := files(t, d.content(t, one, two))
	local := time.Local
	defer func() { time.Local = local }()
	time.Local = time.FixedZone("elsewhere", 3600)
	second := files(t, newDemo(t).content(t, two, one))
	if len(first) != len(second) {
		t.Fatalf("%d and %d files", len(first), len(second))
	}
	for i := range first {
		if first[i].Name != second[i].Name || !bytes.Equal(first[i].Data, second[i].Data) {
			t.Errorf("%s and %s differ", first[i].Name, second[i].Name)
		}
	}
	if got := get(t, first, "records/deep-1-20260304T083000Z.record"); !bytes.Equal(got, one) {
		t.Error("the record is not copied byte for byte")
	}
}

// attacks are texts of a unit that try to break out of each of the forms.
var attacks = []string{
	`</title></style></svg><script>alert(1)</script><img src=x onerror=alert(2)>`,
	`" onload="alert(1)" x='`, `]]><!--`, `{{.}}</td>`, `=cmd|' /C calc'!A0`, "a\r\nrow,two", `) Tj ET endstream endobj (`, `../../../etc/passwd`,
	"\x1b]0;x\a\x00\u202eevil\u2066", strings.Repeat("W", 5000), strings.Repeat("日本 ", 400), "\ufffd\ufffe\u2028", "&#60;b&#62;",
}

var fileForm = regexp.MustCompile(`^[a-zA-Z0-9/.-]+$`)

func TestHostileUnit(t *testing.T) {
	d := newDemo(t)
	for _, attack := range attacks {
		list := files(t, d.content(t, d.record(t, "deep-1", attack)))
		for _, f := range list {
			if !fileForm.MatchString(f.Name) || strings.Contains(f.Name, "..") {
				t.Errorf("%.40q: a file is called %q", attack, f.Name)
			}
			if strings.HasSuffix(f.Name, ".svg") {
				wellFormed(t, f)
			}
		}
		checkPage(t, get(t, list, "handover.html"))
		for _, name := range []string{"handover.pdf", "labels.pdf"} {
			checkPDF(t, get(t, list, name))
		}
	}
}

func wellFormed(t *testing.T, f File) {
	t.Helper()
	for dec := xml.NewDecoder(bytes.NewReader(f.Data)); ; {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		if e, ok := token.(xml.StartElement); ok && !slices.Contains([]string{"svg", "title", "desc", "rect", "line", "text", "style", "defs", "pattern", "path", "circle"}, e.Name.Local) {
			t.Errorf("%s has an element %s", f.Name, e.Name.Local)
		} else if ok && e.Name.Space != "http://www.w3.org/2000/svg" { // SVG 1.1, 5.1.2
			t.Fatalf("%s: the element %s is of no SVG", f.Name, e.Name.Local)
		}
	}
}

// Verify finds every altered byte, every missing and every added file.
func TestVerify(t *testing.T) {
	d := newDemo(t)
	list := files(t, d.content(t, d.record(t, "deep-1", "")))
	for name, c := range map[string]struct {
		spoil func(dir string) error
		file  string
	}{
		"nothing": {func(string) error { return nil }, ""},
		"missing": {func(dir string) error { return os.Remove(filepath.Join(dir, "labels.pdf")) }, "labels.pdf"},
		"added":   {func(dir string) error { return os.WriteFile(filepath.Join(dir, "records", "x"), nil, 0o600) }, "records/x"},
		"link": {func(dir string) error {
			return errors.Join(os.Remove(filepath.Join(dir, "handover.html")), os.Symlink("handover.pdf", filepath.Join(dir, "handover.html")))
		}, "handover.html"},
		"no line": {func(dir string) error {
			data, err := os.ReadFile(filepath.Join(dir, handover.ManifestFile))
			_, rest, _ := strings.Cut(string(data), "\n")
			return errors.Join(err, os.WriteFile(filepath.Join(dir, handover.ManifestFile), []byte(rest), 0o600))
		}, "drawings/disks-1.svg"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "pack")
			must(t, Write(dir, list))
			must(t, c.spoil(dir))
			r, err := Verify(dir)
			must(t, err)
			if r.Whole() != (c.file == "") || c.file != "" && !slices.ContainsFunc(r.Faults, func(f handover.Fault) bool { return f.File == c.file }) {
				t.Errorf("faults %+v, want one of %q", r.Faults, c.file)
			}
		})
	}
	dir := filepath.Join(t.TempDir(), "pack")
	must(t, Write(dir, list))
	for _, f := range list {
		path := filepath.Join(dir, filepath.FromSlash(f.Name))
		for _, at := range []int{0, len(f.Data) / 2, len(f.Data) - 1} {
			spoilt := bytes.Clone(f.Data)
			spoilt[at] ^= 1
			must(t, os.WriteFile(path, spoilt, 0o600))
			if r, err := Verify(dir); err != nil || r.Whole() {
				t.Errorf("byte %d of %s is altered, and nothing is found (%v)", at, f.Name, err)
			}
		}
		must(t, os.WriteFile(path, f.Data, 0o600))
	}
	if r, err := Verify(dir); err != nil || !r.Whole() {
		t.Errorf("put right again, and still %v, %v", r.Faults, err)
	}
}

func TestWriteKeepsWhatIsThere(t *testing.T) {
	dir := t.TempDir()
	must(t, os.WriteFile(filepath.Join(dir, "mine"), nil, 0o600))
	if err := Write(dir, []File{{"a", nil}}); !errors.Is(err, ErrInUse) {
		t.Errorf("got %v, want %v", err, ErrInUse)
	}
	empty := filepath.Join(t.TempDir(), "empty")
	must(t, os.Mkdir(empty, 0o700))
	must(t, Write(empty, []File{{"sub/a", []byte("x")}}))
	if err := Write(filepath.Join(empty, "sub", "a"), []File{{"b", nil}}); err == nil {
		t.Error("a pack is written where a file is")
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(empty), ".handover-*")); left != nil {
		t.Errorf("left behind: %v", left)
	}
}

// played is the record of a run with a simulated unit, in virtual time.
func (d demo) played(t *testing.T, name string, store *secret.Store, values map[string]string) []byte {
	u, err := d.plan.Unit(name)
	must(t, err)
	dialogue, err := script.Load(u.Dialogue)
	must(t, err)
	path := filepath.Join(t.TempDir(), "a.record")
	synctest.Test(t, func(t *testing.T) {
		jack, mask := sim.NewJack("rehearsal", console.Default), transcript.NewMask()
		for name, value := range values {
			mask.Add(name, value)
		}
		j, err := transcript.Create(path, transcript.Header{Tool: "linehand test", Unit: u.Name, Kind: u.Kind, Serial: u.Serial, Site: "skerrymore", Mode: "bringup", Planned: u.Planned, Plan: u.SHA256}, mask)
		must(t, err)
		line, err := jack.Open()
		must(t, err)
		factory := u.Values["factory"].(script.FactoryValues)
		unit := sim.NewS24(sim.Config{Serial: u.Serial, FactoryUser: factory.User, FactorySecret: values[factory.Secret.Name], BootLog: 2000})
		session := sim.Start(t.Context(), unit, jack, sim.Options{Seed: 3, Paced: true})
		ending, err := player.Run{Dialogue: dialogue, Line: line, Record: j, Secrets: store, Target: engine.Target{Serial: u.Serial, Values: u.Values},
			Reopen: func(context.Context) (console.Line, error) { return jack.Open() }, Away: time.Minute, Mask: mask.Text}.Play(t.Context())
		must(t, err)
		if ending.How != engine.Done {
			t.Fatal(ending.Sentence)
		}
		session.Stop()
		must(t, j.Close())
	})
	data, err := os.ReadFile(path)
	must(t, err)
	return data
}
