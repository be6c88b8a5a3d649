// Package handover makes the documents that stay with the customer, out of
// session records and what the plan says: what is installed where, what was
// entered and what reads back, which checks were done by whom and when, what
// is still open, and who is to hold which secret.
//
// It gives a Document, its tables as CSV (RFC 4180) and a Manifest of digests.
// How it looks on paper is another's part. The package opens no file and reads
// no clock: all dates are those of the records, and the same records and plan
// give the same bytes. It knows secrets by name only.
package handover

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/seal"
)

// Format is the name and version of the document as JSON.
const Format = "linehand.handover/1"

// Site is what the plan says.
type Site struct {
	Name          string   `json:"name"`
	Title         string   `json:"title,omitempty"`
	Domain        string   `json:"domain,omitempty"`
	TimeZone      string   `json:"time_zone,omitempty"`
	Demonstration bool     `json:"demonstration,omitempty"` // nothing of it is real
	Secrets       []string `json:"secrets,omitempty"`       // names only
	Units         []Unit   `json:"-"`                       // in the order of the profile
}

// Unit is one unit of the plan.
type Unit struct {
	Name      string `json:"name"`
	Kind      string `json:"kind"`
	KindTitle string `json:"kind_title,omitempty"`
	Title     string `json:"title,omitempty"`
	Serial    string `json:"serial,omitempty"` // as planned
	Cluster   string `json:"cluster,omitempty"`
	Mode      string `json:"mode,omitempty"` // how it comes to its cluster: "join" or "start"
	Rack      string `json:"rack,omitempty"`
	At        int    `json:"at,omitempty"` // lowest rack unit, from 1; 0: at the rack's side
	Console   bool   `json:"console"`      // it has a dialogue, so that a record is due

	Ports   []Port            `json:"ports,omitempty"`
	Storage *Storage          `json:"storage,omitempty"`
	Secrets []string          `json:"secrets,omitempty"`        // names of those that it refers to
	Factory string            `json:"factory_secret,omitempty"` // name of the one that it was delivered with
	SHA256  string            `json:"plan_sha256,omitempty"`
	Planned map[string]string `json:"-"` // value path -> planned value
	Sources map[string]string `json:"-"` // value path -> FILE:LINE in the profile
}

// Port is one planned network port.
type Port struct {
	Name     string `json:"name"`
	Network  string `json:"network,omitempty"`
	Address  string `json:"address,omitempty"` // with its prefix length
	Gateway  string `json:"gateway,omitempty"`
	Address6 string `json:"address6,omitempty"`
	VLAN     int    `json:"vlan,omitempty"`
}

// Storage is how a unit's drives are planned to be used.
type Storage struct {
	Layout    string `json:"layout"`
	Drives    int    `json:"drives"`
	Size      string `json:"size"` // of each drive
	Members   int    `json:"members"`
	Spares    int    `json:"spares"`
	Usable    string `json:"usable"` // in powers of 1000 and of 1024
	Survives  string `json:"survives"`
	UsableRaw int64  `json:"usable_bytes"`
}

// Record is a session record that goes into the pack.
type Record struct {
	*transcript.Record
	SHA256 string // of the file
	Size   int64  // bytes
	Seal   *seal.Result
}

// Document is the pack's content.
type Document struct {
	Format  string      `json:"format"`
	Site    Site        `json:"site"`
	From    time.Time   `json:"from"`  // when the first run began
	Until   time.Time   `json:"until"` // when the last event of all runs was written; seals aside
	Units   []Installed `json:"units"`
	Checks  []Check     `json:"checks"`
	Punch   []Open      `json:"punch_list"`
	Secrets []Secret    `json:"secrets"`
	Runs    []Run       `json:"records"` // in the order of the units, then of time
}

// Installed is a unit with what its records tell.
type Installed struct {
	Unit
	SerialRead string   `json:"serial_read,omitempty"` // what the chassis said
	Facts      []Fact   `json:"facts,omitempty"`
	Records    []string `json:"records,omitempty"`   // files, the last one is what counts
	State      string   `json:"state"`               // the last run's verdict, or "no record"
	Rehearsed  bool     `json:"rehearsed,omitempty"` // all that is known is from rehearsals
	Values     []Value  `json:"as_built,omitempty"`

	Parts    []Part   `json:"parts,omitempty"` // of visits, in order
	Steps    []Step   `json:"steps,omitempty"` // by hand, as they were left last
	Looks    []Look   `json:"looks,omitempty"` // over the network, in order
	Proof    *Proof   `json:"proof,omitempty"` // the last
	SignOffs []Signed `json:"sign_offs,omitempty"`
}

