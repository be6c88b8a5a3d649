// Package linetest is the suite of tests that every console.Line passes.
package linetest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"linehand/console"
)

// patience is how long the suite waits for what must happen before it calls
// the line hung. It is no measure of speed.
const patience = 10 * time.Second

// Maker opens a fresh line for one test, with its far end, and a function
// that takes the far end away as a pulled cable would.
type Maker func(t testing.TB) (line console.Line, far io.ReadWriteCloser, unplug func())

// Run runs the suite. make is called once for each test; the suite closes
// the line and the far end itself.
func Run(t *testing.T, make Maker) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, *subject)
	}{
		{"bytes to the line", testRead},
		{"bytes from the line", testWrite},
		{"every byte value both ways", testTransparent},
		{"a small buffer", testSmallBuffer},
		{"arrival times", testTimes},
		{"close wakes a read", testCloseWakesRead},
		{"close twice", testCloseTwice},
		{"closed", testClosed},
		{"unplugged while reading", testUnplugWakesRead},
		{"unplugged, read what came first", testBytesBeforeLoss},
		{"unplugged, then closed", testCloseAfterLoss},
		{"write after the loss", testWriteAfterLoss},
		{"break", testBreak},
		{"info", testInfo},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := &subject{}
			s.line, s.far, s.unplug = make(t)
			defer s.far.Close()
			defer s.line.Close()
			test.run(t, s)
		})
	}
}

type subject struct {
	line   console.Line
	far    io.ReadWriteCloser
	unplug func()
}

// within fails the test when f does not come back.
func within(t *testing.T, what string, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		f()
	}()
	select {
	case <-done:
	case <-time.After(patience):
		t.Fatalf("%s: nothing within %v", what, patience)
	}
}

// read reads n bytes from the line.
func read(t *testing.T, l console.Line, n int) []byte {
	t.Helper()
	var got []byte
	within(t, fmt.Sprintf("reading %d bytes", n), func() {
		buf := make([]byte, 256)
		for len(got) < n {
			k, _, err := l.Read(buf)
			if k == 0 && err == nil {
				t.Error("Read gave neither bytes nor an error")
				return
			}
			if err != nil {
				t.Errorf("after %d of %d bytes: %v", len(got), n, err)
				return
			}
			got = append(got, buf[:k]...)
		}
	})
	return got
}

func readError(t *testing.T, l console.Line) error {
	t.Helper()
	var err error
	within(t, "an error from Read", func() {
		buf := make([]byte, 256)
		for err == nil {
			_, _, err = l.Read(buf)
		}
	})
	return err
}

func wantError(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: got error %v, want one that is %q", what, err, want)
	}
}

func testRead(t *testing.T, s *subject) {
	for _, text := range []string{"login: ", "x", strings.Repeat("boot log\r\n", 100)} {
		go s.far.Write([]byte(text))
		if got := read(t, s.line, len(text)); string(got) != text {
			t.Errorf("got %q, want %q", got, text)
		}
	}
}

func testWrite(t *testing.T, s *subject) {
	const text = "setenv ipaddr 192.0.2.7\r"
	within(t, "Write", func() {
		if n, err := s.line.Write([]byte(text)); n != len(text) || err != nil {
			t.Errorf("Write = %d, %v, want %d", n, err, len(text))
		}
	})
	got := make([]byte, len(text))
	within(t, "the far end reading", func() {
		if _, err := io.ReadFull(s.far, got); err != nil {
			t.Error(err)
		}
	})
	if string(got) != text {
		t.Errorf("got %q, want %q", got, text)
	}
}

// testTransparent sends what a terminal driver would act on: CR, LF, XON,
// XOFF, interrupt, end of file, NUL and bytes above 127.
func testTransparent(t *testing.T, s *subject) {
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	go s.far.Write(all)
	if got := read(t, s.line, len(all)); !bytes.Equal(got, all) {
		t.Errorf("to the line: got %q", got)
	}
	go s.line.Write(all)
	got := make([]byte, len(all))
	within(t, "the far end reading", func() { io.ReadFull(s.far, got) })
	if !bytes.Equal(got, all) {
		t.Errorf("from the line: got %q", got)
	}
}

