package ledger

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"linehand/transcript"
	"linehand/transcript/internal/link"
	"linehand/transcript/seal"
)

// Format is the name and version that the first entry carries.
const Format = "linehand.ledger/1"

// Kind is what an entry tells.
type Kind string

// The kinds of entry.
const (
	Begun      Kind = "begun"    // the first: bench and key
	Sealed     Kind = "sealed"   // a record was sealed
	KeyChanged Kind = "key"      // another key signs from here on
	Removed    Kind = "removed"  // a record was taken out of the folder
	Imported   Kind = "imported" // a record of another bench was brought in
	Stamped    Kind = "stamped"  // an authority's time stamp was attached to a checkpoint
)

// Entry is one line of the log. Only the members of its kind are set.
type Entry struct {
	Format string `json:"format,omitempty"` // the first only
	Entry  int64  `json:"entry"`            // counts from 0
	Kind   Kind   `json:"kind"`
	Wall   string `json:"wall"`

	Bench string `json:"bench,omitempty"` // begun; imported: the record's bench
	Key   string `json:"key,omitempty"`   // begun, key

	Record  string          `json:"record,omitempty"` // sealed, removed, imported: path in the folder
	Unit    string          `json:"unit,omitempty"`
	Site    string          `json:"site,omitempty"`
	Started string          `json:"started,omitempty"`
	Late    bool            `json:"late,omitempty"`
	Size    int64           `json:"size,omitempty"`   // sealed: bytes before the seal
	Before  string          `json:"before,omitempty"` // sealed: link of the line before the seal
	Seal    json.RawMessage `json:"seal,omitempty"`   // sealed, imported: the seal's line

	Of         int64  `json:"of,omitempty"`  // removed: the entry that the record came in by
	Why        string `json:"why,omitempty"` // removed
	By         string `json:"by,omitempty"`  // removed, imported: the person
	Checkpoint string `json:"checkpoint,omitempty"`
	SHA256     string `json:"sha256,omitempty"`    // stamped: digest of the reply
	Signature  []byte `json:"signature,omitempty"` // by the key in use before the entry; the first by its own
}

// Log is what a log holds.
type Log struct {
	entries []Entry
	lines   [][]byte // as they stand in the file, without line ends
	hashes  []tlog.Hash
	chain   link.Chain
	size    int64

	byRecord, byLink map[string]int // of sealed and imported entries: the last with that name, or seal
}

// ErrNotLedger says that a file is no log of a bench.
var ErrNotLedger = errors.New("this is no log of a bench, or one of another version")

// Read reads the log in a folder of records. A log with a fault gives its
// sound part and a finding.
func Read(dir string) (*Log, *seal.Finding, error) {
	f, err := os.Open(filepath.Join(dir, File))
	if err != nil {
		return nil, nil, fmt.Errorf("read a log: %w", err)
	}
	defer f.Close()
	log, fault, err := read(f)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", f.Name(), err)
	}
	if fault != nil {
		fault.File = File
	}
	return log, fault, nil
}

// Code is short for the package's own findings.
type Code = seal.Code

func read(r io.Reader) (*Log, *seal.Finding, error) {
	l := new(Log)
	lines := link.NewLines(r)
	for {
		line, err := lines.Next()
		switch {
		case err == io.EOF && l.Size() > 0:
			return l, nil, nil
		case errors.Is(err, link.ErrCut) && l.Size() > 0:
			return l, &seal.Finding{Code: Code(transcript.FaultCut), Line: lines.N, Text: fmt.Sprintf("the log ends in the middle of entry %d", l.Size())}, nil
		case err != nil && l.Size() == 0:
			return nil, nil, ErrNotLedger
		case err != nil && !errors.Is(err, link.ErrLong):
			return nil, nil, err
		}
		if err == nil {
			err = l.take(line)
		}
		if err != nil && l.Size() == 0 && !errors.Is(err, ErrNotLedger) {
			err = fmt.Errorf("%w: its first entry was altered", ErrNotLedger)
		}
		if errors.Is(err, ErrNotLedger) {
			return nil, nil, err
		}
		if err != nil {
			return l, &seal.Finding{Code: Code(transcript.FaultEdited), Line: lines.N, Text: err.Error()}, nil
		}
	}
}

// take takes the next line of the file.
func (l *Log) take(line []byte) error {
	var e Entry
	first := l.Size() == 0
	if first && !bytes.HasPrefix(line, []byte(`{"format":"`+Format+`","entry":0,`)) {
		return ErrNotLedger
	}
	body, ok := l.chain.Follow(line)
	if !ok {
		return fmt.Errorf("entry %d does not follow from the one before it: one of the two was altered, or entries were taken out, doubled or moved", l.Size())
	}
	if err := json.Unmarshal(append(bytes.Clone(body), '}'), &e); err != nil || e.Entry != int64(l.Size()) || (e.Kind == Begun) != first {
		return fmt.Errorf("entry %d cannot be read, or counts wrongly", l.Size())
	}
	return l.add(e, bytes.Clone(line))
}