// Fact is a value read out of what the unit printed.
type Fact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Value is one line of the as-built table.
type Value struct {
	Path     string `json:"path,omitempty"` // of the plan; "" for what was only read back
	Name     string `json:"name"`
	Planned  string `json:"planned,omitempty"`
	Source   string `json:"source,omitempty"` // FILE:LINE of the planned value
	Entered  string `json:"entered,omitempty"`
	Part     bool   `json:"part,omitempty"` // Entered stood inside a longer answer
	Event    int    `json:"event,omitempty"`
	ReadBack string `json:"read_back,omitempty"`
	ReadAt   int    `json:"read_event,omitempty"`
	Record   string `json:"record,omitempty"`      // file that Event and ReadAt are of
	ReadIn   string `json:"read_record,omitempty"` // file that ReadAt is of, where that is another
	Verdict  string `json:"verdict"`
}

// The verdicts on a value, besides audit.AsPlanned, audit.Differs and
// audit.Open.
const (
	NotRead    = "not read back"
	NotEntered = "not entered"
	PlanMoved  = "plan has changed"
)

// The states of units without a record. Those of others are the verdicts of
// their last runs.
const (
	NoRecord  = "no record"
	NoConsole = "no console"
)

// Check is a check with who did it and when; one without a result is left for
// a person to fill in.
type Check struct {
	Unit     string    `json:"unit"`
	What     string    `json:"what"`
	Result   string    `json:"result,omitempty"`
	State    string    `json:"state"`
	By       string    `json:"by,omitempty"` // as the record has it
	Initials string    `json:"initials,omitempty"`
	At       time.Time `json:"at,omitzero"`
}

// The states of a check.
const (
	ToDo    = "to do"
	Good    = "good"
	NotGood = "not good"
)

// Open is one point of the punch list. What is open stands before what a
// later record has closed, and what is due first before the rest.
type Open struct {
	Unit   string   `json:"unit,omitempty"`
	Code   string   `json:"code"`
	What   string   `json:"what"`
	Record string   `json:"record,omitempty"`
	Event  int      `json:"event,omitempty"`
	By     string   `json:"by,omitempty"`  // who is to close it
	Due    string   `json:"due,omitempty"` // by when, as 2006-01-02
	Closed *Closing `json:"closed,omitempty"`
}

// StillOpen are the points that nothing has closed.
func (d Document) StillOpen() (list []Open) {
	for _, o := range d.Punch {
		if o.Closed == nil {
			list = append(list, o)
		}
	}
	return list
}

// Secret is a secret by name. Who holds it is for a person to fill in.
type Secret struct {
	Name    string   `json:"name"`
	Factory bool     `json:"factory,omitempty"` // units were delivered with it
	Units   []string `json:"units,omitempty"`   // that refer to it
	Typed   []string `json:"typed,omitempty"`   // units into which it was typed
	Bound   bool     `json:"bound"`             // a record holds a commitment to it: what was typed can be confirmed later
	Holder  string   `json:"holder"`
}

// Run is one record.
type Run struct {
	File     string    `json:"file"`
	SHA256   string    `json:"sha256"`
	Size     int64     `json:"size"`
	Unit     string    `json:"unit"`
	Mode     string    `json:"mode"`
	Person   string    `json:"person,omitempty"`
	Started  time.Time `json:"started"`
	Ended    time.Time `json:"ended,omitzero"`
	Verdict  string    `json:"verdict"`
	Ending   string    `json:"ending,omitempty"`
	Dialogue string    `json:"dialogue,omitempty"`
	Tool     string    `json:"tool,omitempty"`
	Last     bool      `json:"last"` // the unit's last run, which counts
	Seal     *Sealed   `json:"seal,omitempty"`
}

// Sealed is a right seal.
type Sealed struct {
	Bench     string      `json:"bench"`
	Entry     int64       `json:"entry"` // of the bench's log, from 0
	At        time.Time   `json:"at"`
	Late      bool        `json:"late,omitempty"`
	Key       seal.Public `json:"key"`
	Trusted   bool        `json:"trusted"` // the key is one that was given as the bench's
	Over      string      `json:"over"`    // link of the record's line before the seal
	Signature []byte      `json:"signature"`
}

// Line is the seal as one line, to be kept elsewhere.
func (s *Sealed) Line() string {
	return fmt.Sprintf("%s %d %s %x", clean(s.Bench), s.Entry, s.Over, s.Signature)
}

// Make makes the document. Every record must be of a unit of the site.
func Make(site Site, records []Record) (Document, error) {
	m := &maker{doc: Document{Format: Format, Site: site}}
	for i := range site.Units {
		m.units = append(m.units, &unit{plan: &site.Units[i]})
	}
	if err := m.sort(records); err != nil {
		return Document{}, err
	}
	m.name()
	for _, u := range m.units {
		m.installed(u)
	}
	for _, u := range m.units {
		m.checks(u)
	}
	m.punch()
	arrange(m.doc.Punch)
	m.secrets()
	return m.doc, nil
}

