package ledger

import (
	"encoding/json"
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"linehand/transcript/seal"
)

// ProofFormat is the name and version of a proof.
const ProofFormat = "linehand.proof/1"

// Proof shows, without the rest of the log, that an entry is in it, or that a
// later state of it only adds to an earlier one (RFC 9162 sections 2.1.3 and
// 2.1.4).
type Proof struct {
	Format string      `json:"format"`
	Of     string      `json:"of"`             // "inclusion" or "consistency"
	Line   string      `json:"line,omitempty"` // inclusion: the entry's line in the log
	From   string      `json:"from,omitempty"` // consistency: the earlier checkpoint
	To     string      `json:"to"`             // the checkpoint that it is proved under
	Path   []tlog.Hash `json:"path"`
}

// ErrProof says that a proof does not prove what it says.
var ErrProof = errors.New("the proof does not hold")

// Prove proves that an entry is in the log, under the given checkpoint of it.
func (l *Log) Prove(entry int64, under Checkpoint) (Proof, error) {
	if f := l.against(under); f != nil {
		return Proof{}, errors.New(f.Text)
	}
	if entry < 0 || entry >= under.Size {
		return Proof{}, fmt.Errorf("entry %d is not among the %d that the checkpoint was signed over", entry, under.Size)
	}
	path, err := tlog.ProveRecord(under.Size, entry, l)
	if err != nil {
		return Proof{}, fmt.Errorf("prove entry %d: %w", entry, err)
	}
	return Proof{Format: ProofFormat, Of: "inclusion", Line: string(l.lines[entry]), To: under.String(), Path: path}, nil
}

// ProveSince proves that the log under one checkpoint only adds to what it was
// under an earlier one.
func (l *Log) ProveSince(from, to Checkpoint) (Proof, error) {
	for _, c := range []Checkpoint{from, to} {
		if f := l.against(c); f != nil {
			return Proof{}, errors.New(f.Text)
		}
	}
	if from.Size > to.Size {
		return Proof{}, errors.New("the first checkpoint is the later one")
	}
	path, err := tlog.ProveTree(to.Size, from.Size, l)
	if err != nil {
		return Proof{}, fmt.Errorf("prove that the log was only added to: %w", err)
	}
	return Proof{Format: ProofFormat, Of: "consistency", From: from.String(), To: to.String(), Path: path}, nil
}

// Check checks a proof with the keys that the bench is known to have had. Of
// a proof of inclusion it returns the entry.
func (p Proof) Check(keys ...seal.Public) (Entry, error) {
	if p.Format != ProofFormat {
		return Entry{}, fmt.Errorf("this is no proof of format %s", ProofFormat)
	}
	to, err := signed(p.To, keys)
	if err != nil {
		return Entry{}, err
	}
	switch p.Of {
	case "inclusion":
		var e Entry
		if err := json.Unmarshal([]byte(p.Line), &e); err != nil {
			return e, fmt.Errorf("%w: its entry cannot be read", ErrProof)
		}
		if e.Entry < 0 || e.Entry >= to.Size || tlog.CheckRecord(p.Path, to.Size, to.Root, e.Entry, tlog.RecordHash([]byte(p.Line))) != nil {
			return Entry{}, fmt.Errorf("%w: the entry is not in the log of that checkpoint", ErrProof)
		}
		return e, nil
	case "consistency":
		from, err := signed(p.From, keys)
		if err != nil {
			return Entry{}, err
		}
		if from.Bench != to.Bench || from.Size > to.Size || tlog.CheckTree(p.Path, to.Size, to.Root, from.Size, from.Root) != nil {
			return Entry{}, fmt.Errorf("%w: the later log does not begin with the earlier one", ErrProof)
		}
		return Entry{}, nil
	}
	return Entry{}, fmt.Errorf("%w: it says neither inclusion nor consistency", ErrProof)
}

func signed(line string, keys []seal.Public) (Checkpoint, error) {
	c, err := ReadCheckpoint([]byte(line))
	if err == nil {
		_, err = c.Verify(keys...)
	}
	return c, err
}
