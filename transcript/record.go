package transcript

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"linehand/transcript/internal/link"
)

// Record is a session record that has been read.
type Record struct {
	Header Header
	Events []Event // all up to the first fault
	Whole  bool    // the chain holds from the header to an ending
	Seal   *Seal   // the seal that the record bears, unchecked; nil for none. Package seal checks it
	Fault  *Fault  // what is wrong; nil when Whole
}

// Errors for files that cannot be read as a record at all; test with
// errors.Is.
var (
	ErrNotRecord    = errors.New("this is not a session record")
	ErrOtherVersion = errors.New("this session record is of another version")
)

// FaultKind is what is wrong with a record.
type FaultKind string

// The kinds of fault.
const (
	FaultCut     FaultKind = "cut"     // the file ends in the middle of a line
	FaultUnended FaultKind = "unended" // the file ends after a whole event that is no ending: cut there, or the run goes on
	FaultEdited  FaultKind = "edited"  // a line does not follow from the one before it
	FaultMissing FaultKind = "missing" // one or more lines were taken out
	FaultDoubled FaultKind = "doubled" // a line stands there twice
	FaultSwapped FaultKind = "swapped" // two lines changed places
)

// Fault tells where a record is not as it was written. What stands before it
// is sound.
type Fault struct {
	Kind FaultKind `json:"kind"`
	File string    `json:"file,omitempty"` // "" when the record came from a reader
	Line int       `json:"line"`           // counts from 1; the header is line 1
	Text string    `json:"text"`           // one sentence for people, without the place
}

func (f *Fault) Error() string {
	name := f.File
	if name == "" {
		name = "record"
	}
	return fmt.Sprintf("%s:%d: %s", name, f.Line, f.Text)
}

// Read reads the record at path. A record with a fault is no error: its
// sound part is returned, with Fault. The errors are those of the file
// system, ErrNotRecord and ErrOtherVersion.
func Read(path string) (*Record, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read a session record: %w", err)
	}
	defer f.Close()
	rec, err := read(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if rec.Fault != nil {
		rec.Fault.File = path
	}
	return rec, nil
}

func read(r io.Reader) (*Record, error) {
	rec := new(Record)
	h, err := Scan(r, func(e Event) error {
		rec.Events = append(rec.Events, e)
		rec.Seal = e.Seal
		return nil
	})
	rec.Header = h
	if err != nil && !errors.As(err, &rec.Fault) {
		return nil, err
	}
	rec.Whole = err == nil
	return rec, nil
}

// Scan reads a record with constant memory and hands each sound event to
// each, in order; an error of each stops it and is returned. A record with a
// fault gives a *Fault (errors.As) after its last sound event.
func Scan(r io.Reader, each func(Event) error) (Header, error) {
	s := newScanner(r)
	h, err := s.header()
	if err != nil {
		return h, err
	}
	for {
		e, err := s.event()
		if err == io.EOF {
			return h, s.unended()
		}
		if err == nil {
			err = s.place(e.Kind)
		}
		if err == nil {
			err = each(e)
		}
		if err != nil {
			return h, err
		}
	}
}

const maxLine = link.MaxLine

type scanner struct {
	lines  *link.Lines
	chain  link.Chain
	line   []byte // the line read last; good until the next is read
	n      int    // number of the event read last
	ended  bool   // its ending was read
	sealed bool   // its seal was read
}

func newScanner(r io.Reader) *scanner { return &scanner{lines: link.NewLines(r)} }

func (s *scanner) fault(kind FaultKind, format string, args ...any) *Fault {
	return &Fault{Kind: kind, Line: max(s.lines.N, 1), Text: fmt.Sprintf(format, args...)}
}

// place tells whether an event of this kind may stand here.
func (s *scanner) place(kind Kind) error {
	closing := kind == Commitment || kind == Sealed
	switch {
	case s.sealed:
		return s.fault(FaultEdited, "the record goes on behind its seal: the line was added later")
	case s.ended && !closing:
		return s.fault(FaultEdited, "the record goes on behind its ending: the line was added later")
	}
	s.ended = s.ended || kind == Ending
	s.sealed = kind == Sealed
	return nil
}

// unended is the fault of a record whose last line has been read.
func (s *scanner) unended() error {
	switch {
	case s.ended:
		return nil
	case s.sealed:
		return s.fault(FaultUnended, "the record has no ending: the run was cut off after event %d, and the record was sealed so", s.n-1)
	}
	return s.fault(FaultUnended, "the record has no ending after event %d: the run was cut off there, or has not ended yet", s.n)
}

