package pack

import (
	"fmt"
	"strings"
	"time"

	"linehand/cmd/internal/draw"
	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/handover"
)

// section is a part of the document, laid out the same on paper and on a
// screen.
type section struct {
	ID, Title string
	Blocks    []block
}

// block is one of its members.
type block struct {
	Heading  string
	Text     string
	Caution  bool // Text is one
	Table    *table
	Pictures []*draw.Picture
}

type table struct {
	Caption string
	Columns []column
	Rows    [][]string
	Strong  func(row []string) bool // rows to be seen first; nil: none
}

// column is a column of a table. The first is what a row is called by.
type column struct {
	Title string
	Share float64 // of the width
	Code  bool    // values as they are typed
	Even  bool    // all lines of a cell count alike; else those below the first are asides
	Fill  bool    // what is empty is to be filled in by hand
}

// Text that is longer is cut, with how much there is more. The records and
// the tables for machines have all of it.
const longest = 400

func short(text string) string {
	runes := []rune(text)
	if len(runes) <= longest {
		return text
	}
	return fmt.Sprintf("%s… (%d more characters)", string(runes[:longest]), len(runes)-longest)
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02 15:04:05 -07:00")
}

func or(text, instead string) string {
	if text == "" {
		return instead
	}
	return text
}

const none = "–"

func sections(c Content, p pictures) []section {
	d := c.Document
	out := []section{
		installed(d), punch(d), signOff(d), built(d), steps(d), waits(d), proved(d), checks(d),
		{ID: "racks", Title: "Racks", Blocks: []block{{Text: "As planned, seen from the front; U1 is at the bottom."}, {Pictures: p.racks}}},
		networks(c, p), disks(d, p), secrets(d), records(d), proof(d),
	}
	shorten(out)
	kept := out[:0]
	for _, s := range out {
		if len(s.Blocks) == 0 || s.ID == "racks" && len(p.racks) == 0 || s.ID == "networks" && len(p.networks) == 0 {
			continue
		}
		kept = append(kept, s)
	}
	return kept
}

// shorten cuts what is too long for a cell, line by line.
func shorten(list []section) {
	for _, s := range list {
		for _, b := range s.Blocks {
			if b.Table == nil {
				continue
			}
			for _, row := range b.Table.Rows {
				for i, cell := range row {
					lines := strings.Split(cell, "\n")
					for j := range lines {
						lines[j] = short(lines[j])
					}
					row[i] = strings.Join(lines, "\n")
				}
			}
		}
	}
}

// place is where a unit stands.
func place(u handover.Unit) string {
	switch {
	case u.Rack == "":
		return none
	case u.At == 0:
		return u.Rack + ", at the side"
	}
	return fmt.Sprintf("%s, U%d", u.Rack, u.At)
}

func installed(d handover.Document) section {
	t := &table{Caption: "What is installed where", Columns: []column{{Title: "Unit", Share: 20}, {Title: "Kind", Share: 17}, {Title: "Serial number", Share: 19, Code: true},
		{Title: "Place", Share: 13}, {Title: "Addresses", Share: 31, Code: true, Even: true}, {Title: "State", Share: 14}},
		Strong: func(row []string) bool {
			return strings.HasSuffix(row[5], string(audit.Differs)) || strings.HasSuffix(row[5], string(audit.NotWhole))
		}}
	for _, u := range d.Units {
		var ports []string
		for _, p := range u.Ports {
			ports = append(ports, p.Name+" "+p.Address)
			if p.Address6 != "" {
				ports = append(ports, p.Name+" "+p.Address6)
			}
		}
		serial := firstRunes(or(u.SerialRead, u.Serial), 60)
		if u.SerialRead == "" && u.Serial != "" {
			serial += " (planned)"
		}
		name := u.Name
		if u.Title != "" {
			name += "\n" + u.Title
		}
		if u.Cluster != "" {
			name += "\ncluster " + u.Cluster
		}
		t.Rows = append(t.Rows, []string{name, or(u.KindTitle, u.Kind), or(serial, "left open"), place(u.Unit), or(strings.Join(ports, "\n"), none), u.State})
	}
	return section{ID: "installed", Title: "What is installed where", Blocks: []block{{Table: t}}}
}

