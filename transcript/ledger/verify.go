package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"linehand/transcript"
	"linehand/transcript/seal"
)

// The codes of findings about a folder, besides those of package seal.
const (
	Missing   Code = "record-missing" // the log has the record, and the folder has not
	SealGone  Code = "seal-gone"      // the record was sealed, and bears no seal any more
	OtherSeal Code = "other-seal"     // the record bears another seal than the log says
	Moved     Code = "moved"          // the record has another name than the log says
	Copied    Code = "copied"         // a record is there twice
	NotInLog  Code = "not-in-log"     // the record bears a seal, and the log does not have it
	NotEnded  Code = "not-removed"    // the log says that the record was removed
	LogGone   Code = "log-missing"    // there are records, and no log
	LogCut    Code = "log-cut"        // the log's end was cut off
	OtherRoot Code = "root"           // the log is another than the one that was signed
	Chain     Code = "seal-chain"     // a seal does not name the seal before it
	OtherKey  Code = "key"            // the log does not begin with, or hand over to, a trusted key
	NoState   Code = "checkpoint"     // the log's checkpoint is missing, or is none
	ClockBack Code = "clock"          // the bench's clock went back
)

// Trust is what the person who verifies knows from elsewhere.
type Trust struct {
	Keys   []seal.Public // keys of the bench; the log hands over from one to the next
	Lodged []Checkpoint  // states of the log that were lodged elsewhere
}

// Report is what the verification of a folder found out.
type Report struct {
	Bench      string         `json:"bench,omitempty"`
	Entries    int            `json:"entries"`
	Keys       []seal.Public  `json:"keys,omitempty"`    // that have signed, oldest first
	Trusted    bool           `json:"trusted"`           // the keys lead back to one that the caller trusts
	Checkpoint string         `json:"checkpoint"`        // the log's own
	Lodged     int            `json:"lodged"`            // lodged states that the log agrees with
	Records    int            `json:"records"`           // that are there
	Removed    int            `json:"removed,omitempty"` // that the log says were removed
	Findings   []seal.Finding `json:"findings,omitempty"`
}

// Whole tells whether nothing was found but remarks.
func (r *Report) Whole() bool {
	return !slices.ContainsFunc(r.Findings, func(f seal.Finding) bool { return !f.Remark })
}

func (r *Report) add(code Code, file string, format string, args ...any) *seal.Finding {
	r.Findings = append(r.Findings, seal.Finding{Code: code, File: file, Text: fmt.Sprintf(format, args...)})
	return &r.Findings[len(r.Findings)-1]
}

// Verify verifies the log in a folder and every record in it and below it,
// each with constant memory. Without trusted keys it takes the log's first key
// for granted, which the report says. It never writes. The errors are those of
// the file system.
func Verify(dir string, trust Trust) (*Report, error) {
	v := &verification{dir: dir, trust: trust, seen: make(map[string]string), before: make(map[string]string), report: new(Report)}
	log, fault, err := Read(dir)
	switch {
	case errors.Is(err, ErrNotLedger):
		v.report.add(LogGone, File, "%v", errors.Unwrap(err)).Line = 1
	case errors.Is(err, fs.ErrNotExist):
		v.report.add(LogGone, File, "the folder has no log of a bench: whether records are missing cannot be told")
	case err != nil:
		return nil, err
	default:
		v.log = log
		v.verifyLog(fault)
	}
	if err := v.folder(); err != nil {
		return nil, fmt.Errorf("verify the folder %s: %w", dir, err)
	}
	v.missing()
	return v.report, nil
}

type verification struct {
	dir    string
	trust  Trust
	log    *Log
	keys   []seal.Public     // trusted for seals
	seen   map[string]string // link of a seal -> name of the record that bears it
	before map[string]string // link of a seal -> name of a record that says it came before
	report *Report
}

