package handover

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"linehand/transcript"
	"linehand/transcript/ledger"
	"linehand/transcript/seal"
)

var update = flag.Bool("update", false, "write the golden files anew")

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// shelf is a planned unit.
func shelf(name, serial, address string) Unit {
	return Unit{
		Name: name, Kind: "brackwater-s24", KindTitle: "Brackwater S24 storage shelf", Title: "A shelf", Serial: serial, Rack: "rack-1", At: 3, Console: true,
		Ports: []Port{{Name: "e0", Network: "quay", Address: address + "/24", Gateway: "192.0.2.1"}}, Factory: "s24-factory", Secrets: []string{"admin", "s24-factory"},
		SHA256: strings.Repeat("cd", 32), Planned: map[string]string{"unit.name": name, "unit.serial": serial, "ports.e0.address": address, "ports.e0.gateway": "192.0.2.1", "ports.e0.mask": "255.255.255.0"},
		Sources: map[string]string{"unit.name": "site.yaml:12", "ports.e0.address": "site.yaml:14"},
	}
}

func site() Site {
	return Site{Name: "skerrymore", Title: "Skerrymore Acoustics Laboratory", TimeZone: "Europe/London", Secrets: []string{"admin", "s24-factory", "spare"},
		Units: []Unit{
			shelf("deep-1", "BW24-0113", "192.0.2.21"), shelf("deep-2", "BW24-0127", "192.0.2.22"), shelf("deep-3", "BW24-0130", "192.0.2.23"),
			{Name: "strip-1a", Kind: "tamsin-p8", KindTitle: "Tamsin P8 outlet strip", Serial: "TP8-0202", Rack: "rack-1"},
		}}
}

func stage(name, state string) transcript.Event {
	return transcript.Event{Kind: transcript.Stage, Name: name, State: state, Stage: name}
}

func said(why, stage, prompt, path, text string) transcript.Event {
	return transcript.Event{Kind: transcript.Said, Why: why, Stage: stage, Exchange: prompt, Value: path, Data: []transcript.Part{{Bytes: []byte(text)}}}
}

func answered(stage, prompt, path, text string) []transcript.Event {
	return []transcript.Event{said("answer", stage, prompt, path, text), said("enter", stage, prompt, "", "\r")}
}

func readBack(stage, name, path, want, got string) transcript.Event {
	return transcript.Event{Kind: transcript.ReadBack, Stage: stage, Name: name, Value: path, Want: want, Got: got, Equal: want == got}
}

func ending(code string, exit int) transcript.Event {
	return transcript.Event{Kind: transcript.Ending, Code: code, Exit: exit, Text: "The unit is set up."}
}

// recorded is a record of a unit in which all goes as planned, up to its
// ending.
func recorded(u Unit, hour int) *transcript.Record {
	rec := &transcript.Record{Whole: true, Header: transcript.Header{
		Format: transcript.Format, Tool: "linehand 0.1", Unit: u.Name, Kind: u.Kind, Serial: u.Serial, Site: "skerrymore", Mode: "bringup",
		Dialogue: transcript.Source{Name: "brackwater-s24"}, Plan: u.SHA256, Person: "Ragna Venn", Planned: u.Planned, Zone: "Europe/London",
		Started: time.Date(2026, 3, 4, hour, 30, 0, 0, time.UTC),
	}}
	rec.Events = slices.Concat(
		[]transcript.Event{stage("power up", "unseen"), stage("name", "entered"), {Kind: transcript.Fact, Name: "serial", Text: u.Serial}, {Kind: transcript.Fact, Name: "firmware", Text: "3.2.1"}},
		[]transcript.Event{{Kind: transcript.Said, Why: "answer", Stage: "name", Exchange: "Pass phrase:", Data: []transcript.Part{{Secret: "s24-factory"}}}, said("enter", "name", "Pass phrase:", "", "\r")},
		answered("name", "Unit name:", "unit.name", u.Name), answered("name", "Address of e0:", "ports.e0.address", u.Planned["ports.e0.address"]),
		answered("name", "S24>", "", "set mask e0 255.255.255.0"),
		[]transcript.Event{{Kind: transcript.Said, Why: "answer", Stage: "name", Exchange: "Pass phrase:", Data: []transcript.Part{{Secret: "admin"}}}, said("enter", "name", "Pass phrase:", "", "\r")},
		[]transcript.Event{stage("name", "done"), stage("read back", "entered"),
			readBack("read back", "name", "unit.name", u.Name, u.Name),
			readBack("read back", "mask of e0", "ports.e0.mask", "255.255.255.0", "255.255.255.0"),
			readBack("read back", "drives", "", "24", "24"), stage("read back", "done"), ending("done", 0)})
	return rec
}

