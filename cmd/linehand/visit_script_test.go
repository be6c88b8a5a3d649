package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"linehand/transcript"
)

// packed is what these scripts look at in a handover pack.
type packed struct {
	Units []packedUnit
	Punch []struct {
		Unit, Code, What, By, Due string
		Closed                    json.RawMessage
	} `json:"punch_list"`
}

// packedUnit is one unit of a pack.
type packedUnit struct {
	Name  string
	Steps []struct {
		Part, Name, Initials, State string
		Event                       int
	}
	Looks []struct {
		Part, Name, Method, State string
	}
	AsBuilt []struct {
		Name, Record string
		Read         int `json:"read_event"`
	} `json:"as_built"`
	Proof struct {
		Lines []struct {
			Name  string
			Event int
		}
	}
	SignOffs []struct {
		Initials string
		Event    int
	} `json:"sign_offs"`
}

func readPack(ts *testscript.TestScript, folder string) packed {
	var p packed
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(filepath.Join(folder, "handover.json"))), &p))
	return p
}

// cmdInPack holds records against a pack: inpack PACK FOLDER-OF-RECORDS. Every
// tick, wait, read-back of the proof and sign-off must be in it.
func cmdInPack(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: inpack PACK RECORDS")
	}
	p := readPack(ts, args[0])
	paths, err := filepath.Glob(filepath.Join(ts.MkAbs(args[1]), "*.record"))
	ts.Check(err)
	total := 0
	for _, path := range paths {
		rec, err := transcript.Read(path)
		ts.Check(err)
		total += inPack(ts, p, rec)
	}
	if total < 400 {
		ts.Fatalf("only %d events were looked for in the pack", total)
	}
	ts.Logf("%d events of %d records are in the pack", total, len(paths))
}

// inPack counts the events of a record that the pack must hold.
func inPack(ts *testscript.TestScript, p packed, rec *transcript.Record) (n int) {
	i := slices.IndexFunc(p.Units, func(u packedUnit) bool { return u.Name == rec.Header.Unit })
	if i < 0 {
		ts.Fatalf("the pack has no unit %s", rec.Header.Unit)
	}
	u := p.Units[i]
	part := ""
	for _, e := range rec.Events {
		found := true
		switch e.Kind {
		case transcript.Phase:
			part = e.Name
			continue
		case transcript.Step:
			found = false
			for _, s := range u.Steps {
				found = found || s.Event == e.N && s.Name == e.Name && s.Initials == e.By && s.State == e.State && s.Part == part
			}
		case transcript.Look:
			found = false
			for _, l := range u.Looks {
				found = found || l.Name == e.Name && l.Method == e.Code && l.Part == part && l.State != transcript.Waited
			}
		case transcript.ReadBack:
			if part != "proof" {
				continue
			}
			found = false
			for _, l := range u.Proof.Lines {
				found = found || l.Event == e.N && l.Name == e.Name
			}
		case transcript.SignOff:
			found = false
			for _, s := range u.SignOffs {
				found = found || s.Event == e.N && s.Initials == e.By
			}
		default:
			continue
		}
		if !found {
			ts.Fatalf("%s: event %d, %s %q in part %q, is not in the pack", rec.Header.Unit, e.N, e.Kind, e.Name, part)
		}
		n++
	}
	return n
}

// cmdPoints compares the points of visits on a pack's punch list with a file:
// points PACK FILE.
func cmdPoints(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: points PACK FILE")
	}
	var got []string
	for _, o := range readPack(ts, args[0]).Punch {
		if o.Closed != nil {
			continue
		}
		switch o.Code {
		case "rehearsal", "unsealed", "not-recorded", "unwitnessed":
			continue
		}
		if strings.HasSuffix(o.What, ".") && strings.Contains(o.What, "address6") || strings.Contains(o.What, "no record") {
			continue // no dialogue of the demo site gives IPv6 addresses; strips have no console
		}
		line := fmt.Sprintf("%s: %s (%s, %s)", o.Unit, o.What, o.By, o.Due)
		got = append(got, line)
	}
	want := strings.TrimSpace(ts.ReadFile(args[1]))
	if text := strings.Join(got, "\n"); text != want {
		ts.Fatalf("the punch list is\n%s\nwant\n%s", text, want)
	}
}