// verifyLog verifies the log itself.
func (v *verification) verifyLog(fault *seal.Finding) {
	r, l := v.report, v.log
	r.Bench, r.Entries, r.Keys = l.Bench(), l.Size(), l.Keys()
	if fault != nil {
		r.Findings = append(r.Findings, *fault)
	}
	if f := l.signatures(0); f != nil {
		r.Findings = append(r.Findings, *f)
	}
	v.verifyKeys()
	v.state()
	for _, c := range v.trust.Lodged {
		_, err := c.Verify(v.keys...)
		f := l.against(c)
		switch {
		case f != nil:
			r.Findings = append(r.Findings, *f)
		case err != nil:
			r.add(OtherKey, "", "lodged: %v", err)
		default:
			r.Lodged++
		}
	}
	v.chain()
}

// verifyKeys finds the keys that a trusted one vouches for: those that it, or
// one after it, handed over to. The signatures on that have been checked with
// the others.
func (v *verification) verifyKeys() {
	keys := v.log.Keys()
	if len(v.trust.Keys) == 0 {
		v.keys = keys
		return
	}
	for i, key := range keys {
		if slices.Contains(v.trust.Keys, key) {
			v.keys, v.report.Trusted = keys[i:], true
			return
		}
	}
	v.keys = v.trust.Keys
	v.report.add(OtherKey, File, "the log is that of another key, %s: none of the trusted ones has signed it", keys[0]).Line = 1
}

// state verifies the log's own checkpoint.
func (v *verification) state() {
	text, err := os.ReadFile(filepath.Join(v.dir, CheckpointFile))
	if err != nil {
		v.report.add(NoState, CheckpointFile, "the log's checkpoint cannot be read: nothing shows whether the log's end was cut off")
		return
	}
	c, err := ReadCheckpoint(text)
	if err == nil {
		_, err = c.Verify(v.keys...)
	}
	if err != nil {
		v.report.add(NoState, CheckpointFile, "%v", err)
		return
	}
	v.report.Checkpoint = c.String()
	if v.report.Trusted {
		v.keys = v.log.Keys() // a trusted key has signed all that came before, earlier keys too
	}
	if f := v.log.against(c); f != nil {
		f.File = CheckpointFile
		v.report.Findings = append(v.report.Findings, *f)
	} else if rest := int64(v.log.Size()) - c.Size; rest > 0 {
		v.report.add(NoState, CheckpointFile, "the last %d entries came after it: a program was cut off there, or goes on", rest).Remark = true
	}
}

// chain verifies that each seal names the one before it, and that time passes.
func (v *verification) chain() {
	previous, last := "", time.Time{}
	for i, e := range v.log.entries {
		when, err := time.Parse(time.RFC3339Nano, e.Wall)
		if err != nil || when.Before(last) {
			f := v.report.add(ClockBack, File, "entry %d has an earlier time than the one before it: the bench's clock was set back", e.Entry)
			f.Line, f.Remark = i+1, err == nil
		}
		last = when
		if e.Kind != Sealed {
			continue
		}
		event, err := sealEvent(e)
		if err != nil || event.Seal.Previous != previous || event.Seal.Entry != e.Entry || event.Seal.Bench != v.log.Bench() {
			v.report.add(Chain, File, "the seal in entry %d does not name the seal before it, or its own place", e.Entry).Line = i + 1
		}
		previous = e.Link()
	}
}

// folder verifies the records.
func (v *verification) folder() error {
	return filepath.WalkDir(v.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".record") {
			return err
		}
		rel, err := filepath.Rel(v.dir, path)
		if err != nil {
			return err
		}
		v.report.Records++
		return v.record(path, filepath.ToSlash(rel))
	})
}

func (v *verification) record(path, name string) error {
	var e *Entry
	if v.log != nil {
		e = v.log.Find(name)
	}
	keys := v.keys
	if e != nil && e.Kind == Imported {
		keys = nil // another bench's: its keys were checked as it came in
	}
	res, err := seal.VerifyFile(path, keys...)
	switch {
	case errors.Is(err, transcript.ErrNotRecord), errors.Is(err, transcript.ErrOtherVersion):
		v.report.add(Code(transcript.FaultEdited), name, "%v", errors.Unwrap(err)).Line = 1
		return nil
	case err != nil:
		return err
	}
	o := res.Outline
	for _, f := range res.Findings {
		f.File = name
		if f.Code == seal.Unsealed {
			v.unsealed(name, e)
			continue
		}
		v.report.Findings = append(v.report.Findings, f)
	}
	if o.Seal == nil {
		return nil
	}
	if v.log != nil {
		v.placed(name, e, o)
	} else {
		v.seen[o.Link] = name
	}
	if e == nil || e.Kind == Sealed { // those that were brought in name seals of another bench
		for _, digits := range []string{o.Header.After, o.Seal.Seal.Previous} {
			v.before[digits] = name
		}
	}
	return nil
}