func built(d handover.Document) section {
	s := section{ID: "as-built", Title: "As built", Blocks: []block{{Text: "What was typed into each unit, what the plan says, and what the unit itself read back. “In” tells the line of the site profile; “event” the line of the record."}}}
	for _, u := range d.Units {
		if len(u.Values) == 0 {
			continue
		}
		var facts []string
		for _, f := range u.Facts {
			if f.Name == "firmware" {
				facts = append(facts, f.Name+" "+firstRunes(f.Text, 60))
			}
		}
		facts = append(facts, "last record "+u.Records[len(u.Records)-1])
		s.Blocks = append(s.Blocks, block{Heading: u.Name}, block{Text: strings.Join(facts, "; ") + "."}, block{Table: values(u)})
	}
	if len(s.Blocks) == 1 {
		s.Blocks = []block{{Text: "No unit has a record with values."}}
	}
	return s
}

func values(u handover.Installed) *table {
	t := &table{Caption: "Values of " + u.Name, Columns: []column{{Title: "Value", Share: 24}, {Title: "As entered", Share: 22, Code: true}, {Title: "Plan", Share: 24, Code: true},
		{Title: "Read back", Share: 22, Code: true}, {Title: "Verdict", Share: 14}}, Strong: func(row []string) bool { return row[4] != string(audit.AsPlanned) }}
	for _, v := range u.Values {
		name := v.Name
		if v.Path != "" && v.Path != v.Name {
			name += "\n" + v.Path
		}
		entered := v.Entered
		switch {
		case v.Entered != "" && v.Part:
			entered += fmt.Sprintf("\npart of event %d", v.Event)
		case v.Entered != "":
			entered += fmt.Sprintf("\nevent %d", v.Event)
		}
		planned := v.Planned
		if v.Source != "" {
			planned += "\nin " + v.Source
		}
		read := v.ReadBack
		if v.ReadAt > 0 {
			read += fmt.Sprintf("\nevent %d", v.ReadAt)
			if v.ReadIn != "" {
				read += " of " + strings.TrimPrefix(v.ReadIn, "records/")
			}
		}
		t.Rows = append(t.Rows, []string{name, or(entered, none), or(planned, none), or(read, none), v.Verdict})
	}
	return t
}

func checks(d handover.Document) section {
	s := section{ID: "checks", Title: "Checks", Blocks: []block{{Text: "Initials and time are those of the record where it has them. Boxes are for what no record can witness: whoever makes the check fills them in."}}}
	var t *table
	unit := ""
	for _, c := range d.Checks {
		if c.Unit != unit {
			unit = c.Unit
			t = &table{Caption: "Checks of " + unit, Columns: []column{{Title: "Check", Share: 36}, {Title: "Result", Share: 34, Fill: true}, {Title: "Initials", Share: 11, Fill: true}, {Title: "Time", Share: 23, Fill: true}}}
			s.Blocks = append(s.Blocks, block{Heading: unit}, block{Table: t})
		}
		result := c.Result
		if c.State == handover.NotGood {
			result = "NOT GOOD: " + result
		}
		t.Rows = append(t.Rows, []string{c.What, result, c.Initials, stamp(c.At)})
	}
	return s
}

func networks(c Content, p pictures) section {
	s := section{ID: "networks", Title: "Networks", Blocks: []block{{Text: "As planned. " + networkKey}}}
	for i, maps := range p.networks {
		n := c.Plan.Networks[i]
		s.Blocks = append(s.Blocks, block{Heading: n.Name}, block{Pictures: maps})
		t := &table{Caption: "Addresses held in " + n.Name, Columns: []column{{Title: "Address", Share: 30, Code: true}, {Title: "Holder", Share: 70}}}
		for _, h := range n.Holders {
			t.Rows = append(t.Rows, []string{h.Address.String(), h.Who})
		}
		s.Blocks = append(s.Blocks, block{Table: t})
	}
	return s
}

func disks(d handover.Document, p pictures) section {
	s := section{ID: "disks", Title: "Disk layout and capacity"}
	t := &table{Caption: "Planned use of the drives", Columns: []column{{Title: "Unit", Share: 16}, {Title: "Drives", Share: 17}, {Title: "Layout", Share: 24}, {Title: "In the layout", Share: 12}, {Title: "Spares", Share: 9}, {Title: "Usable", Share: 21}, {Title: "Survives", Share: 21}}}
	for _, u := range d.Units {
		if st := u.Storage; st != nil {
			t.Rows = append(t.Rows, []string{u.Name, fmt.Sprintf("%d of %s", st.Drives, st.Size), st.Layout, fmt.Sprint(st.Members), fmt.Sprint(st.Spares), st.Usable, st.Survives})
		}
	}
	if len(t.Rows) == 0 {
		return s
	}
	s.Blocks = []block{{Table: t}, {Pictures: p.disks},
		{Caution: true, Text: "Capacity is arithmetic on the drives as planned; a controller's own records and a file system come off it. No layout replaces a copy elsewhere."}}
	return s
}

