// Package seal signs session records with a bench's key, and tells whether a
// record is whole, unaltered and signed.
//
// A seal is the last line of a record: an Ed25519 signature (RFC 8032) over
// the link of the line before it, which stands for every byte of the record,
// and over the seal's own place in the bench's log. transcript/FORMAT.md
// describes it for other languages. Package ledger keeps that log and makes
// seals; this package holds the keys, and verifies.
package seal

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"

	"linehand/transcript"
)

// Code is what kind of finding a finding is.
type Code string

// The codes of findings about one record. Those of transcript.FaultKind come
// besides.
const (
	Unsealed  Code = "unsealed"  // the record bears no seal
	Signature Code = "signature" // the signature is not that of the key over this record
	UnknownBy Code = "unknown"   // the key that signed is none of those that are trusted
)

// Finding is something about a record, or a log of records, that is not as it
// should be.
type Finding struct {
	Code   Code   `json:"code"`
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"` // of the file, from 1
	Text   string `json:"text"`           // one sentence, without the place
	Remark bool   `json:"remark,omitempty"`
}

func (f Finding) String() string {
	switch {
	case f.File == "":
		return f.Text
	case f.Line == 0:
		return f.File + ": " + f.Text
	}
	return fmt.Sprintf("%s:%d: %s", f.File, f.Line, f.Text)
}

// Result is what a record's verification found out.
type Result struct {
	File     string              `json:"file,omitempty"`
	Sealed   bool                `json:"sealed"`          // by a right signature
	Trusted  bool                `json:"trusted"`         // of a key that the caller trusts
	Late     bool                `json:"late,omitempty"`  // not at the end of the run
	Ended    bool                `json:"ended"`           // the run came to an ending
	Outline  *transcript.Outline `json:"-"`               // of the sound part
	Fault    *transcript.Fault   `json:"fault,omitempty"` // in the chain; a run that was cut off is one, too
	Findings []Finding           `json:"findings,omitempty"`
}

// Whole tells whether nothing was found but remarks.
func (r *Result) Whole() bool {
	for _, f := range r.Findings {
		if !f.Remark {
			return false
		}
	}
	return true
}

// Verify reads a record with constant memory: its links, and its seal. A seal
// of a key that is not among the trusted ones is a finding, unless none are
// given: then the seal only shows that the record is as whoever held that key
// left it. The errors are those of reading, transcript.ErrNotRecord and
// transcript.ErrOtherVersion.
func Verify(r io.Reader, trusted ...Public) (*Result, error) {
	o, err := transcript.Check(r)
	res := &Result{Outline: o, Ended: o.Ended}
	if err != nil && !errors.As(err, &res.Fault) {
		return nil, err
	}
	if f := res.Fault; f != nil {
		res.add(Finding{Code: Code(f.Kind), Line: f.Line, Text: f.Text, Remark: f.Kind == transcript.FaultUnended})
		if f.Kind != transcript.FaultUnended {
			return res, nil
		}
	}
	res.seal(trusted)
	return res, nil
}

// VerifyFile verifies the record at path.
func VerifyFile(path string, trusted ...Public) (*Result, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("verify a session record: %w", err)
	}
	defer f.Close()
	res, err := Verify(f, trusted...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	res.File = path
	if res.Fault != nil {
		res.Fault.File = path
	}
	for i := range res.Findings {
		res.Findings[i].File = path
	}
	return res, nil
}

func (r *Result) add(f Finding) { r.Findings = append(r.Findings, f) }

// seal checks the signature.
func (r *Result) seal(trusted []Public) {
	o := r.Outline
	if o.Seal == nil {
		r.add(Finding{Code: Unsealed, Text: "the record bears no seal: whoever can write the file can have changed its end, or all of it"})
		return
	}
	line := o.Events + 1
	key, err := ParsePublic(o.Seal.Seal.Key)
	if err != nil || !key.Verify(o.Signed, o.Seal.Seal.Signature) {
		r.add(Finding{Code: Signature, Line: line, Text: "the seal is not the signature of its key over this record: the record was altered and linked anew, or the seal is another's"})
		return
	}
	r.Sealed, r.Late = true, o.Seal.Code == transcript.LateSeal
	for _, t := range trusted {
		r.Trusted = r.Trusted || t == key
	}
	if len(trusted) > 0 && !r.Trusted {
		r.add(Finding{Code: UnknownBy, Line: line, Text: fmt.Sprintf("the seal is by the key %s, which is none of those that are trusted", key)})
	}
}

// Public is the public part of a key, as RFC 8032 encodes it.
type Public [ed25519.PublicKeySize]byte

// String is the key in base 16, as records name it.
func (p Public) String() string { return hex.EncodeToString(p[:]) }

// MarshalText is String.
func (p Public) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// Short is enough of the key to tell those of one bench apart.
func (p Public) Short() string { return hex.EncodeToString(p[:8]) }

// Verify tells whether sig is the key's signature over text.
func (p Public) Verify(text, sig []byte) bool {
	return len(sig) == ed25519.SignatureSize && ed25519.Verify(p[:], text, sig)
}

// ParsePublic reads what String writes.
func ParsePublic(text string) (p Public, err error) {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != len(p) || hex.EncodeToString(raw) != text {
		return p, fmt.Errorf("%q is no public key: it has %d digits in base 16, in lower case", transcript.Printable(text), 2*len(p))
	}
	return Public(raw), nil
}