// compose numbers the entry, signs it, makes its line and takes it.
func (l *Log) compose(e *Entry, key seal.Key) ([]byte, error) {
	e.Entry = int64(l.Size())
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(e); err != nil {
		return nil, fmt.Errorf("compose entry %d of the log: %w", e.Entry, err)
	}
	body := bytes.Clone(bytes.TrimSuffix(buf.Bytes(), []byte("}\n")))
	e.Signature = key.Sign(entryText(l.chain.At(), body))
	body = base64.StdEncoding.AppendEncode(append(body, signatureMark...), e.Signature)
	line := l.chain.Append(append(body, '"'))
	return line, l.add(*e, line[:len(line)-1])
}

const signatureMark = `,"signature":"`

// entryText is what an entry's signature is over: the name of the format, the
// link before, and the line up to the signature.
func entryText(before string, body []byte) []byte {
	return append([]byte("linehand.entry/1\n"+before+"\n"), body...)
}

// signatures checks the signatures of the entries from the given one on.
func (l *Log) signatures(from int64) *seal.Finding {
	key, err := l.keyAt(from)
	before := l.before(from)
	for n := from; n < int64(l.Size()) && err == nil; n++ {
		e, line := l.entries[n], l.lines[n]
		if e.Kind == Begun {
			key, err = seal.ParsePublic(e.Key)
		}
		if err != nil || !key.Verify(entryText(before, unsigned(line)), e.Signature) {
			return &seal.Finding{Code: seal.Signature, File: File, Line: int(n) + 1, Text: fmt.Sprintf("entry %d of the log is not signed by the bench's key", n)}
		}
		if e.Kind == KeyChanged {
			key, err = seal.ParsePublic(e.Key)
		}
		before = linkOf(line)
	}
	if err != nil {
		return &seal.Finding{Code: seal.Signature, File: File, Text: "the log names a key that is none"}
	}
	return nil
}

// before is the link that stands before an entry.
func (l *Log) before(entry int64) string {
	if entry == 0 {
		return link.From("").At()
	}
	return linkOf(l.lines[entry-1])
}

// unsigned is an entry's line up to its signature.
func unsigned(line []byte) []byte {
	return line[:max(bytes.LastIndex(line, []byte(signatureMark)), 0)]
}

func linkOf(line []byte) string {
	_, digits, _ := link.Cut(line)
	return string(digits)
}

func (l *Log) add(e Entry, line []byte) error {
	hashes, err := tlog.StoredHashes(int64(l.Size()), line, l)
	if err != nil {
		return err
	}
	if l.byRecord == nil {
		l.byRecord, l.byLink = make(map[string]int), make(map[string]int)
	}
	if e.Kind == Sealed || e.Kind == Imported {
		l.byRecord[e.Record], l.byLink[e.Link()] = l.Size(), l.Size()
	}
	l.hashes = append(l.hashes, hashes...)
	l.entries = append(l.entries, e)
	l.lines = append(l.lines, line)
	l.size += int64(len(line)) + 1
	return nil
}

// ReadHashes makes the log a tlog.HashReader.
func (l *Log) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	list := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		if at >= int64(len(l.hashes)) {
			return nil, fmt.Errorf("the log has no hash %d", at)
		}
		list[i] = l.hashes[at]
	}
	return list, nil
}

// Size is how many entries the log has.
func (l *Log) Size() int { return len(l.entries) }

// Entries are the entries, which are not to be changed.
func (l *Log) Entries() []Entry { return l.entries }

// Bench is whose log it is.
func (l *Log) Bench() string { return l.entries[0].Bench }

// Root is the Merkle tree's root when the log had size entries.
func (l *Log) Root(size int64) (tlog.Hash, error) { return tlog.TreeHash(size, l) }

// Current is the key that the log says is in use.
func (l *Log) Current() (seal.Public, error) { return l.keyAt(int64(l.Size())) }

// keyAt is the key that was in use when the log had n entries.
func (l *Log) keyAt(n int64) (p seal.Public, err error) {
	for _, e := range l.entries[:n] {
		if e.Kind == Begun || e.Kind == KeyChanged {
			if p, err = seal.ParsePublic(e.Key); err != nil {
				return p, err
			}
		}
	}
	return p, nil
}

// Keys are the keys that have signed, oldest first.
func (l *Log) Keys() []seal.Public {
	var list []seal.Public
	for _, e := range l.entries {
		if e.Kind != Begun && e.Kind != KeyChanged {
			continue
		}
		if p, err := seal.ParsePublic(e.Key); err == nil {
			list = append(list, p)
		}
	}
	return list
}

// LastSeal is the link of the seal made last; "" when there is none.
func (l *Log) LastSeal() string {
	for i := l.Size() - 1; i >= 0; i-- {
		if l.entries[i].Kind == Sealed {
			return l.entries[i].Link()
		}
	}
	return ""
}

// Link is the link of a sealed or imported entry's seal, by which other seals
// name it.
func (e Entry) Link() string { return linkOf(e.Seal) }

// Find is the entry by which a record came in; nil for none.
func (l *Log) Find(record string) *Entry { return l.at(l.byRecord, record) }

func (l *Log) bySeal(digits string) *Entry { return l.at(l.byLink, digits) }

func (l *Log) at(index map[string]int, key string) *Entry {
	if n, ok := index[key]; ok {
		return &l.entries[n]
	}
	return nil
}

// rightName tells whether a name may stand in a checkpoint and in a path.
func rightName(name string) bool {
	return name != "" && len(name) <= 64 && !strings.HasPrefix(name, ".") && strings.IndexFunc(name, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._-", r))
	}) < 0
}