func secrets(d handover.Document) section {
	t := &table{Caption: "Secrets by name, and who holds them", Columns: []column{{Title: "Secret", Share: 19}, {Title: "Of units", Share: 29}, {Title: "Typed into", Share: 22}, {Title: "Held by", Share: 18, Fill: true}, {Title: "Since", Share: 12, Fill: true}}}
	for _, s := range d.Secrets {
		name := s.Name
		if s.Factory {
			name += "\nas delivered: to be void"
		}
		typed := strings.Join(s.Typed, ", ")
		if s.Bound {
			typed += "\ncan be confirmed from the record"
		}
		t.Rows = append(t.Rows, []string{name, or(strings.Join(s.Units, ", "), none), or(typed, none), "", ""})
	}
	out := section{ID: "secrets", Title: "Secrets", Blocks: []block{{Text: "Names only: no secret is in this pack. Never write one on it."}}}
	if len(t.Rows) > 0 {
		out.Blocks = append(out.Blocks, block{Table: t})
	}
	return out
}

func records(d handover.Document) section {
	s := section{ID: "records", Title: "Records and seals"}
	t := &table{Caption: "Session records in this pack", Columns: []column{{Title: "Unit", Share: 18}, {Title: "Run", Share: 32}, {Title: "Person", Share: 18}, {Title: "Came to", Share: 32}}}
	sums := &table{Caption: "Digests and seals", Columns: []column{{Title: "Unit", Share: 18}, {Title: "File, digest and seal line", Share: 82, Code: true}}}
	keys := &table{Caption: "Public keys (Ed25519, RFC 8032)", Columns: []column{{Title: "Bench", Share: 18}, {Title: "Key", Share: 82, Code: true}}}
	listed := make(map[string]bool)
	for _, r := range d.Runs {
		t.Rows = append(t.Rows, []string{r.Unit, ranWhen(r), or(r.Person, none), cameTo(r)})
		text := r.File + "\nSHA-256 " + r.SHA256
		if r.Seal == nil {
			sums.Rows = append(sums.Rows, []string{r.Unit, text + "\nnot sealed"})
			continue
		}
		sums.Rows = append(sums.Rows, []string{r.Unit, text + "\nsealed " + stamp(r.Seal.At) + " by key " + r.Seal.Key.Short() + "\n" + r.Seal.Line()})
		if key := r.Seal.Key.String(); !listed[key] {
			listed[key] = true
			text := key + "\nkeys/" + r.Seal.Key.Short() + ".pem"
			if r.Seal.Trusted {
				text += ", given as the bench's key"
			}
			keys.Rows = append(keys.Rows, []string{r.Seal.Bench, text})
		}
	}
	if len(t.Rows) == 0 {
		s.Blocks = []block{{Text: "There is no record."}}
		return s
	}
	s.Blocks = []block{{Table: t}, {Table: sums}}
	if len(keys.Rows) > 0 {
		s.Blocks = append(s.Blocks, block{Table: keys},
			block{Text: "A seal line is the bench, the entry in its log, the digest that the record's lines link up to, and the signature over that digest and the seal itself, both in base 16."})
	}
	return s
}

func ranWhen(r handover.Run) string {
	text := modeWord(r.Mode) + "\nfrom " + stamp(r.Started)
	if !r.Ended.IsZero() {
		text += "\nto " + stamp(r.Ended)
	}
	return text
}

func cameTo(r handover.Run) string {
	text := r.Verdict
	if r.Ending != "" {
		text += "\n" + r.Ending
	}
	if !r.Last {
		text += "\na later run counts"
	}
	return text
}

func modeWord(mode string) string {
	switch mode {
	case "bringup":
		return "run of the dialogue"
	case "rehearse":
		return "rehearsal with a simulated unit"
	case "byhand":
		return "session by hand"
	case transcript.VisitMode:
		return "visit"
	case transcript.ProofMode:
		return "proof after a visit"
	}
	return mode
}

func proof(d handover.Document) section {
	return section{ID: "proof", Title: "How to check this pack", Blocks: []block{
		{Text: "In the pack's folder, “sha256sum -c " + handover.ManifestFile + "” (or “shasum -a 256 -c”) compares every file with its digest. “linehand handover --verify FOLDER” does the same, finds files that were added, and verifies each record's chain and seal."},
		{Text: "The digests show that the files belong together, not who made them. That the records are those of the bench is shown by their seals: give the bench's public key with --key, as you had it from the bench itself and not from this pack."},
	}}
}
