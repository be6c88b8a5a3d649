package ledger

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"linehand/transcript/internal/durable"
	"linehand/transcript/seal"
)

// Attach checks the reply to a time-stamp request for a state of this log, and
// keeps both in the folder stamps. The log gets an entry. The request is for
// the line of the checkpoint that is there now, or of one as many entries back
// as it has: the state is found again by its digest, from what is signed.
func (l *Ledger) Attach(request, reply []byte) (seal.Stamp, error) {
	text, err := os.ReadFile(filepath.Join(l.dir, CheckpointFile))
	if err != nil {
		return seal.Stamp{}, fmt.Errorf("attach a time stamp: %w", err)
	}
	c, err := ReadCheckpoint(text)
	if err != nil {
		return seal.Stamp{}, fmt.Errorf("attach a time stamp: %w", err)
	}
	c, stamp, err := l.stamped(c, request, reply)
	if err != nil {
		return stamp, fmt.Errorf("attach a time stamp: %w", err)
	}
	if err := l.keepStamp(request, reply); err != nil {
		return stamp, fmt.Errorf("attach a time stamp: %w", err)
	}
	return stamp, l.done(Entry{Kind: Stamped, Checkpoint: c.String(), SHA256: digestOf(reply)}, nil)
}

// stamped finds the state that the request is for. Signatures of Ed25519 are
// the same each time, so that an earlier state can be signed again; only the
// key in use can do that.
func (l *Ledger) stamped(c Checkpoint, request, reply []byte) (Checkpoint, seal.Stamp, error) {
	stamp, first := seal.CheckStamp(request, reply, []byte(c.String()))
	if first == nil {
		return c, stamp, nil
	}
	if !errors.Is(first, seal.ErrOther) {
		return c, stamp, first
	}
	for size := c.Size - 1; size > 0 && size > c.Size-1000; size-- {
		earlier, err := l.log.stateAt(size, l.key)
		if err != nil {
			return c, stamp, err
		}
		if stamp, err := seal.CheckStamp(request, reply, []byte(earlier.String())); !errors.Is(err, seal.ErrOther) {
			return earlier, stamp, err
		}
	}
	return c, stamp, first
}

// keepStamp keeps a request and its reply under the reply's digest.
func (l *Ledger) keepStamp(request, reply []byte) error {
	dir := filepath.Join(l.dir, "stamps")
	if err := durable.MakeFolder(dir); err != nil {
		return err
	}
	base := filepath.Join(dir, digestOf(reply)[:16])
	for name, data := range map[string][]byte{base + ".tsq": request, base + ".tsr": reply} {
		if err := durable.WriteNew(name, data); err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
	}
	return nil
}

func digestOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