// unsealed tells of a record without a seal.
func (v *verification) unsealed(name string, e *Entry) {
	if e != nil {
		v.report.add(SealGone, name, "the record was sealed as entry %d of the log, and bears no seal any more: its end was cut off", e.Entry)
		return
	}
	v.report.add(seal.Unsealed, name, "the record has not been sealed").Remark = true
}

// placed holds a record's seal against the log.
func (v *verification) placed(name string, e *Entry, o *transcript.Outline) {
	if e == nil {
		v.elsewhere(name, o)
		return
	}
	v.seen[o.Link] = name
	if o.Link != e.Link() {
		v.report.add(OtherSeal, name, "the record bears another seal than the one in entry %d of the log", e.Entry)
	}
}

// elsewhere tells of a sealed record that the log does not know by this name.
func (v *verification) elsewhere(name string, o *transcript.Outline) {
	e := v.log.bySeal(o.Link)
	switch {
	case e == nil:
		v.seen[o.Link] = name
		v.report.add(NotInLog, name, "the record bears a seal, as entry %d of the log of %s, and this log does not have it: the log's end was cut off, or the record is from elsewhere", o.Seal.Seal.Entry, transcript.Printable(o.Seal.Seal.Bench))
	case v.there(e.Record):
		v.report.add(Copied, name, "the record is a copy of %s", transcript.Printable(e.Record))
	default:
		v.report.add(Moved, name, "the record was sealed as %s", transcript.Printable(e.Record))
		v.seen[o.Link] = name
	}
}

func (v *verification) there(record string) bool {
	_, err := os.Lstat(filepath.Join(v.dir, filepath.FromSlash(record)))
	return !errors.Is(err, fs.ErrNotExist)
}

// missing finds the records that the log has and the folder has not, and
// those that it should not have any more.
func (v *verification) missing() {
	v.unborne()
	if v.log == nil {
		return
	}
	removed := make(map[int64]Entry)
	for _, e := range v.log.entries {
		if e.Kind == Removed {
			removed[e.Of] = e
		}
	}
	v.report.Removed = len(removed)
	for i, e := range v.log.entries {
		if e.Kind != Sealed && e.Kind != Imported {
			continue
		}
		gone, out := !v.there(e.Record), removed[e.Entry]
		switch {
		case gone && out.Kind != Removed && v.seen[e.Link()] == "":
			v.report.add(Missing, e.Record, "the record is missing: it was sealed as entry %d of the log (line %d of %s), for unit %s", e.Entry, i+1, File, transcript.Printable(e.Unit))
		case !gone && out.Kind == Removed && v.log.Find(e.Record).Entry == e.Entry:
			v.report.add(NotEnded, e.Record, "entry %d of the log says that the record was removed, and it is there", out.Entry)
		}
	}
}

// unborne finds seals that records say came before theirs, and that neither
// the log has nor any record bears. Without a log, that is how a record that
// is missing shows, unless it was the last one.
func (v *verification) unborne() {
	var names []string
	for digits, name := range v.before {
		if digits == "" || v.seen[digits] != "" || v.log != nil && v.log.bySeal(digits) != nil {
			continue
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		v.report.add(Chain, name, "the record names a seal before its own that no record here bears: a record is missing")
	}
}

// sealEvent is the seal in an entry.
func sealEvent(e Entry) (transcript.Event, error) {
	event, err := transcript.ReadSeal(append(bytes.Clone(e.Seal), '\n'))
	if err != nil {
		return event, fmt.Errorf("entry %d of the log: %w", e.Entry, err)
	}
	return event, nil
}
