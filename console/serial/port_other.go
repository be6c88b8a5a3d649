//go:build !linux && !darwin

package serial

import (
	"fmt"
	"io/fs"
	"sync"
	"time"

	bugst "go.bug.st/serial"

	"linehand/console"
	"linehand/console/ports"
)

const (
	noFollow    = 0
	systemLocks = ""
)

// device is a port by its system name, such as COM3.
type device struct {
	path, key string
	listed    bool // the system's list has it, under this name
}

func resolve(path, name string) (device, error) {
	_, listed := ports.ByDevice(path)
	return device{path: path, key: cleaned(path), listed: listed}, nil
}

// present asks the system's list, for a port that was in it.
func (d device) present() bool {
	if !d.listed {
		return true
	}
	_, ok := ports.ByDevice(d.path)
	return ok
}

func forbidden(name, path string) error {
	return fmt.Errorf("line %s: not allowed to open %s; another program may have it: %w", name, path, fs.ErrPermission)
}

// holder is not told by this system.
func holder(device) string { return "" }

type port struct {
	lib     bugst.Port
	writing sync.WaitGroup
	stop    chan struct{}
	once    sync.Once
}

func openPort(d device, name string, mode *bugst.Mode, set console.Settings) (*port, error) {
	if set.Flow == console.FlowHardware || set.Flow == console.FlowSoftware {
		return nil, fmt.Errorf("line %s: %s flow control cannot be set on this system", name, set.Flow)
	}
	lib, err := bugst.Open(d.path, mode)
	if err != nil {
		return nil, openError(d, name, err)
	}
	if err := lib.SetReadTimeout(readTurn); err != nil {
		_ = lib.Close()
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	return &port{lib: lib, stop: make(chan struct{})}, nil
}

func (p *port) read(b []byte) (int, error) { return p.lib.Read(b) }

// write hands b over in a goroutine, which ends with the library's Write: at
// the latest when the port is closed.
func (p *port) write(b []byte, limit time.Duration) (int, error) {
	type result struct {
		n   int
		err error
	}
	done := make(chan result, 1)
	kept := append([]byte(nil), b...)
	p.writing.Go(func() {
		n, err := p.lib.Write(kept)
		done <- result{n, err}
	})
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case r := <-done:
		return r.n, r.err
	case <-timer.C:
		return 0, errSlow
	case <-p.stop:
		return 0, console.ErrClosed
	}
}

func (p *port) wake() {
	p.once.Do(func() { close(p.stop) })
	_ = p.lib.ResetOutputBuffer()
}

func (p *port) close() error {
	err := p.lib.Close() // ends what is being written
	p.writing.Wait()
	return err
}

func (p *port) hold(d time.Duration, _ <-chan struct{}) error { return p.lib.Break(d) }

// settings cannot be read back here.
func (p *port) settings(asked console.Settings) console.Settings { return asked }
