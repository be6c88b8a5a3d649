// Package console speaks of a line: an open serial console, local or across
// the network, as bytes in and out with the time they arrived.
//
// Ways to open one live in the packages below this one: console/serial (a
// serial port or a pseudo-terminal by path), console/socket (unix socket and
// raw TCP), console/pair (two ends in memory, for tests and rehearsals), and
// console/dial, which chooses among them by address. Package console/screen
// resolves what a line carries to plain text.
//
// The caller owes every line exactly one reader, and a Close. A line never
// interprets, drops or delays what it carries.
package console

import (
	"errors"
	"fmt"
	"time"
)

// Line is an open console. Read is called from one goroutine; Write, Break
// and Close may be called from others.
type Line interface {
	// Read waits for at least one byte and returns how many were read and
	// when they arrived (with its monotonic reading), as near the wire as
	// the system lets us know. It never returns 0 bytes without an error.
	// After Close it returns ErrClosed; when the cable or the adapter goes,
	// an error that wraps ErrLost, within one second of the fact. Bytes read
	// before an error are returned first, without it.
	Read(p []byte) (n int, at time.Time, err error)

	// Write sends all of p, or says how many bytes were handed to the system
	// before err. It gives up when the line takes no byte for the time that
	// the line itself states (flow control, a full pipe): ErrStuck.
	Write(p []byte) (n int, err error)

	// Break holds the line in the spacing state for d. Lines without a
	// break return ErrNoBreak.
	Break(d time.Duration) error

	// Close lets go of the line and wakes a waiting Read. It is idempotent
	// and returns within one second whatever the hardware does.
	Close() error

	// Info says what was opened. It does not change while the line is open.
	Info() Info
}

// Info describes an open line.
type Info struct {
	Name     string   // as the person named it
	Identity string   // stable across unplugging, such as "usb:0403:6001:A1B2C3:00"; "" when the system tells none
	Device   string   // what was opened, such as "/dev/ttyUSB0"
	Settings Settings // as read back from the system; zero Speed for lines without one (sockets)
}

// Errors that a line returns; test with errors.Is.
var (
	ErrClosed  = errors.New("the line is closed")
	ErrLost    = errors.New("the line is gone")
	ErrStuck   = errors.New("the line takes no bytes")
	ErrNoBreak = errors.New("this kind of line has no break")
	ErrAbsent  = errors.New("no such line")
)

// BusyError says that somebody else holds the line.
type BusyError struct {
	Name   string // the line, as the person named it
	Holder string // who has it, such as `process 4711 (linehand)`; "" when the system does not tell
}

func (e *BusyError) Error() string {
	if e.Holder == "" {
		return fmt.Sprintf("line %s is in use by another program", e.Name)
	}
	return fmt.Sprintf("line %s is in use by %s", e.Name, e.Holder)
}