// file writes the record as a run does, with times and numbers, and reads it
// again.
func file(t testing.TB, path string, rec *transcript.Record) {
	t.Helper()
	for i := range rec.Events {
		e := &rec.Events[i]
		e.N, e.At = i+1, time.Duration(i)*time.Second
		if e.Wall.IsZero() {
			e.Wall = rec.Header.Started.Add(e.At)
		}
	}
	var b bytes.Buffer
	must(t, transcript.Encode(&b, rec.Header, rec.Events))
	must(t, os.WriteFile(path, b.Bytes(), 0o600))
}

func read(t testing.TB, path string, keys ...seal.Public) Record {
	t.Helper()
	data, err := os.ReadFile(path)
	must(t, err)
	rec, err := transcript.Read(path)
	must(t, err)
	if rec.Fault != nil {
		rec.Fault.File = ""
	}
	res, err := seal.VerifyFile(path, keys...)
	must(t, err)
	return Record{Record: rec, SHA256: Digest(data), Size: int64(len(data)), Seal: res}
}

// demo is four units: one sealed and as planned, after a run that was cut
// off; one that differs, with a hold and a part typed by hand; one without a
// record; and one without a console.
func demo(t *testing.T) (Site, []Record) {
	dir, s := t.TempDir(), site()
	key := seal.KeyOfSeed([32]byte{7})
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	l, err := ledger.Begin(dir, "bench-7", key, ledger.WithClock(func() time.Time { now = now.Add(time.Second); return now }))
	must(t, err)
	defer l.Close()
	first := recorded(s.Units[0], 9)
	first.Header.Bench, first.Header.After = "bench-7", l.Log().LastSeal()
	file(t, filepath.Join(dir, "one.record"), first)
	_, err = l.Seal(filepath.Join(dir, "one.record"), ledger.SealOptions{})
	must(t, err)
	early := recorded(s.Units[0], 8)
	early.Events = early.Events[:8]
	early.Events[0] = stage("power up", "done")
	file(t, filepath.Join(dir, "early.record"), early)
	second := recorded(s.Units[1], 10)
	second.Events = slices.Insert(second.Events, 4,
		transcript.Event{Kind: transcript.Hold, State: "raised", Stage: "name", Text: "nothing known is asked"},
		transcript.Event{Kind: transcript.Said, Why: "hand", Stage: "name", By: "Ragna Venn", Data: []transcript.Part{{Bytes: []byte("y\r")}}})
	second.Events[len(second.Events)-3] = readBack("read back", "mask of e0", "ports.e0.mask", "255.255.255.0", "255.255.0.0")
	second.Events[len(second.Events)-1] = ending("differs", 13)
	file(t, filepath.Join(dir, "two.record"), second)
	return s, []Record{
		read(t, filepath.Join(dir, "two.record"), key.Public()), read(t, filepath.Join(dir, "one.record"), key.Public()), read(t, filepath.Join(dir, "early.record"), key.Public()),
	}
}

