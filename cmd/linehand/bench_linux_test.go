package main

import (
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// The words are those of sd_notify(3).
func TestServiceIsTold(t *testing.T) {
	dir, err := os.MkdirTemp("", "notify") // short: the name of a socket has a limit
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "s")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "30000")
	ctx, cancel := context.WithCancel(t.Context())
	asked := make(chan struct{}, 1000)
	b := &benching{app: &app{log: zerolog.Nop()}}
	done := make(chan struct{})
	go func() {
		defer close(done)
		b.notify(ctx, func() { asked <- struct{}{} })
	}()
	var got []string
	buf := make([]byte, 100)
	for len(got) == 0 || got[len(got)-1] != "STOPPING=1" {
		if err := socket.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatalf("after %q: %v", got, err)
		}
		got = append(got, string(buf[:n]))
		if len(got) == 3 {
			cancel()
		}
	}
	<-done
	if text := strings.Join(got, " "); !strings.HasPrefix(text, "READY=1 WATCHDOG=1 WATCHDOG=1") || len(asked) < 2 {
		t.Errorf("told %q, and asked %d times whether the bench is in order", text, len(asked))
	}
	cancel()
}

// TestUnitFile holds the unit against systemd's own reader, where there is
// one.
func TestUnitFile(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("no systemd-analyze here")
	}
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "linehand-bench.service")
	text := strings.Replace(unitFile, "/usr/local/bin/linehand", program, 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	if err != nil || strings.Contains(string(out), "linehand-bench.service:") {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}
