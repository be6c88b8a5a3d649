package pair

import (
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"linehand/console"
	"linehand/console/linetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestLine(t *testing.T) {
	linetest.Run(t, func(testing.TB) (console.Line, io.ReadWriteCloser, func()) {
		line, far := New("bench", console.Default)
		return line, far, far.Unplug
	})
}

// In a bubble, time only moves on when everything waits durably: this hangs
// if the pair waits in any other way.
func TestInABubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, far := New("bench", console.Default)
		start := time.Now()
		go func() {
			time.Sleep(time.Hour)
			far.Write([]byte("late"))
		}()
		n, at, err := line.Read(make([]byte, 8))
		if n != 4 || err != nil || at.Sub(start) != time.Hour {
			t.Errorf("Read = %d, %v after %v, want 4 bytes after an hour", n, err, at.Sub(start))
		}
	})
}

func TestStuck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, _ := New("bench", console.Default)
		start := time.Now()
		n, err := line.Write(make([]byte, room+100))
		if n != room || !errors.Is(err, console.ErrStuck) {
			t.Errorf("Write = %d, %v, want %d and ErrStuck", n, err, room)
		}
		if got, want := time.Since(start), console.Default.StuckAfter(room+100); got != want {
			t.Errorf("gave up after %v, want %v", got, want)
		}
	})
}

func TestBytesBeforeTheCutAreRead(t *testing.T) {
	line, far := New("bench", console.Default)
	far.Write([]byte("abc"))
	far.Unplug()
	buf := make([]byte, 8)
	if n, _, err := line.Read(buf); string(buf[:n]) != "abc" || err != nil {
		t.Errorf("Read = %q, %v, want abc", buf[:n], err)
	}
	if _, _, err := line.Read(buf); !errors.Is(err, console.ErrLost) {
		t.Errorf("Read = %v, want ErrLost", err)
	}
}

func TestBreaks(t *testing.T) {
	line, far := New("bench", console.Default)
	line.Break(0)
	line.Break(0)
	if far.Breaks() != 2 {
		t.Errorf("%d breaks came, want 2", far.Breaks())
	}
}