func golden(t *testing.T, name string, write func(*bytes.Buffer) error) {
	t.Helper()
	var got bytes.Buffer
	must(t, write(&got))
	path := filepath.Join("testdata", name)
	if *update {
		must(t, os.MkdirAll("testdata", 0o755))
		must(t, os.WriteFile(path, got.Bytes(), 0o644))
	}
	want, err := os.ReadFile(path)
	must(t, err)
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

func TestGolden(t *testing.T) {
	doc, err := Make(demo(t))
	must(t, err)
	golden(t, "handover.json", func(b *bytes.Buffer) error { return doc.WriteJSON(b) })
	golden(t, "units.csv", func(b *bytes.Buffer) error { return doc.WriteUnits(b) })
	golden(t, "as-built.csv", func(b *bytes.Buffer) error { return doc.WriteBuilt(b) })
}

// The order in which records are named changes nothing.
func TestSameRecordsSameDocument(t *testing.T) {
	s, records := demo(t)
	var texts [2]bytes.Buffer
	for i := range texts {
		doc, err := Make(s, records)
		must(t, err)
		must(t, doc.WriteJSON(&texts[i]))
		slices.Reverse(records)
	}
	if texts[0].String() != texts[1].String() {
		t.Error(cmp.Diff(texts[0].String(), texts[1].String()))
	}
}

// codes are the punch list's codes for deep-1 when its record is changed so.
func TestPunchList(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*transcript.Record)
		spoil  func([]byte) []byte
		plan   func(*Site)
		codes  []string
	}{
		"as planned":       {codes: []string{CodeUnsealed, CodeUnseen, CodeUnread}},
		"a rehearsal":      {change: func(r *transcript.Record) { r.Header.Mode = "rehearse" }, codes: []string{CodeRehearsal, CodeUnsealed, CodeUnseen, CodeUnread}},
		"stage seen":       {change: func(r *transcript.Record) { r.Events[0] = stage("power up", "done") }, codes: []string{CodeUnsealed, CodeUnread}},
		"another chassis":  {change: func(r *transcript.Record) { r.Events[2].Text = "ZZ-1" }, codes: []string{CodeUnsealed, CodeDiffers, CodeUnseen, CodeUnread}},
		"the plan changed": {plan: func(s *Site) { s.Units[0].SHA256 = strings.Repeat("ee", 32) }, codes: []string{CodeUnsealed, CodeDiffers, CodeUnseen, CodeUnread}},
		"given up":         {change: func(r *transcript.Record) { r.Events[len(r.Events)-1] = ending("given up", 10) }, codes: []string{CodeUnsealed, CodeUnended, CodeUnseen, CodeUnread}},
		"by hand":          {change: func(r *transcript.Record) { r.Events[len(r.Events)-1] = ending("left", 0) }, codes: []string{CodeUnsealed, CodeByHand, CodeUnseen, CodeUnread}},
		"cut off":          {change: func(r *transcript.Record) { r.Events = r.Events[:len(r.Events)-1] }, codes: []string{CodeUnsealed, CodeUnended, CodeUnseen, CodeUnread}},
		"altered": {spoil: func(b []byte) []byte {
			return bytes.Replace(b, []byte(`"text":"3.2.1"`), []byte(`"text":"3.2.2"`), 1)
		}, codes: []string{CodeAltered, CodeUnseen, CodeUntouched}},
		"hold not released": {change: func(r *transcript.Record) {
			r.Events = slices.Insert(r.Events, 5, transcript.Event{Kind: transcript.Hold, State: "raised", Text: "?"})
		}, codes: []string{CodeUnsealed, CodeHold, CodeUnseen, CodeUnread}},
		"delivered secret kept": {change: func(r *transcript.Record) {
			r.Events = slices.DeleteFunc(r.Events, func(e transcript.Event) bool { return len(e.Data) == 1 && e.Data[0].Secret == "admin" })
		}, codes: []string{CodeUnsealed, CodeFactory, CodeUnseen, CodeUnread}},
		"clock set": {change: func(r *transcript.Record) {
			for i := 8; i < len(r.Events); i++ {
				r.Events[i].Wall = r.Header.Started.Add(time.Hour + time.Duration(i)*time.Second)
			}
		}, codes: []string{CodeUnsealed, CodeClock, CodeUnseen, CodeUnread}},
		"a port more": {plan: func(s *Site) {
			s.Units[0].Ports = append(s.Units[0].Ports, Port{Name: "e1"})
			s.Units[0].Planned["ports.e1.address"] = "198.51.100.21"
		}, codes: []string{CodeUnsealed, CodeUnseen, CodeUnread, CodeUntouched}},
	} {
		t.Run(name, func(t *testing.T) {
			s := site()
			rec := recorded(s.Units[0], 9)
			if c.change != nil {
				c.change(rec)
			}
			path := filepath.Join(t.TempDir(), "a.record")
			file(t, path, rec)
			if c.spoil != nil {
				data, err := os.ReadFile(path)
				must(t, err)
				spoilt := c.spoil(data)
				if bytes.Equal(data, spoilt) {
					t.Fatal("nothing was spoilt")
				}
				must(t, os.WriteFile(path, spoilt, 0o600))
			}
			if c.plan != nil {
				c.plan(&s)
			}
			doc, err := Make(s, []Record{read(t, path)})
			must(t, err)
			var codes []string
			for _, o := range doc.Punch {
				if o.Unit == "deep-1" {
					codes = append(codes, o.Code)
				}
			}
			if diff := cmp.Diff(c.codes, codes); diff != "" {
				t.Errorf("codes (-want +got):\n%s\n%v", diff, doc.Punch)
			}
		})
	}
}

