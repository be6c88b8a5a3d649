//go:build linux || darwin

package serial

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"time"

	bugst "go.bug.st/serial"
	"golang.org/x/sys/unix"

	"linehand/console"
)

const noFollow = syscall.O_NOFOLLOW

// device is a terminal of this system.
type device struct {
	path string // without symbolic links
	key  string // names its lock file
	rdev uint64
}

// resolve finds the device behind path.
func resolve(path, name string) (device, error) {
	real, err := filepath.EvalSymlinks(path)
	var info os.FileInfo
	if err == nil {
		info, err = os.Stat(real)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return device{}, absent(name, path)
	case errors.Is(err, fs.ErrPermission):
		return device{}, forbidden(name, path)
	case err != nil:
		return device{}, fmt.Errorf("line %s: %w", name, err)
	case info.Mode()&os.ModeCharDevice == 0:
		return device{}, fmt.Errorf("line %s: %s is not a serial port", name, path)
	}
	rdev := uint64(info.Sys().(*syscall.Stat_t).Rdev)
	d := device{path: real, key: fmt.Sprintf("device-%d-%d", unix.Major(rdev), unix.Minor(rdev)), rdev: rdev}
	if d.isOther() {
		return device{}, fmt.Errorf("line %s: %s is a device, but not a serial port", name, path)
	}
	return d, nil
}

// present tells whether the node is there and still that device.
func (d device) present() bool {
	var st unix.Stat_t
	if err := unix.Stat(d.path, &st); err != nil {
		return err != unix.ENOENT && err != unix.ENODEV && err != unix.ENXIO
	}
	return uint64(st.Rdev) == d.rdev
}

func forbidden(name, path string) error {
	return fmt.Errorf("line %s: not allowed to open %s; on most systems the ports belong to the group dialout: join it (usermod -aG dialout USER) and sign in again: %w", name, path, fs.ErrPermission)
}

// port holds the device through a non-blocking file of our own, whose reads
// and writes can be given a deadline and which takes the system calls that
// the library lacks. The library sets it. Where a terminal cannot be polled,
// the library reads it too, and stays open for that.
type port struct {
	own   *os.File
	lib   bugst.Port  // nil where own is read
	taken bool        // own holds the device for this program alone
	woken atomic.Bool // Read ends
}

func openPort(d device, name string, mode *bugst.Mode, set console.Settings) (*port, error) {
	if set.StopBits == console.StopOneAndHalf {
		if set.DataBits != 5 {
			return nil, fmt.Errorf("line %s: 1.5 stop bits go with 5 data bits only; with %d, 2 stop bits are the nearest", name, set.DataBits)
		}
		mode.StopBits = bugst.TwoStopBits // see stopOf
	}
	// Ours first: the library's exclusive mode would refuse it to all but root.
	own, err := openOwn(d.path)
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, &console.BusyError{Name: name, Holder: holder(d)}
	case errors.Is(err, fs.ErrPermission):
		return nil, forbidden(name, d.path)
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return nil, absent(name, d.path)
	case err != nil:
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	p := &port{own: own}
	if canPoll && own.SetReadDeadline(time.Time{}) == nil {
		err = p.setUp(d, name, mode)
	} else {
		err = p.openLibrary(d, name, mode)
	}
	if err == nil {
		if err = p.setFlow(set.Flow); err != nil {
			err = fmt.Errorf("line %s: %w", name, err)
		}
	}
	if err != nil {
		_ = p.close()
		return nil, err
	}
	return p, nil
}

// setUp has the library set the device, and closes it again: the settings
// stay as long as own is open, and a line takes one file number in place of
// four. No program is started meanwhile that would keep the descriptor.
func (p *port) setUp(d device, name string, mode *bugst.Mode) error {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	lib, err := bugst.Open(d.path, mode)
	if err != nil {
		return openError(d, name, err)
	}
	if err := lib.Close(); err != nil {
		return fmt.Errorf("line %s: %w", name, err)
	}
	if err := p.ioctl(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0) }); err != nil {
		return fmt.Errorf("line %s: take it for this program alone: %w", name, err)
	}
	p.taken = true
	return nil
}

