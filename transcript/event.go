// Package transcript is the session record: what was heard and said on a
// line in one run, event by event, with times, in a file that cannot be
// altered unseen and holds no secret.
//
// FORMAT.md beside this file describes the file for other languages. A
// Journal writes one, Read reads one, and a Mask keeps secrets out.
package transcript

import (
	"encoding/json"
	"time"
)

// Kind is what an event tells.
type Kind string

// The kinds of event.
const (
	Heard    Kind = "heard"    // bytes from the unit
	Said     Kind = "said"     // bytes about to go to the unit: on disk before they leave
	Fact     Kind = "fact"     // a value read out of what the unit printed
	Stage    Kind = "stage"    // a stage entered, done, passed over, not witnessed
	ReadBack Kind = "readback" // what the unit holds, beside the plan
	Hold     Kind = "hold"     // raised or released, and by what choice
	Note     Kind = "note"     // anything else worth keeping: line lost, echo wrong, hand-typed
	Ending   Kind = "ending"   // how the run ended; the last event of the run

	// Of a whole visit.
	Phase   Kind = "part"     // a part of the visit begun or done; a dialogue's ending within a visit
	Step    Kind = "step"     // a step by hand: shown, ticked, passed over or found not good
	Look    Kind = "look"     // a look over the network at what the unit serves, or at an address before it is given out
	Punch   Kind = "punch"    // a point that is left open, with who closes it and by when; or one that is closed now
	SignOff Kind = "sign-off" // a person signs the visit off

	Commitment Kind = "commitment" // binds to a secret that was typed, without telling it
	Sealed     Kind = "seal"       // the bench's signature over all that stands before it; the last line
)

// Header is the first line of a record.
type Header struct {
	Format   string            `json:"format"` // "linehand.record/1"
	Tool     string            `json:"tool"`   // "linehand" and its version
	Unit     string            `json:"unit"`
	Kind     string            `json:"unit_kind,omitempty"`
	Serial   string            `json:"serial,omitempty"` // as planned
	Site     string            `json:"site,omitempty"`
	Line     LineInfo          `json:"line"`
	Dialogue Source            `json:"dialogue,omitzero"`
	Profile  Source            `json:"profile,omitzero"`
	Plan     string            `json:"plan_sha256,omitempty"` // digest of the unit's plan values
	Secrets  []string          `json:"secrets,omitempty"`     // names only
	Person   string            `json:"person,omitempty"`
	Mode     string            `json:"mode"` // "bringup", "rehearse", "byhand", "visit", "proof"
	Started  time.Time         `json:"started"`
	Zone     string            `json:"zone"`              // IANA name or offset
	Planned  map[string]string `json:"planned,omitempty"` // value path -> planned value, no secrets
	Bench    string            `json:"bench,omitempty"`   // the bench whose log the record goes into
	After    string            `json:"after,omitempty"`   // link of the seal made last on that bench when the run began

	Extra json.RawMessage `json:"-"` // members that this version does not know, as they stand in the file
}

// LineInfo is the line as opened.
type LineInfo struct {
	Name     string `json:"name"`
	Identity string `json:"identity,omitempty"`
	Device   string `json:"device,omitempty"`
	Settings string `json:"settings,omitempty"` // "9600 8N1"
}

// Source names a file and its digest.
type Source struct {
	Name   string `json:"name,omitempty"`
	File   string `json:"file,omitempty"`
	SHA256 string `json:"sha256,omitempty"`
}

// Event is one line of a record after the header. Only the fields of its
// kind are set.
type Event struct {
	N    int           // counts from 1
	At   time.Duration // since the start of the run, by a monotonic clock
	Wall time.Time
	Kind Kind

	Data     []Part // heard, said
	Why      string // said: answer, enter, key, erase, wake, redraw, reply, hand
	Stage    string // stage name, where the event belongs to one
	Exchange string // said, readback: the prompt as the dialogue writes it
	Pos      string // said, readback: FILE:LINE of the exchange in the dialogue
	Value    string // said: the path of the plan value, such as "port.address"; readback: what was read for people

	Name  string // fact: its name; stage: its name; readback: what; commitment: the secret; part, step, look: its name; punch: of the read-back, look or step that it is about, "" for none
	State string // stage: entered, done, passed, unseen; hold: raised, released; readback: open; punch: closed; part, step, look: see the states
	Text  string // fact: value; hold: reason; note: the note; ending, part: the sentence; commitment: the digest, see Committer; step: what is to be done; look: what was seen; punch, sign-off: for people
	Code  string // note, hold, ending, part and seal: a word for machines; step: required or advisory; look: the method
	Want  string // readback; step: what good looks like; look: what was expected
	Got   string // readback; step: what the person noted; look: the address, or a certificate's fingerprint
	Equal bool   // readback
	By    string // hold released, note: the person; step, sign-off: initials; punch: who closes it
	Exit  int    // ending, part: exit code
	Next  string // ending, part: the next step for the person; step: its caution with the source; punch: by when, as 2006-01-02
	Of    int    // commitment: the N of the said event in which the secret was typed
	Seal  *Seal  // seal

	Extra json.RawMessage // members that this version does not know, as they stand in the file
}

// The modes of records of whole visits.
const (
	VisitMode = "visit"
	ProofMode = "proof" // the proof run again, after a visit that ended open or left points
)

// ProofPart is the name of the part of a visit in which all is read back. Its
// read-backs count in place of those of the parts before it.
const ProofPart = "proof"

// The states of parts, steps, looks and points.
const (
	Begun    = "begun"         // part
	Over     = "over"          // part: it has come to an end; Code says which
	Shown    = "shown"         // step: on a list; nobody has ticked it
	Ticked   = "ticked"        // step: done, and looks good
	PassedBy = "passed by"     // step: advisory, and not done
	NotGood  = "not good"      // step: does not look as it should
	Waited   = "waiting"       // look: no answer yet
	Answers  = "answers"       // look
	Silent   = "silent"        // look: no answer within the time
	Free     = "free"          // look: nobody has the address
	InUse    = "in use"        // look: somebody has the address already
	Changed  = "changed"       // look: other than at the look before, such as a certificate
	Unseen   = "not looked at" // look: it cannot be looked at from this bench; Text says why
	OpenYet  = "open"          // readback: as it should be for now, but not finished
	Closed   = "closed"        // punch: an earlier record left the point open; By closed it
)

// Part is a piece of heard or said bytes: plain bytes, or a place where a
// secret stood. The secret's value and length are not kept.
type Part struct {
	Bytes  []byte
	Secret string // name of the secret that stood here; Bytes is then nil
}

// Seal is the bench's signature over a record.
type Seal struct {
	Bench     string
	Entry     int64  // the record's place in the bench's log, from 0
	Previous  string // link of the seal made before it on the bench; "" for the first
	Key       string // the public key (RFC 8032), 64 digits in base 16
	Signature []byte // Ed25519 (RFC 8032) over SealText
}

// LateSeal is the Code of a seal that was not made by the program that made
// the record, right at its end.
const LateSeal = "late"
