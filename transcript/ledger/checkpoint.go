package ledger

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"linehand/transcript"
	"linehand/transcript/seal"
)

// Checkpoint is a state of a log, signed by the bench's key.
type Checkpoint struct {
	Bench     string
	Size      int64 // entries
	Root      tlog.Hash
	Signature string // base 64 of four bytes of the key's hash and the Ed25519 signature over Text
}

// ErrCheckpoint says that a text is no checkpoint.
var ErrCheckpoint = errors.New("this is no checkpoint of a log: it has a bench, a number of entries, a root and a signature")

// Text is what is signed: bench, size and root, a line each.
func (c Checkpoint) Text() string {
	return fmt.Sprintf("%s\n%d\n%s\n", c.Bench, c.Size, c.Root)
}

// Note is the checkpoint as a file: a signed note.
func (c Checkpoint) Note() []byte {
	return fmt.Appendf(nil, "%s\n— %s %s\n", c.Text(), c.Bench, c.Signature)
}

// String is the checkpoint in one line, to be lodged somewhere else.
func (c Checkpoint) String() string {
	return fmt.Sprintf("%s %d %s %s", c.Bench, c.Size, c.Root, c.Signature)
}

// MarshalText is String.
func (c Checkpoint) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// ReadCheckpoint reads a checkpoint, as a line or as a file. Whose it is,
// Verify tells.
func ReadCheckpoint(text []byte) (Checkpoint, error) {
	body, tail, isNote := strings.Cut(string(text), "\n\n— ")
	fields := strings.Fields(body)
	if isNote {
		tail := strings.Fields(tail)
		if len(tail) != 2 || len(fields) != 3 || tail[0] != fields[0] {
			return Checkpoint{}, ErrCheckpoint
		}
		fields = append(fields, tail[1])
	}
	if len(fields) != 4 {
		return Checkpoint{}, ErrCheckpoint
	}
	size, err1 := strconv.ParseInt(fields[1], 10, 64)
	root, err2 := tlog.ParseHash(fields[2])
	_, err3 := base64.StdEncoding.Strict().DecodeString(fields[3])
	c := Checkpoint{fields[0], size, root, fields[3]}
	same := string(text) == string(c.Note()) || strings.TrimSpace(string(text)) == c.String()
	if err1 != nil || err2 != nil || err3 != nil || size < 1 || !rightName(c.Bench) || !same {
		return Checkpoint{}, ErrCheckpoint
	}
	return c, nil
}

// Verify tells which of the keys has signed the checkpoint.
func (c Checkpoint) Verify(keys ...seal.Public) (seal.Public, error) {
	for _, key := range keys {
		verifier, err := verifierOf(c.Bench, key)
		if err != nil {
			return key, err
		}
		if _, err := note.Open(c.Note(), note.VerifierList(verifier)); err == nil {
			return key, nil
		}
	}
	return seal.Public{}, fmt.Errorf("the checkpoint of %s is signed by none of the keys that are trusted, or was altered", transcript.Printable(c.Bench))
}

func verifierOf(bench string, key seal.Public) (note.Verifier, error) {
	text, err := note.NewEd25519VerifierKey(bench, key[:])
	if err != nil {
		return nil, fmt.Errorf("name the key of %s: %w", bench, err)
	}
	return note.NewVerifier(text)
}

// signer makes a key a note.Signer.
type signer struct {
	note.Verifier
	key seal.Key
}

func (s signer) Sign(text []byte) ([]byte, error) { return s.key.Sign(text), nil }

// checkpoint signs the log as it is now.
func (l *Log) checkpoint(key seal.Key) (Checkpoint, error) { return l.stateAt(int64(l.Size()), key) }

// stateAt signs the log as it was when it had size entries.
func (l *Log) stateAt(size int64, key seal.Key) (Checkpoint, error) {
	c := Checkpoint{Bench: l.Bench(), Size: size}
	var err error
	if c.Root, err = l.Root(c.Size); err != nil {
		return c, fmt.Errorf("work out the log's root: %w", err)
	}
	verifier, err := verifierOf(c.Bench, key.Public())
	if err != nil {
		return c, err
	}
	signed, err := note.Sign(&note.Note{Text: c.Text()}, signer{verifier, key})
	if err != nil {
		return c, fmt.Errorf("sign the log's root: %w", err)
	}
	_, tail, _ := strings.Cut(string(signed), "\n\n— ")
	_, c.Signature, _ = strings.Cut(strings.TrimSpace(tail), " ")
	return c, nil
}

// against holds the log against a checkpoint of it.
func (l *Log) against(c Checkpoint) *seal.Finding {
	switch {
	case c.Bench != l.Bench():
		return &seal.Finding{Code: OtherRoot, Text: fmt.Sprintf("the checkpoint is of the log of %s, and this is the log of %s", c.Bench, l.Bench())}
	case c.Size > int64(l.Size()):
		return &seal.Finding{Code: LogCut, Text: fmt.Sprintf("the log had %d entries when the checkpoint was signed, and has %d: its end was cut off", c.Size, l.Size())}
	}
	root, err := l.Root(c.Size)
	if err != nil || root != c.Root {
		return &seal.Finding{Code: OtherRoot, Text: fmt.Sprintf("the first %d entries of the log are not those that the checkpoint was signed over: the log was written anew", c.Size)}
	}
	return nil
}