func TestTwoUnitsOneChassis(t *testing.T) {
	s, dir := site(), t.TempDir()
	var records []Record
	for i := range 2 {
		rec := recorded(s.Units[i], 9+i)
		rec.Events[2].Text = "BW24-0113"
		path := filepath.Join(dir, s.Units[i].Name)
		file(t, path, rec)
		records = append(records, read(t, path))
	}
	doc, err := Make(s, records)
	must(t, err)
	last := doc.Punch[len(doc.Punch)-1]
	if last.Code != CodeSerial || last.Unit != "deep-2" || !strings.Contains(last.What, "deep-1") {
		t.Errorf("punch list ends with %+v", last)
	}
}

func TestUnknownUnit(t *testing.T) {
	s := site()
	rec := recorded(s.Units[0], 9)
	rec.Header.Unit = "deep-9\x1b[2J"
	path := filepath.Join(t.TempDir(), "a")
	file(t, path, rec)
	if _, err := Make(s, []Record{read(t, path)}); err == nil || strings.Contains(err.Error(), "\x1b") {
		t.Errorf("got %v, want an error without control characters", err)
	}
}

// A key that is not the bench's is told, and so is one that is.
func TestKeys(t *testing.T) {
	s, records := demo(t)
	doc, err := Make(s, records)
	must(t, err)
	if sealed := doc.Runs[1].Seal; sealed == nil || !sealed.Trusted || sealed.Bench != "bench-7" || sealed.Entry != 1 {
		t.Errorf("seal %+v", doc.Runs[1].Seal)
	}
	other := seal.KeyOfSeed([32]byte{8}).Public()
	for i := range records {
		if records[i].Seal.Sealed {
			records[i] = read(t, records[i].Seal.File, other)
		}
	}
	doc, err = Make(s, records)
	must(t, err)
	if !slices.ContainsFunc(doc.Punch, func(o Open) bool { return o.Code == CodeKey && o.Unit == "deep-1" }) {
		t.Errorf("no word of the other key in %v", doc.Punch)
	}
}

func TestInitials(t *testing.T) {
	for person, want := range map[string]string{
		"": "", "Ragna Venn": "RV", "ragna.venn": "RV", "r_venn@bench-7": "RV", "Åse Ødegård": "ÅØ", "42": "", "D'Arcy": "D", "a b c d e f": "ABCD",
	} {
		if got := Initials(person); got != want {
			t.Errorf("Initials(%q) = %q, want %q", person, got, want)
		}
	}
}
