// Package ledger keeps a bench's log: an append-only file that has an entry
// for every record that was sealed, every change of key, every record that
// was removed or brought in.
//
// Its entries are the leaves of a Merkle tree (RFC 9162 section 2.1), whose
// root the bench signs after each entry: a checkpoint. Printed as one line and
// lodged somewhere else, that line later shows whether the log, and with it
// every record, is still what it was. transcript/FORMAT.md describes the files
// for other languages.
//
// Every step that changes something is on disk before the next begins, and the
// entry comes before what it tells of: whatever a crash leaves undone, Open
// finishes.
package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"linehand/transcript"
	"linehand/transcript/internal/durable"
	"linehand/transcript/seal"
)

// The files of a log, in the folder of the records.
const (
	File           = "bench.ledger"
	CheckpointFile = "bench.checkpoint"
)

// Errors of writing; test with errors.Is.
var (
	ErrThere    = errors.New("there is a log already")
	ErrAltered  = errors.New("the log was altered")
	ErrSealed   = errors.New("the record bears a seal already")
	ErrRunning  = errors.New("the record is still being written")
	ErrFault    = errors.New("the record is not whole, and a seal would hide that")
	ErrOtherKey = errors.New("this is not the key that the log says is in use")
)

// Ledger is a log that is open for writing: nobody else can write to it until
// Close. It is used from one goroutine.
type Ledger struct {
	dir  string
	file *os.File
	log  *Log
	key  seal.Key
	now  func() time.Time
	err  error // why it cannot be written to any more
}

// Option changes how Begin and Open make a Ledger.
type Option func(*Ledger)

// WithClock makes the ledger take the time from now in place of time.Now.
func WithClock(now func() time.Time) Option { return func(l *Ledger) { l.now = now } }

// Begin begins the log of a bench in a folder of records, which is made if it
// is missing. A bench's name has neither blanks nor a plus sign.
func Begin(dir, bench string, key seal.Key, opts ...Option) (*Ledger, error) {
	l := newLedger(dir, key, opts)
	if !rightName(bench) {
		return nil, fmt.Errorf("begin a log: %q is no name for a bench: letters, digits, dots, hyphens and underscores, 64 at most", transcript.Printable(bench))
	}
	first := Entry{Format: Format, Kind: Begun, Wall: stamp(l.now()), Bench: bench, Key: key.Public().String()}
	l.log = &Log{}
	line, err := l.log.compose(&first, key)
	if err == nil {
		err = durable.MakeFolder(dir)
	}
	if err == nil {
		err = durable.WriteNew(filepath.Join(dir, File), line)
	}
	switch {
	case errors.Is(err, os.ErrExist):
		return nil, fmt.Errorf("begin a log: %s: %w", filepath.Join(dir, File), ErrThere)
	case err != nil:
		return nil, fmt.Errorf("begin a log: %w", err)
	}
	return Open(dir, key, opts...)
}

func newLedger(dir string, key seal.Key, opts []Option) *Ledger {
	l := &Ledger{dir: dir, key: key, now: time.Now}
	for _, opt := range opts {
		opt(l)
	}
	return l
}

// Open opens the log in a folder of records, waits until no other program
// writes to it, and finishes what a crash has left undone. The key is the one
// that the log says is in use, else ErrOtherKey.
func Open(dir string, key seal.Key, opts ...Option) (*Ledger, error) {
	l := newLedger(dir, key, opts)
	f, err := os.OpenFile(filepath.Join(dir, File), os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("open a log: %w", err)
	}
	l.file = f
	if err := l.open(); err != nil {
		f.Close()
		return nil, fmt.Errorf("open a log: %s: %w", f.Name(), err)
	}
	return l, nil
}

func (l *Ledger) open() error {
	if err := durable.Lock(l.file, true); err != nil {
		return err
	}
	log, fault, err := read(l.file)
	if err != nil {
		return err
	}
	l.log = log
	if fault != nil && fault.Code != Code(transcript.FaultCut) {
		return fmt.Errorf("%w: line %d: %s", ErrAltered, fault.Line, fault.Text)
	}
	if fault != nil { // an entry that was being written when the program ended
		err := l.file.Truncate(log.size)
		if err == nil {
			err = l.file.Sync()
		}
		if err != nil {
			return err
		}
	}
	if current, err := log.Current(); err != nil || current != l.key.Public() {
		return errors.Join(err, fmt.Errorf("%w: that is %s", ErrOtherKey, current.Short()))
	}
	if err := l.unaltered(); err != nil {
		return err
	}
	if err := l.finish(); err != nil {
		return err
	}
	return l.sign()
}

