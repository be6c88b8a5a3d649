// Package serial opens a serial port, or a pseudo-terminal by path, as a
// line. It stands on go.bug.st/serial and covers what that library leaves
// open: its Read returns nothing on a timeout, its Write has no deadline, its
// Close pulls the descriptor from under a reader, its exclusive mode does not
// stop root, and it knows no flow control.
//
// A port is taken with an advisory lock on a file named for the device, so
// that a second opener learns who has it. Programs that do not know of that
// lock are found, on Linux, by the files they have open.
package serial

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	bugst "go.bug.st/serial"

	"linehand/console"
	"linehand/console/ports"
)

const (
	readTurn  = 100 * time.Millisecond // a waiting Read looks up this often
	lookEvery = 500 * time.Millisecond // and this often whether the device is there
	closeTime = 900 * time.Millisecond // Close waits this long for the driver
	drainTime = 500 * time.Millisecond // of that, for what was written to leave
)

// Open opens the port at path and sets it. name is what the person calls the
// line; owner says who opens it, for the next one who tries, such as
// "linehand bringup shelf-1". The settings that the system kept are in Info:
// a pseudo-terminal keeps no parity and no 7 bits, and says so there.
//
// Errors: one that wraps console.ErrAbsent when there is no such device,
// *console.BusyError when another has it.
func Open(ctx context.Context, path, name string, set console.Settings, owner string) (console.Line, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	mode, err := modeOf(set)
	if err != nil {
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	device, err := resolve(path, name)
	if err != nil {
		return nil, err
	}
	lock, err := take(device, name, owner)
	if err != nil {
		return nil, err
	}
	port, err := openPort(device, name, mode, set)
	if err != nil {
		lock.release()
		return nil, err
	}
	info := console.Info{Name: name, Device: device.path, Settings: port.settings(set)}
	if p, ok := ports.ByDevice(device.path); ok {
		info.Identity = p.Identity()
	}
	return &line{
		port: port, lock: lock, device: device, info: info, stuckAfter: info.Settings.StuckAfter,
		reading: make(chan struct{}, 1), closed: make(chan struct{}),
	}, nil
}

// modeOf puts settings into the library's terms.
func modeOf(set console.Settings) (*bugst.Mode, error) {
	parity, ok := map[console.Parity]bugst.Parity{
		console.ParityNone: bugst.NoParity, console.ParityEven: bugst.EvenParity, console.ParityOdd: bugst.OddParity,
		console.ParityMark: bugst.MarkParity, console.ParitySpace: bugst.SpaceParity,
	}[set.Parity]
	if !ok {
		return nil, fmt.Errorf("parity %q: want N, E, O, M or S", rune(set.Parity))
	}
	stop, ok := map[console.StopBits]bugst.StopBits{
		console.StopOne: bugst.OneStopBit, console.StopOneAndHalf: bugst.OnePointFiveStopBits, console.StopTwo: bugst.TwoStopBits,
	}[set.StopBits]
	switch {
	case !ok:
		return nil, fmt.Errorf("%d halves of a stop bit: want 1, 1.5 or 2 stop bits", set.StopBits)
	case set.DataBits < 5 || set.DataBits > 8:
		return nil, fmt.Errorf("%d data bits: want 5 to 8", set.DataBits)
	case set.Speed <= 0:
		return nil, fmt.Errorf("speed %d: want bits a second, such as 9600", set.Speed)
	}
	switch set.Flow {
	case "", console.FlowNone, console.FlowHardware, console.FlowSoftware:
	default:
		return nil, fmt.Errorf("flow control %q: want none, hardware or software", set.Flow)
	}
	return &bugst.Mode{BaudRate: set.Speed, DataBits: set.DataBits, Parity: parity, StopBits: stop}, nil
}

// openError says what went wrong in words of a line.
func openError(device device, name string, err error) error {
	var perr *bugst.PortError
	if errors.As(err, &perr) {
		switch perr.Code() {
		case bugst.PortBusy:
			return &console.BusyError{Name: name, Holder: holder(device)}
		case bugst.PortNotFound:
			return absent(name, device.path)
		case bugst.PermissionDenied:
			return forbidden(name, device.path)
		case bugst.InvalidSpeed, bugst.InvalidDataBits, bugst.InvalidParity, bugst.InvalidStopBits:
			return fmt.Errorf("line %s: the port does not take these settings: %w", name, err)
		}
	}
	return fmt.Errorf("line %s: %s cannot be set up as a serial port: %w", name, device.path, err)
}

func absent(name, path string) error {
	return fmt.Errorf("line %s: there is no %s; is the adapter plugged in? `linehand lines` shows the ports: %w", name, path, console.ErrAbsent)
}

type line struct {
	port   *port
	lock   *lock
	device device
	info   console.Info

	stuckAfter func(bytes int) time.Duration

	reading chan struct{} // holds a token while a Read is inside the library
	writing sync.Mutex
	looked  time.Time // owned by Read: when the device was last looked for
	lost    error     // owned by Read: stays, once the line is gone

	closing sync.Once
	closed  chan struct{}
	failed  error
}

func (l *line) Read(p []byte) (n int, at time.Time, err error) {
	if len(p) == 0 {
		return 0, time.Time{}, fmt.Errorf("read line %s: no room to read into", l.info.Name)
	}
	for {
		l.reading <- struct{}{}
		n, at, err = l.turn(p)
		<-l.reading
		if n > 0 || err != nil {
			return n, at, err
		}
	}
}

// turn waits for bytes, but not longer than one turn. Close waits for it to
// end, so the library never closes a descriptor that is being read.
func (l *line) turn(p []byte) (int, time.Time, error) {
	if l.isClosed() {
		return 0, time.Time{}, fmt.Errorf("read line %s: %w", l.info.Name, console.ErrClosed)
	}
	if l.lost != nil {
		return 0, time.Time{}, l.lost
	}
	n, err := l.port.read(p)
	at := time.Now()
	switch {
	case n > 0:
		return n, at, nil // an error comes again
	case l.isClosed():
		return 0, at, fmt.Errorf("read line %s: %w", l.info.Name, console.ErrClosed)
	case err != nil:
		l.lost = fmt.Errorf("read line %s: %s was unplugged or hung up: %w (%w)", l.info.Name, l.info.Device, console.ErrLost, err)
	case at.Sub(l.looked) >= lookEvery:
		l.looked = at
		if !l.device.present() {
			l.lost = fmt.Errorf("read line %s: %s is no longer there: %w", l.info.Name, l.info.Device, console.ErrLost)
		}
	}
	return 0, at, l.lost
}

func (l *line) Write(p []byte) (int, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	limit := l.stuckAfter(len(p))
	for sent := 0; ; {
		if l.isClosed() {
			return sent, fmt.Errorf("write line %s: %w", l.info.Name, console.ErrClosed)
		}
		n, err := l.port.write(p[sent:], limit)
		sent += n
		switch {
		case sent == len(p) && err == nil:
			return sent, nil
		case err == nil || errors.Is(err, errSlow) && n > 0:
			continue
		case errors.Is(err, errSlow):
			return sent, fmt.Errorf("write line %s: nothing taken for %v; is flow control holding it? %w", l.info.Name, limit, console.ErrStuck)
		case l.isClosed():
			return sent, fmt.Errorf("write line %s: %w", l.info.Name, console.ErrClosed)
		}
		return sent, fmt.Errorf("write line %s: %w (%w)", l.info.Name, console.ErrLost, err)
	}
}

// errSlow is what a port's write gives when its time is over.
var errSlow = errors.New("no byte taken in time")

func (l *line) Break(d time.Duration) error {
	if l.isClosed() {
		return fmt.Errorf("break on line %s: %w", l.info.Name, console.ErrClosed)
	}
	if err := l.port.hold(d, l.closed); err != nil {
		return fmt.Errorf("break on line %s: %w", l.info.Name, err)
	}
	return nil
}

func (l *line) Close() error {
	l.closing.Do(func() {
		close(l.closed)
		l.port.wake()
		done := make(chan error, 1)
		go func() {
			l.reading <- struct{}{} // no Read is inside the library now
			err := l.port.close()
			l.lock.release()
			<-l.reading // later Reads find the line closed
			done <- err
		}()
		select {
		case err := <-done:
			if err != nil {
				l.failed = fmt.Errorf("close line %s: %w", l.info.Name, err)
			}
		case <-time.After(closeTime):
			// The goroutine ends when the driver does; we do not wait for it.
			l.failed = fmt.Errorf("close line %s: the driver of %s has not let go of it yet", l.info.Name, l.info.Device)
		}
	})
	return l.failed
}

func (l *line) Info() console.Info { return l.info }

func (l *line) isClosed() bool {
	select {
	case <-l.closed:
		return true
	default:
		return false
	}
}
