// Package link chains the lines of a file: each line ends in the SHA-256
// digest of itself and of the link before it, so that a line that was altered,
// taken out, doubled or moved shows.
package link

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"hash"
	"io"
)

// Digits is the length of a link: a SHA-256 digest (FIPS 180-4) in lower-case
// hexadecimal.
const Digits = 2 * sha256.Size

const (
	name = `,"link":"`
	end  = `"}`

	// Size is how many bytes a link takes at the end of a line, with its name
	// and the closing brace.
	Size = len(name) + Digits + len(end)
)

// MaxLine bounds a line, in bytes.
const MaxLine = 4 << 20

// Chain is a place in a chain of lines. Its zero value stands before the
// first line.
type Chain struct {
	text  []byte // the link of the last line, LF, and room for a line
	large hash.Hash
}

// From is the chain that stands behind a line with the given link; "" is
// before the first line.
func From(link string) *Chain {
	c := new(Chain)
	copy(c.at(), link)
	return c
}

// at is the link of the last line, in place.
func (c *Chain) at() []byte {
	if c.text == nil {
		c.text = append(bytes.Repeat([]byte{'0'}, Digits), '\n')
	}
	return c.text[:Digits]
}

// At is the link of the last line.
func (c *Chain) At() string { return string(c.at()) }

// CopyAt copies the link of the last line.
func (c *Chain) CopyAt(to *[Digits]byte) { copy(to[:], c.at()) }

// next is the link of a line that follows, up to that link itself. Short lines
// are hashed in one go, which is what makes checking fast.
func (c *Chain) next(body []byte) (digits [Digits]byte) {
	c.at()
	var sum [sha256.Size]byte
	if len(body) < 16<<10 {
		c.text = append(c.text[:Digits+1], body...)
		sum = sha256.Sum256(c.text)
	} else {
		if c.large == nil {
			c.large = sha256.New()
		}
		c.large.Reset()
		c.large.Write(c.text[:Digits+1])
		c.large.Write(body)
		copy(sum[:], c.large.Sum(nil)) // not into sum, which would then be on the heap for every line
	}
	hex.Encode(digits[:], sum[:])
	return digits
}

// Append appends the line's link, the closing brace and the line end to body,
// and moves on.
func (c *Chain) Append(body []byte) []byte {
	digits := c.next(body)
	copy(c.at(), digits[:])
	body = append(append(body, name...), digits[:]...)
	return append(append(body, end...), '\n')
}

// Follow tells whether the line, without its line end, follows from the line
// before, and moves on if so. It returns the line up to its link.
func (c *Chain) Follow(line []byte) (body []byte, ok bool) {
	body, digits, ok := Cut(line)
	if !ok {
		return nil, false
	}
	next := c.next(body)
	if !bytes.Equal(digits, next[:]) {
		return nil, false
	}
	copy(c.at(), next[:])
	return body, true
}

// Cut splits a line, without its line end, into what is linked and the link.
// ok is false for a line that does not end in one.
func Cut(line []byte) (body, digits []byte, ok bool) {
	if len(line) < Size {
		return nil, nil, false
	}
	body, tail := line[:len(line)-Size], line[len(line)-Size:]
	tail, ok1 := bytes.CutPrefix(tail, []byte(name))
	tail, ok2 := bytes.CutSuffix(tail, []byte(end))
	return body, tail, ok1 && ok2
}

// What Lines.Next returns at a line that is none; test with errors.Is.
var (
	ErrCut  = errors.New("the file ends in the middle of a line")
	ErrLong = errors.New("the line is too long")
)

// Lines reads lines with constant memory.
type Lines struct {
	N     int   // number of the line read last, from 1
	Whole int64 // bytes up to the end of the last whole line

	r    *bufio.Reader
	long []byte // holds a line that is longer than the reader's buffer
}

// NewLines reads lines from r.
func NewLines(r io.Reader) *Lines { return &Lines{r: bufio.NewReaderSize(r, 1<<18)} }

// Next is the next line, without its line end; it is good until the next
// call. At the end it returns io.EOF. A rest without a line end comes with
// ErrCut.
func (l *Lines) Next() ([]byte, error) {
	line, err := l.r.ReadSlice('\n')
	if err == bufio.ErrBufferFull {
		line, err = l.longer(line)
	}
	if err == nil {
		l.N++
		l.Whole += int64(len(line))
		return line[:len(line)-1], nil
	}
	if err != io.EOF || len(line) == 0 {
		return line, err
	}
	l.N++
	return line, ErrCut
}

func (l *Lines) longer(line []byte) ([]byte, error) {
	l.long = append(l.long[:0], line...)
	for {
		piece, err := l.r.ReadSlice('\n')
		l.long = append(l.long, piece...)
		if len(l.long) > MaxLine {
			l.N++
			return l.long, ErrLong
		}
		if err != bufio.ErrBufferFull {
			return l.long, err
		}
	}
}