// next reads a line into s.line, without its line end. At the end of the
// file it returns io.EOF; for a line without a line end, a cut.
func (s *scanner) next() (err error) {
	s.line, err = s.lines.Next()
	switch {
	case err == nil, err == io.EOF:
		return err
	case errors.Is(err, link.ErrLong):
		return s.fault(FaultEdited, "the line is longer than any that a record holds (%d bytes)", maxLine)
	case errors.Is(err, link.ErrCut):
		return s.fault(FaultCut, "the file ends in the middle of this line; it is sound up to event %d", s.n)
	}
	return fmt.Errorf("read line %d of a session record: %w", s.lines.N+1, err)
}

// header reads the first line. Only a line that names our format can have a
// fault; others are no record.
func (s *scanner) header() (Header, error) {
	err := s.next()
	var fault *Fault
	switch {
	case err == io.EOF:
		return Header{}, fmt.Errorf("%w: the file is empty", ErrNotRecord)
	case errors.As(err, &fault):
		if begin, _ := json.Marshal(Format); bytes.HasPrefix(s.line, append([]byte(`{"format":`), begin...)) {
			return Header{}, err
		}
		return Header{}, fmt.Errorf("%w: it does not begin with the header line", ErrNotRecord)
	case err != nil:
		return Header{}, err
	}
	var first struct{ Format, Kind string }
	if json.Unmarshal(s.line, &first) != nil || first.Kind != recordKind || !strings.HasPrefix(first.Format, "linehand.record/") {
		return Header{}, fmt.Errorf("%w: it does not begin with the header line", ErrNotRecord)
	}
	if first.Format != Format {
		return Header{}, fmt.Errorf("%w: it says %q, and this program reads %q; read it with the program that wrote it", ErrOtherVersion, first.Format, Format)
	}
	body, err := s.follow(0)
	if err != nil {
		return Header{}, err
	}
	h, err := decodeHeader(body)
	if err != nil {
		return Header{}, s.fault(FaultEdited, "%v", err)
	}
	return h, nil
}

// event reads the next event.
func (s *scanner) event() (Event, error) {
	if err := s.next(); err != nil {
		return Event{}, err
	}
	body, err := s.follow(s.n + 1)
	if err != nil {
		return Event{}, err
	}
	e, err := decodeEvent(body)
	if err != nil {
		return Event{}, s.fault(FaultEdited, "%v", err)
	}
	if e.N != s.n+1 {
		return Event{}, s.fault(FaultEdited, "this is event %d, where event %d should stand", e.N, s.n+1)
	}
	s.n = e.N
	return e, nil
}

// follow checks that the line's link follows from that of the line before,
// and returns what is linked.
func (s *scanner) follow(want int) ([]byte, error) {
	if body, ok := s.chain.Follow(s.line); ok {
		return body, nil
	}
	if want == 0 {
		return nil, s.fault(FaultEdited, "the header was altered after it was written")
	}
	return nil, s.diagnose(want)
}

// diagnose says what happened to a line that does not follow, by the count
// that events carry.
func (s *scanner) diagnose(want int) *Fault {
	got, ok := count(s.line)
	_, digits, _ := link.Cut(s.line)
	switch {
	case !ok || got == want:
		return s.fault(FaultEdited, "event %d does not follow from the line before it: one of the two was altered after it was written", want)
	case got < want && string(digits) == s.chain.At():
		return s.fault(FaultDoubled, "event %d stands here a second time", got)
	case got < want:
		return s.fault(FaultDoubled, "event %d stands here again, where event %d should stand", got, want)
	}
	here := s.lines.N
	err := s.next()
	s.lines.N = here
	if after, ok := count(s.line); err == nil && ok && after == want {
		return s.fault(FaultSwapped, "event %d stands before event %d: lines changed places", got, want)
	}
	if got == want+1 {
		return s.fault(FaultMissing, "event %d is missing: event %d stands in its place", want, got)
	}
	return s.fault(FaultMissing, "events %d to %d are missing: event %d stands in their place", want, got-1, got)
}

// count is the number that an event's line carries.
func count(line []byte) (int, bool) {
	var e struct{ N int }
	if json.Unmarshal(line, &e) != nil || e.N < 1 {
		return 0, false
	}
	return e.N, true
}
