package socket

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"

	"go.uber.org/goleak"

	"linehand/console"
	"linehand/console/linetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestUnix(t *testing.T) {
	linetest.Run(t, maker("unix", func(t testing.TB) string { return shortDir(t) + "/line" }))
}

func TestTCP(t *testing.T) {
	linetest.Run(t, maker("tcp", func(testing.TB) string { return "127.0.0.1:0" }))
}

// shortDir is a folder whose name fits into a socket address.
func shortDir(t testing.TB) string {
	dir, err := os.MkdirTemp("", "line")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func maker(network string, address func(testing.TB) string) linetest.Maker {
	return func(t testing.TB) (console.Line, io.ReadWriteCloser, func()) {
		listener, err := net.Listen(network, address(t))
		if err != nil {
			t.Fatal(err)
		}
		defer listener.Close()
		line, err := Dial(context.Background(), network, listener.Addr().String(), "bench")
		if err != nil {
			t.Fatal(err)
		}
		far, err := listener.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return line, far, func() { far.Close() }
	}
}

func TestAbsent(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	free := listener.Addr().String()
	listener.Close()
	for network, address := range map[string]string{"tcp": free, "unix": filepath.Join(shortDir(t), "none")} {
		if _, err := Dial(context.Background(), network, address, "bench"); !errors.Is(err, console.ErrAbsent) {
			t.Errorf("%s: error %v, want one that is ErrAbsent", network, err)
		}
	}
}

func TestReset(t *testing.T) {
	line, far, _ := maker("tcp", func(testing.TB) string { return "127.0.0.1:0" })(t)
	defer line.Close()
	far.(*net.TCPConn).SetLinger(0) // closing then resets the connection
	far.Close()
	if _, _, err := line.Read(make([]byte, 8)); !errors.Is(err, console.ErrLost) {
		t.Errorf("error %v, want one that is ErrLost", err)
	}
}
