package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"linehand/fixtures/rig"
)

// TestByHandBySSH signs in at a real OpenSSH server, at a terminal: the
// secret is asked for, goes to the unit that was pinned, and nowhere else.
func TestByHandBySSH(t *testing.T) {
	unit := rig.StartOpenSSH(t, rig.OpenSSHOptions{})
	keyboard, terminal, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer keyboard.Close()
	defer terminal.Close()
	records := t.TempDir()
	code := make(chan int, 1)
	go func() {
		code <- Main(t.Context(), []string{"byhand", "ssh:" + unit.User() + "@" + unit.Address(),
			"--host-key", unit.Fingerprint(t, "ed25519"), "--records", records}, terminal, terminal, terminal)
	}()
	person := &typist{t: t, screen: keyboard}
	person.waitFor("Secret of " + unit.User() + " at " + unit.Address() + ": ")
	person.types(rig.FactorySecret + "\r")
	person.waitFor("$ ")
	person.types("echo $((6*7))-here\r")
	person.waitFor("42-here")
	person.types("\x1d")
	person.waitFor("The person left the line")
	if got := <-code; got != exitFine {
		t.Errorf("exit code %d", got)
	}
	files, _ := filepath.Glob(filepath.Join(records, "*.record"))
	if len(files) != 1 {
		t.Fatalf("records %v", files)
	}
	record, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(record, []byte("42-here")) || !bytes.Contains(record, []byte(`ssh:`+unit.User())) {
		t.Errorf("the session is not on record: %s", record)
	}
	if bytes.Contains(record, []byte(rig.FactorySecret)) || strings.Contains(person.seen, rig.FactorySecret) {
		t.Error("the secret shows")
	}
}

// typist sits at a terminal.
type typist struct {
	t      *testing.T
	screen *os.File
	seen   string
	past   int // up to here it has been read
}

func (p *typist) types(text string) {
	p.t.Helper()
	if _, err := io.WriteString(p.screen, text); err != nil {
		p.t.Fatal(err)
	}
}

func (p *typist) waitFor(text string) {
	p.t.Helper()
	late := time.AfterFunc(time.Minute, func() { p.screen.Close() })
	defer late.Stop()
	buf := make([]byte, 4096)
	for {
		if i := strings.Index(p.seen[p.past:], text); i >= 0 {
			p.past += i + len(text)
			return
		}
		n, err := p.screen.Read(buf)
		p.seen += string(buf[:n])
		if err != nil {
			p.t.Fatalf("waiting for %q: %v; the screen shows %q", text, err, p.seen)
		}
	}
}