// unaltered holds the log against its own checkpoint, before anything is
// signed anew.
func (l *Ledger) unaltered() error {
	text, err := os.ReadFile(filepath.Join(l.dir, CheckpointFile))
	if errors.Is(err, os.ErrNotExist) && l.log.Size() <= 1 {
		return nil // it was just begun
	}
	if err != nil {
		return err
	}
	c, err := ReadCheckpoint(text)
	if err != nil {
		return err
	}
	f := l.log.against(c)
	if f == nil {
		f = l.log.signatures(c.Size)
	}
	if f != nil {
		return fmt.Errorf("%w: %s", ErrAltered, f.Text)
	}
	known := []seal.Public{l.key.Public()}
	if last := int64(l.log.Size()) - 1; l.log.entries[last].Kind == KeyChanged {
		old, err := l.log.keyAt(last) // a crash came between the change and the checkpoint
		if err != nil {
			return err
		}
		known = append(known, old)
	}
	if _, err := c.Verify(known...); err != nil {
		return fmt.Errorf("%w: %w", ErrAltered, err)
	}
	return nil
}

// Log is what the log holds.
func (l *Ledger) Log() *Log { return l.log }

// Close lets others write.
func (l *Ledger) Close() error {
	if l.file == nil {
		return nil
	}
	f := l.file
	l.file = nil
	return f.Close()
}

// append adds an entry and brings it to disk. The checkpoint is to be signed
// when what the entry tells of is done.
func (l *Ledger) append(e Entry) (Entry, error) {
	if l.err != nil {
		return e, l.err
	}
	if e.Wall == "" {
		e.Wall = stamp(l.now())
	}
	at := l.log.size
	line, err := l.log.compose(&e, l.key)
	if err != nil {
		return e, err
	}
	_, err = l.file.WriteAt(line, at)
	if err == nil {
		err = l.file.Sync()
	}
	if err != nil {
		l.err = fmt.Errorf("append entry %d to the log: %w", e.Entry, err)
	}
	return e, l.err
}

// sign signs the log's root and puts the checkpoint in place of the old one.
func (l *Ledger) sign() error {
	c, err := l.log.checkpoint(l.key)
	if err != nil {
		return err
	}
	note := c.Note()
	path := filepath.Join(l.dir, CheckpointFile)
	if old, err := os.ReadFile(path); err == nil && bytes.Equal(old, note) {
		return nil
	}
	if err := durable.Write(path, note); err != nil {
		return fmt.Errorf("write the log's checkpoint: %w", err)
	}
	return nil
}

// done finishes an operation: its entry's work, then the checkpoint.
func (l *Ledger) done(e Entry, work func(Entry) error) error {
	e, err := l.append(e)
	if err == nil && work != nil {
		err = work(e)
	}
	if err == nil {
		err = l.sign()
	}
	if err != nil && l.err == nil {
		l.err = err // what is undone is finished by the next Open
	}
	return err
}

// finish does what the last entry tells of, if a crash came between.
func (l *Ledger) finish() error {
	e := l.log.entries[l.log.Size()-1]
	switch e.Kind {
	case Sealed:
		return l.put(e)
	case Removed:
		return l.remove(e)
	}
	return nil
}

// SealOptions say how a record comes to be sealed.
type SealOptions struct {
	Late   bool   // by another program than the one that recorded, or after a crash
	Reason string // for a late seal: one sentence for people
}

// Seal seals the record at path, which lies in the log's folder or below it,
// and enters it into the log. A record whose run was cut off is sealed as it
// is, if the seal is late; the beginning of a line that a crash left at its end
// is taken off, and the seal says so. A record that is not whole otherwise is
// not sealed (ErrFault).
func (l *Ledger) Seal(path string, opt SealOptions) (Entry, error) {
	e, err := l.seal(path, opt)
	if err != nil {
		return e, fmt.Errorf("seal the record %s: %w", path, err)
	}
	return e, nil
}

func (l *Ledger) seal(path string, opt SealOptions) (Entry, error) {
	name, err := l.name(path)
	if err != nil {
		return Entry{}, err
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return Entry{}, err
	}
	defer f.Close()
	if err := durable.Lock(f, false); errors.Is(err, durable.ErrHeld) {
		return Entry{}, ErrRunning
	} else if err != nil {
		return Entry{}, err
	}
	o, torn, err := outline(f, opt.Late)
	if err != nil {
		return Entry{}, err
	}
	if torn > 0 {
		opt.Reason += fmt.Sprintf(" The last %d bytes were the beginning of a line and were taken off.", torn)
	}
	e := l.entryFor(name, o, opt)
	l.file.Sync()
	f.Close() // the redo opens it anew
	return e, l.done(e, l.put)
}