func testSmallBuffer(t *testing.T, s *subject) {
	const text = "abcdef"
	go s.far.Write([]byte(text))
	var got []byte
	within(t, "reading byte by byte", func() {
		for len(got) < len(text) {
			b := make([]byte, 1)
			n, _, err := s.line.Read(b)
			if n != 1 || err != nil {
				t.Errorf("Read = %d, %v, want 1 byte", n, err)
				return
			}
			got = append(got, b[0])
		}
	})
	if string(got) != text {
		t.Errorf("got %q, want %q", got, text)
	}
}

func testTimes(t *testing.T, s *subject) {
	before := time.Now()
	go s.far.Write([]byte("x"))
	within(t, "Read", func() {
		_, at, err := s.line.Read(make([]byte, 8))
		if err != nil {
			t.Error(err)
		}
		if at.Before(before) || at.After(time.Now()) {
			t.Errorf("arrived at %v, which is not between sending and reading", at)
		}
		if !strings.Contains(at.String(), "m=") {
			t.Error("the arrival time has no monotonic reading")
		}
	})
}

func testCloseWakesRead(t *testing.T, s *subject) {
	err := make(chan error, 1)
	started := make(chan struct{})
	go func() {
		close(started)
		_, _, e := s.line.Read(make([]byte, 8))
		err <- e
	}()
	<-started
	within(t, "Close", func() { s.line.Close() })
	select {
	case e := <-err:
		wantError(t, "the waiting Read", e, console.ErrClosed)
	case <-time.After(patience):
		t.Fatal("Close left Read waiting")
	}
}

func testCloseTwice(t *testing.T, s *subject) {
	for range 3 {
		within(t, "Close", func() {
			if err := s.line.Close(); err != nil {
				t.Errorf("Close: %v", err)
			}
		})
	}
}

func testClosed(t *testing.T, s *subject) {
	s.line.Close()
	wantError(t, "Read", readError(t, s.line), console.ErrClosed)
	within(t, "Write", func() {
		_, err := s.line.Write([]byte("x"))
		wantError(t, "Write", err, console.ErrClosed)
	})
}

func testUnplugWakesRead(t *testing.T, s *subject) {
	err := make(chan error, 1)
	started := make(chan struct{})
	go func() {
		close(started)
		_, _, e := s.line.Read(make([]byte, 8))
		err <- e
	}()
	<-started
	s.unplug()
	select {
	case e := <-err:
		wantError(t, "the waiting Read", e, console.ErrLost)
	case <-time.After(patience):
		t.Fatal("unplugging left Read waiting")
	}
	wantError(t, "the next Read", readError(t, s.line), console.ErrLost)
}

func testBytesBeforeLoss(t *testing.T, s *subject) {
	go s.far.Write([]byte("last words"))
	if got := read(t, s.line, 4); !strings.HasPrefix("last words", string(got)) {
		t.Errorf("got %q", got)
	}
	s.unplug()
	wantError(t, "Read after what came", readError(t, s.line), console.ErrLost)
}

func testCloseAfterLoss(t *testing.T, s *subject) {
	s.unplug()
	wantError(t, "Read", readError(t, s.line), console.ErrLost)
	within(t, "Close", func() {
		if err := s.line.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	wantError(t, "Read after Close", readError(t, s.line), console.ErrClosed)
}

func testWriteAfterLoss(t *testing.T, s *subject) {
	s.unplug()
	wantError(t, "Read", readError(t, s.line), console.ErrLost)
	within(t, "Write", func() {
		// A network takes a write or two before it knows.
		var err error
		for i := 0; err == nil && i < 1000; i++ {
			_, err = s.line.Write([]byte("x"))
		}
		wantError(t, "Write", err, console.ErrLost)
	})
}

func testBreak(t *testing.T, s *subject) {
	within(t, "Break", func() {
		if err := s.line.Break(time.Millisecond); err != nil && !errors.Is(err, console.ErrNoBreak) {
			t.Errorf("Break: %v", err)
		}
	})
}

func testInfo(t *testing.T, s *subject) {
	info := s.line.Info()
	if info.Name == "" || info.Device == "" {
		t.Errorf("Info %+v names neither line nor device", info)
	}
	s.line.Close()
	if again := s.line.Info(); again != info {
		t.Errorf("Info changed on Close from %+v to %+v", info, again)
	}
}