// openLibrary opens the device through the library and keeps its descriptor
// from programs that this process starts: the library does not, and a child
// that holds the port would keep it busy after it was closed here.
func (p *port) openLibrary(d device, name string, mode *bugst.Mode) error {
	if err := roomForSelect(); err != nil {
		return fmt.Errorf("line %s: %w", name, err)
	}
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	lib, err := bugst.Open(d.path, mode)
	if err != nil {
		return openError(d, name, err)
	}
	p.lib = lib
	for fd := range firstFree {
		var st unix.Stat_t
		if unix.Fstat(fd, &st) == nil && st.Mode&unix.S_IFMT == unix.S_IFCHR && uint64(st.Rdev) == d.rdev {
			unix.CloseOnExec(fd)
		}
	}
	if err := lib.SetReadTimeout(readTurn); err != nil { // once, here: beside a Read it would be a race
		return fmt.Errorf("line %s: %w", name, err)
	}
	return nil
}

// firstFree is the lowest descriptor number that select(2), and with it the
// library, cannot take.
const firstFree = 1024

// openOwn opens a non-blocking file and moves it out of the low numbers,
// which the library needs, where the system's limit allows.
func openOwn(path string) (*os.File, error) {
	fd, err := retry(func() (int, error) {
		return unix.Open(path, unix.O_RDWR|unix.O_NONBLOCK|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	})
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: path, Err: err}
	}
	if high, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, firstFree); err == nil {
		unix.Close(fd)
		fd = high
	}
	return os.NewFile(uintptr(fd), path), nil
}

// roomForSelect refuses a port whose three descriptors in the library would
// not all be below 1,024: it would panic on the first Read.
func roomForSelect() error {
	var fds []int
	defer func() {
		for _, fd := range fds {
			unix.Close(fd)
		}
	}()
	for range 3 {
		fd, err := unix.Open(os.DevNull, unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if err != nil {
			return fmt.Errorf("too many open files: %w", err)
		}
		fds = append(fds, fd)
		if fd >= firstFree {
			return fmt.Errorf("this process has too many files and ports open: a port needs descriptors below %d", firstFree)
		}
	}
	return nil
}

func retry[T any](f func() (T, error)) (T, error) {
	for {
		v, err := f()
		if err != unix.EINTR {
			return v, err
		}
	}
}

// read waits for bytes, but not longer than one turn. Through the runtime's
// poller it costs no thread and ends at once when the port is closed; through
// the library, which blocks in select(2), with the turn.
func (p *port) read(b []byte) (int, error) {
	if p.lib != nil {
		return p.readLibrary(b)
	}
	if err := p.own.SetReadDeadline(time.Now().Add(readTurn)); err != nil {
		return 0, err
	}
	if p.woken.Load() { // after the deadline: wake may have come before it
		return 0, nil
	}
	n, err := p.own.Read(b)
	switch {
	case n > 0, errors.Is(err, os.ErrDeadlineExceeded):
		return n, nil
	case errors.Is(err, io.EOF):
		return 0, errors.New("the device was hung up")
	}
	return 0, err
}

func (p *port) readLibrary(b []byte) (n int, err error) {
	// Another goroutine may have taken the low numbers between roomForSelect
	// and the library's open; its panic then ends this line only.
	defer func() {
		if r := recover(); r != nil {
			n, err = 0, fmt.Errorf("the serial library cannot read this descriptor: %v", r)
		}
	}()
	return p.lib.Read(b)
}

func (p *port) write(b []byte, limit time.Duration) (int, error) {
	if err := p.own.SetWriteDeadline(time.Now().Add(limit)); err != nil {
		return 0, err
	}
	n, err := p.own.Write(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = errSlow
	}
	return n, err
}

// wake ends a Read and a Write, which then find the line closed.
func (p *port) wake() {
	p.woken.Store(true)
	_ = p.own.SetDeadline(time.Unix(1, 0))
}

func (p *port) close() error {
	p.drain()
	var err error
	if p.lib != nil {
		err = p.lib.Close()
	}
	if p.taken {
		// It would stay so where somebody else has the device open too.
		_ = p.ioctl(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) })
	}
	if own := p.own.Close(); err == nil {
		err = own
	}
	return err
}