// name is the record's path as the log says it.
func (l *Ledger) name(path string) (string, error) {
	rel, err := filepath.Rel(l.dir, path)
	if err != nil || !filepath.IsLocal(rel) {
		return "", fmt.Errorf("it is not in the folder of the log, %s", l.dir)
	}
	return filepath.ToSlash(rel), nil
}

// outline reads a record that is to be sealed, and how many bytes of a torn
// line stand at its end.
func outline(f *os.File, late bool) (o *transcript.Outline, torn int64, err error) {
	o, err = transcript.Check(f)
	var fault *transcript.Fault
	switch {
	case err == nil:
	case !errors.As(err, &fault):
		return nil, 0, err
	case late && fault.Kind == transcript.FaultUnended:
	case late && fault.Kind == transcript.FaultCut && o.Size > 0:
		size, err := f.Seek(0, io.SeekEnd)
		if err != nil {
			return nil, 0, err
		}
		torn = size - o.Size
	default:
		return nil, 0, fmt.Errorf("%w: %w", ErrFault, err)
	}
	if o.Seal != nil {
		return nil, 0, ErrSealed
	}
	return o, torn, nil
}

// entryFor makes the seal and the entry that holds it.
func (l *Ledger) entryFor(name string, o *transcript.Outline, opt SealOptions) Entry {
	s := &transcript.Seal{Bench: l.log.Bench(), Entry: int64(l.log.Size()), Previous: l.log.LastSeal(), Key: l.key.Public().String()}
	now := l.now()
	e := transcript.Event{N: o.Events + 1, At: o.At, Wall: now.In(o.Header.Started.Location()), Kind: transcript.Sealed, Seal: s}
	if opt.Late {
		e.Code, e.Text = transcript.LateSeal, opt.Reason
	}
	s.Signature = l.key.Sign(transcript.SealText(o.Link, e))
	line, _ := transcript.SealLine(o.Link, e)
	h := o.Header
	return Entry{
		Entry: s.Entry, Kind: Sealed, Wall: stamp(now), Record: name, Unit: h.Unit, Site: h.Site, Started: stamp(h.Started),
		Late: opt.Late, Size: o.Size, Before: o.Link, Seal: bytes.TrimSuffix(line, []byte("\n")),
	}
}

// put writes the seal of an entry at the end of its record, unless it stands
// there. A record that is gone is left to Verify to tell of.
func (l *Ledger) put(e Entry) error {
	f, err := os.OpenFile(filepath.Join(l.dir, filepath.FromSlash(e.Record)), os.O_RDWR, 0)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	want := append(bytes.Clone(e.Seal), '\n')
	got := make([]byte, len(want)+1)
	n, err := f.ReadAt(got, e.Size)
	if err != nil && err != io.EOF {
		return err
	}
	if bytes.Equal(got[:n], want) {
		return nil
	}
	if !l.before(f, e) {
		return fmt.Errorf("the record %s is not what entry %d of the log sealed", e.Record, e.Entry)
	}
	if err := f.Truncate(e.Size); err != nil {
		return err
	}
	if _, err := f.WriteAt(want, e.Size); err != nil {
		return err
	}
	return f.Sync()
}

// before tells whether the record stands, up to the seal, as it was sealed.
func (l *Ledger) before(f *os.File, e Entry) bool {
	o, err := transcript.Check(io.NewSectionReader(f, 0, e.Size))
	var fault *transcript.Fault
	if err != nil && (!errors.As(err, &fault) || fault.Kind != transcript.FaultUnended) {
		return false
	}
	return o.Size == e.Size && o.Link == e.Before && o.Seal == nil
}

// Rotate enters a new key, which signs from now on. The old key signs that.
func (l *Ledger) Rotate(fresh seal.Key) error {
	p := fresh.Public()
	err := l.done(Entry{Kind: KeyChanged, Key: p.String()}, func(Entry) error { l.key = fresh; return nil })
	if err != nil {
		return fmt.Errorf("change the key of the log: %w", err)
	}
	return nil
}

func stamp(t time.Time) string { return t.Format("2006-01-02T15:04:05.000000000Z07:00") }
