package transcript

import (
	"bytes"
	"io"
	"time"

	"linehand/transcript/internal/link"
)

// Outline is what the links of a record tell, without what its events hold.
type Outline struct {
	Header Header
	Events int           // sound ones, the seal among them
	At     time.Duration // of the last sound event
	Link   string        // of the last sound line
	Size   int64         // bytes up to the end of the last sound line
	Ended  bool          // an ending was read

	Commitments int
	Seal        *Event // nil for none
	Unsealed    string // link of the line before the seal; Link, when there is none
	Signed      []byte // what the seal's signature is over
}

// Check reads a record with constant memory and checks its links, the count
// of its events and the order of their kinds. It does not read what the
// events hold, which makes it an order of magnitude faster than Scan; the
// header and the seal it reads whole. Faults and errors are those of Scan.
// The outline tells what stands before a fault.
func Check(r io.Reader) (*Outline, error) {
	s := newScanner(r)
	o := new(Outline)
	h, err := s.header()
	if err != nil {
		return o, err
	}
	o.Header, o.Size = h, s.lines.Whole
	for err == nil {
		err = s.outline(o)
	}
	o.Events, o.Link, o.Ended = s.n, s.chain.At(), s.ended
	if o.Seal == nil {
		o.Unsealed = o.Link
	}
	if err == io.EOF {
		err = s.unended()
	}
	return o, err
}

// outline reads the next event as far as Check needs it.
func (s *scanner) outline(o *Outline) error {
	if err := s.next(); err != nil {
		return err
	}
	var before [link.Digits]byte
	s.chain.CopyAt(&before)
	body, err := s.follow(s.n + 1)
	if err != nil {
		return err
	}
	n, at, name, ok := frame(body)
	kind := closing(name)
	switch {
	case !ok:
		return s.fault(FaultEdited, "%v", errSpelling)
	case n != s.n+1:
		return s.fault(FaultEdited, "this is event %d, where event %d should stand", n, s.n+1)
	}
	if err := s.place(kind); err != nil {
		return err
	}
	switch kind {
	case Commitment:
		o.Commitments++
	case Sealed:
		o.Unsealed = string(before[:])
		if err := s.seal(o, body); err != nil {
			return err
		}
	}
	s.n, o.At, o.Size = n, at, s.lines.Whole
	return nil
}

// closing is the kind of that name, if it is one that Check goes by, without
// making a string of it.
func closing(name []byte) Kind {
	for _, kind := range [...]Kind{Ending, Commitment, Sealed} {
		if string(name) == string(kind) {
			return kind
		}
	}
	return ""
}

// seal reads the seal and what it is over.
func (s *scanner) seal(o *Outline, body []byte) error {
	e, err := decodeEvent(body)
	if err != nil {
		return s.fault(FaultEdited, "%v", err)
	}
	o.Seal = &e
	o.Signed = SealText(o.Unsealed, e)
	return nil
}

// SealText is what a seal's signature is over: the name of the format, the
// link of the line before the seal, and the seal's own line up to its
// signature.
func SealText(before string, e Event) []byte {
	unsigned := *e.Seal
	unsigned.Signature = nil
	e.Seal, e.Extra = &unsigned, nil
	text := append([]byte("linehand.seal/1\n"+before), '\n')
	return appendEvent(text, e)
}

// SealLine is the seal's line in a record whose last line has the given link,
// with its line end, and the link of that line.
func SealLine(before string, e Event) (line []byte, own string) {
	c := link.From(before)
	line = c.Append(appendEvent(nil, e))
	return line, c.At()
}

// frame reads the first members of an event, which have one spelling.
func frame(body []byte) (n int, at time.Duration, kind []byte, ok bool) {
	rest, ok1 := bytes.CutPrefix(body, []byte(`{"n":`))
	number, rest := digits(rest)
	rest, ok2 := bytes.CutPrefix(rest, []byte(`,"at":`))
	offset, rest := digits(rest)
	rest, ok3 := bytes.CutPrefix(rest, []byte(`,"wall":"`))
	end := bytes.IndexByte(rest, '"')
	if !ok1 || !ok2 || !ok3 || end < 0 {
		return 0, 0, nil, false
	}
	rest, ok4 := bytes.CutPrefix(rest[end:], []byte(`","kind":"`))
	end = bytes.IndexByte(rest, '"')
	if !ok4 || end < 0 {
		return 0, 0, nil, false
	}
	return int(number), time.Duration(offset), rest[:end], true
}

// digits reads the whole number that p begins with.
func digits(p []byte) (n int64, rest []byte) {
	i := 0
	for i < len(p) && i < 18 && p[i] >= '0' && p[i] <= '9' {
		n = 10*n + int64(p[i]-'0')
		i++
	}
	return n, p[i:]
}

// ReadSeal reads a seal's line by itself, without checking its link or its
// signature.
func ReadSeal(line []byte) (Event, error) {
	body, _, ok := link.Cut(bytes.TrimSuffix(line, []byte("\n")))
	if !ok {
		return Event{}, errSpelling
	}
	e, err := decodeEvent(body)
	if err == nil && e.Seal == nil {
		err = errSpelling
	}
	return e, err
}