// drain waits for what was written to leave. What flow control still holds
// after that would delay closing, by up to 30 s on Linux: it is given up.
func (p *port) drain() {
	for until := time.Now().Add(drainTime); time.Now().Before(until); time.Sleep(5 * time.Millisecond) {
		waiting := 0
		err := p.ioctl(func(fd int) (err error) {
			waiting, err = unix.IoctlGetInt(fd, unix.TIOCOUTQ)
			return err
		})
		if err != nil || waiting == 0 {
			return
		}
	}
	_ = p.ioctl(dropOutput)
}

// hold sends a break of length d, cut short when stop is closed.
func (p *port) hold(d time.Duration, stop <-chan struct{}) error {
	if err := p.ioctl(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCSBRK, 0) }); err != nil {
		return explainBreak(err)
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-stop:
		return console.ErrClosed // closing ends the break
	}
	return explainBreak(p.ioctl(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCCBRK, 0) }))
}

func explainBreak(err error) error {
	switch {
	case errors.Is(err, unix.ENOTTY), errors.Is(err, unix.EINVAL):
		return console.ErrNoBreak
	case errors.Is(err, os.ErrClosed):
		return console.ErrClosed
	case errors.Is(err, unix.EIO), errors.Is(err, unix.ENODEV):
		return fmt.Errorf("%w (%w)", console.ErrLost, err)
	}
	return err
}

// ioctl goes through the runtime, never through File.Fd, which would make
// the file blocking.
func (p *port) ioctl(f func(fd int) error) error {
	conn, err := p.own.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	if err := conn.Control(func(fd uintptr) { failed = f(int(fd)) }); err != nil {
		return err
	}
	return failed
}

// setFlow sets flow control; the library has switched both kinds off.
func (p *port) setFlow(flow console.Flow) error {
	if flow == "" || flow == console.FlowNone {
		return nil
	}
	err := p.ioctl(func(fd int) error {
		t, err := getTermios(fd)
		if err != nil {
			return err
		}
		if flow == console.FlowHardware {
			t.Cflag |= unix.CRTSCTS
		} else {
			t.Iflag |= unix.IXON | unix.IXOFF
			t.Cc[unix.VSTART], t.Cc[unix.VSTOP] = 0x11, 0x13 // DC1 and DC3, termios(3)
		}
		return setTermios(fd, t)
	})
	if err != nil {
		return fmt.Errorf("set %s flow control: %w", flow, err)
	}
	return nil
}

// settings reads back what the system kept; where it does not tell, what was
// asked for.
func (p *port) settings(asked console.Settings) console.Settings {
	set := asked
	err := p.ioctl(func(fd int) error {
		t, err := getTermios(fd)
		if err != nil {
			return err
		}
		set.Speed = int(t.Ospeed)
		switch t.Cflag & unix.CSIZE {
		case unix.CS5:
			set.DataBits = 5
		case unix.CS6:
			set.DataBits = 6
		case unix.CS7:
			set.DataBits = 7
		case unix.CS8:
			set.DataBits = 8
		}
		set.StopBits = stopOf(t)
		set.Parity = parityOf(t)
		set.Flow = flowOf(t)
		return nil
	})
	if err != nil {
		return asked
	}
	return set
}

// stopOf knows that with 5 data bits, a UART makes one and a half stop bits of
// two (16550 data sheet, from memory).
func stopOf(t *unix.Termios) console.StopBits {
	switch {
	case t.Cflag&unix.CSTOPB == 0:
		return console.StopOne
	case t.Cflag&unix.CSIZE == unix.CS5:
		return console.StopOneAndHalf
	}
	return console.StopTwo
}

func parityOf(t *unix.Termios) console.Parity {
	odd, mark := t.Cflag&unix.PARODD != 0, t.Cflag&stickParity != 0
	switch {
	case t.Cflag&unix.PARENB == 0:
		return console.ParityNone
	case mark && odd:
		return console.ParityMark
	case mark:
		return console.ParitySpace
	case odd:
		return console.ParityOdd
	}
	return console.ParityEven
}

func flowOf(t *unix.Termios) console.Flow {
	switch {
	case t.Cflag&unix.CRTSCTS != 0:
		return console.FlowHardware
	case t.Iflag&unix.IXON != 0:
		return console.FlowSoftware
	}
	return console.FlowNone
}