// unit is a unit with its runs in the order in which they began.
type unit struct {
	plan *Unit
	runs []*run
}

// run is a record with its audit.
type run struct {
	Record
	file   string
	report audit.Report
}

// last is the run that counts; nil where there is none.
func (u *unit) last() *run {
	for _, r := range slices.Backward(u.runs) {
		if r.report.Mode != rehearsal || u.onlyRehearsed() {
			return r
		}
	}
	return nil
}

const rehearsal = "rehearse"

func (u *unit) onlyRehearsed() bool {
	return !slices.ContainsFunc(u.runs, func(r *run) bool { return r.report.Mode != rehearsal })
}

// counting are the runs that tell what was entered: all, but no rehearsal
// where there was also a run on the unit itself.
func (u *unit) counting() []*run {
	if u.onlyRehearsed() {
		return u.runs
	}
	return slices.DeleteFunc(slices.Clone(u.runs), func(r *run) bool { return r.report.Mode == rehearsal })
}

type maker struct {
	doc   Document
	units []*unit
}

// sort gives each unit its records.
func (m *maker) sort(records []Record) error {
	for _, rec := range records {
		i := slices.IndexFunc(m.units, func(u *unit) bool { return u.plan.Name == rec.Header.Unit })
		if i < 0 {
			return fmt.Errorf("the plan has no unit %q", clean(rec.Header.Unit))
		}
		u := m.units[i]
		planned := audit.Planned{Unit: u.plan.Name, Serial: u.plan.Serial, SHA256: u.plan.SHA256, Planned: u.plan.Planned, Sources: u.plan.Sources, Factory: u.plan.Factory}
		u.runs = append(u.runs, &run{Record: rec, report: audit.Audit(rec.Record, planned)})
	}
	for _, u := range m.units {
		slices.SortStableFunc(u.runs, func(a, b *run) int {
			if c := a.Header.Started.Compare(b.Header.Started); c != 0 {
				return c
			}
			return strings.Compare(a.SHA256, b.SHA256)
		})
	}
	return nil
}

// name gives the records their names in the pack, and lists them.
func (m *maker) name() {
	taken := make(map[string]bool)
	for _, u := range m.units {
		for _, r := range u.runs {
			stem := Slug(u.plan.Name) + "-" + r.Header.Started.UTC().Format("20060102T150405Z")
			r.file = "records/" + stem + ".record"
			for n := 2; taken[r.file]; n++ {
				r.file = fmt.Sprintf("records/%s-%d.record", stem, n)
			}
			taken[r.file] = true
			m.doc.Runs = append(m.doc.Runs, runOf(r, r == u.last()))
			m.dates(r)
		}
	}
}

// Slug is a name as a part of a file name: letters, digits and hyphens, on
// every system.
func Slug(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() == 40 {
			break
		}
	}
	if slug := strings.Trim(b.String(), "-"); slug != "" {
		return slug
	}
	return "unnamed"
}

func (m *maker) dates(r *run) {
	d := &m.doc
	if d.From.IsZero() || r.Header.Started.Before(d.From) {
		d.From = r.Header.Started
	}
	last := r.Header.Started
	for _, e := range r.Events {
		if e.Wall.After(last) && e.Kind != transcript.Sealed {
			last = e.Wall
		}
	}
	if last.After(d.Until) {
		d.Until = last
	}
}

func runOf(r *run, last bool) Run {
	h := r.Header
	out := Run{
		File: r.file, SHA256: r.SHA256, Size: r.Size, Unit: clean(h.Unit), Mode: clean(h.Mode), Person: clean(h.Person), Started: h.Started,
		Verdict: string(r.report.Verdict), Dialogue: clean(h.Dialogue.Name), Tool: clean(h.Tool), Last: last,
	}
	if end := r.report.Ending; end != nil {
		out.Ended, out.Ending = end.Wall, end.Text
	}
	if s := r.Seal; s != nil && s.Sealed {
		e := s.Outline.Seal
		key, _ := seal.ParsePublic(e.Seal.Key) // Verify has read it
		out.Seal = &Sealed{Bench: clean(e.Seal.Bench), Entry: e.Seal.Entry, At: e.Wall, Late: s.Late, Key: key, Trusted: s.Trusted,
			Over: s.Outline.Unsealed, Signature: e.Seal.Signature}
	}
	return out
}

// clean is text from outside, for people.
func clean(s string) string { return transcript.Printable(strings.ToValidUTF8(s, "\uFFFD")) }
