package ssh_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/term"

	"linehand/console"
	"linehand/console/linetest"
	"linehand/console/ssh"
	"linehand/fixtures/rig"
)

// TestMain is also the login shell of the unit: its name then begins with a
// hyphen, as that of every login shell (sshd(8)).
func TestMain(m *testing.M) {
	if strings.HasPrefix(os.Args[0], "-") {
		unitShell()
		return
	}
	goleak.VerifyTestMain(m)
}

// unitShell is the console of a unit that has little to say.
func unitShell() {
	fmt.Print("Brackwater S24\n")
	lines := bufio.NewScanner(os.Stdin)
	for fmt.Print("deep-1> "); lines.Scan(); fmt.Print("deep-1> ") {
		switch lines.Text() {
		case "show serial":
			fmt.Print("Serial no. BW24-0117\n")
		case "show terminal":
			columns, rows, _ := term.GetSize(0)
			fmt.Printf("%s %dx%d\n", os.Getenv("TERM"), columns, rows)
		case "relay":
			relay()
			return
		case "exit":
			os.Exit(3)
		}
	}
}

// relay makes the terminal transparent and joins it to a socket, where the
// test stands for the unit.
func relay() {
	if _, err := term.MakeRaw(0); err != nil {
		fmt.Println(err)
		return
	}
	conn, err := net.Dial("unix", filepath.Join(os.Getenv("HOME"), "relay"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print("relayed\n")
	go io.Copy(conn, os.Stdin)
	io.Copy(os.Stdout, conn)
}

func unit(t testing.TB, settings string) *rig.OpenSSH {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return rig.StartOpenSSH(t, rig.OpenSSHOptions{Shell: self, Settings: settings})
}

func options(t testing.TB, r *rig.OpenSSH) ssh.Options {
	return ssh.Options{
		Address: r.Address(), User: r.User(), Pin: r.Fingerprint(t, "ed25519"),
		Password: func() (string, error) { return rig.FactorySecret, nil },
	}
}

func dial(t testing.TB, o ssh.Options) console.Line {
	t.Helper()
	line, err := ssh.Dial(context.Background(), "ssh:deep-1", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { line.Close() })
	return line
}

// until reads until the text stands at the end.
func until(t testing.TB, line console.Line, text string) string {
	t.Helper()
	var heard []byte
	buf := make([]byte, 256)
	for !bytes.HasSuffix(heard, []byte(text)) {
		n, _, err := line.Read(buf)
		if err != nil {
			t.Fatalf("after %q, waiting for %q: %v", heard, text, err)
		}
		heard = append(heard, buf[:n]...)
	}
	return string(heard)
}

func say(t testing.TB, line console.Line, text string) {
	t.Helper()
	if _, err := line.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
}

func TestShell(t *testing.T) {
	for _, way := range []struct{ name, settings string }{
		{"password", "UsePAM no\nKbdInteractiveAuthentication no"},
		{"asked in words", "UsePAM yes\nKbdInteractiveAuthentication yes\nPasswordAuthentication no"},
	} {
		t.Run(way.name, func(t *testing.T) {
			line := dial(t, options(t, unit(t, way.settings)))
			until(t, line, "deep-1> ")
			say(t, line, "show serial\r")
			if got, want := until(t, line, "deep-1> "), "show serial\r\nSerial no. BW24-0117\r\ndeep-1> "; got != want {
				t.Errorf("heard %q, want %q", got, want)
			}
			say(t, line, "show terminal\r")
			if got := until(t, line, "deep-1> "); !strings.Contains(got, "vt100 80x24\r\n") {
				t.Errorf("the unit's terminal is %q", got)
			}
			say(t, line, "exit\r")
			until(t, line, "exit\r\n")
			if _, _, err := line.Read(make([]byte, 8)); !errors.Is(err, console.ErrLost) || !strings.Contains(err.Error(), "ended the session") {
				t.Errorf("after the shell's end: %v", err)
			}
		})
	}
}

func TestLine(t *testing.T) {
	r := unit(t, "")
	o := options(t, r)
	socket := filepath.Join(r.Home(), "relay")
	linetest.Run(t, func(t testing.TB) (console.Line, io.ReadWriteCloser, func()) {
		listener, err := net.Listen("unix", shortPath(t, socket))
		if err != nil {
			t.Fatal(err)
		}
		defer listener.Close()
		if err := os.Chmod(socket, 0o777); err != nil { // the shell is not root
			t.Fatal(err)
		}
		line := dial(t, o)
		until(t, line, "deep-1> ")
		say(t, line, "relay\r")
		until(t, line, "relayed\n")
		far, err := listener.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return line, far, func() { far.Close() }
	})
}

// shortPath is the same file under a name that fits into a socket address.
func shortPath(t testing.TB, path string) string {
	dir, err := os.MkdirTemp("", "line")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Symlink(filepath.Dir(path), dir+"/home"); err != nil {
		t.Fatal(err)
	}
	return dir + "/home/" + filepath.Base(path)
}

// TestHostKey: each key that the unit has may be pinned, and with any other
// the secret is not even fetched.
func TestHostKey(t *testing.T) {
	r := unit(t, "")
	for _, kind := range []string{"ed25519", "ecdsa", "rsa"} {
		o := options(t, r)
		o.Pin = r.Fingerprint(t, kind)
		line, err := ssh.Dial(context.Background(), "deep-1", o)
		if err != nil {
			t.Errorf("with the %s key pinned: %v", kind, err)
			continue
		}
		line.Close()
	}
	accepted := strings.Count(r.Log(t), "Accepted password")
	other := "SHA256:" + strings.Repeat("A", 43)
	for name, change := range map[string]func(*ssh.Options){
		"another key":       func(o *ssh.Options) { o.Pin = other },
		"no key":            func(o *ssh.Options) { o.Pin = "" },
		"another host":      func(o *ssh.Options) { o.Pin, o.KnownHosts = "", knownHosts(t, "192.0.2.21", r.PublicKey("ed25519")) },
		"host, another key": func(o *ssh.Options) { o.Pin, o.KnownHosts = "", knownHosts(t, bracketed(r), otherKey(t)) },
	} {
		o := options(t, r)
		o.Password = func() (string, error) {
			t.Errorf("%s: the secret was asked for", name)
			return "", errors.New("no")
		}
		change(&o)
		_, err := ssh.Dial(context.Background(), "deep-1", o)
		var wrong *ssh.HostKeyError
		if !errors.As(err, &wrong) || !strings.Contains(err.Error(), r.Fingerprint(t, "ed25519")) || !strings.Contains(err.Error(), o.Pin) || !strings.Contains(err.Error(), o.KnownHosts) {
			t.Errorf("%s: %v", name, err)
		}
		if ok, err := ssh.TrySignIn(context.Background(), o.Address, o.User, rig.FactorySecret, o.Pin); o.KnownHosts == "" && (ok || !errors.As(err, &wrong)) {
			t.Errorf("%s: trying gives %v, %v", name, ok, err)
		}
	}
	if log := r.Log(t); strings.Contains(log, "Failed password") || strings.Count(log, "Accepted password") != accepted {
		t.Errorf("a secret has reached the server:\n%s", log)
	}
}

func bracketed(r *rig.OpenSSH) string {
	host, port, _ := net.SplitHostPort(r.Address())
	return "[" + host + "]:" + port
}

func otherKey(t testing.TB) string {
	path := filepath.Join(t.TempDir(), "key.pub")
	const key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIAABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhscHR4f\n"
	if err := os.WriteFile(path, []byte(key), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// knownHosts is a file in the form of sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT".
func knownHosts(t testing.TB, host, publicKey string) string {
	t.Helper()
	key, err := os.ReadFile(publicKey)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "known_hosts")
	if err := os.WriteFile(path, []byte(host+" "+string(key)), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestKnownHosts(t *testing.T) {
	r := unit(t, "")
	for _, kind := range []string{"ed25519", "rsa"} {
		o := options(t, r)
		o.Pin, o.KnownHosts = "", knownHosts(t, bracketed(r), r.PublicKey(kind))
		dial(t, o)
	}
	o := options(t, r)
	o.Pin, o.KnownHosts = "", filepath.Join(t.TempDir(), "none")
	if _, err := ssh.Dial(context.Background(), "deep-1", o); err == nil || !strings.Contains(err.Error(), o.KnownHosts) {
		t.Errorf("without the file: %v", err)
	}
}

func TestTrySignIn(t *testing.T) {
	for _, settings := range []string{
		"UsePAM no\nKbdInteractiveAuthentication no",
		"UsePAM no\nKbdInteractiveAuthentication no\nMaxAuthTries 1",
		"UsePAM yes\nKbdInteractiveAuthentication yes\nPasswordAuthentication no",
		"UsePAM yes\nKbdInteractiveAuthentication yes\nPasswordAuthentication yes",
	} {
		r := unit(t, settings)
		pin := r.Fingerprint(t, "ed25519")
		for secret, want := range map[string]bool{rig.FactorySecret: true, "Skua-Anchor-813": false} {
			before := strings.Count(r.Log(t), "Failed ")
			got, err := ssh.TrySignIn(context.Background(), r.Address(), r.User(), secret, pin)
			if err != nil || got != want {
				t.Errorf("%q, %s: accepted %v, %v, want %v", settings, secret, got, err, want)
			}
			if tried := strings.Count(r.Log(t), "Failed ") - before; !want && tried > 1 {
				t.Errorf("%q: the refused secret was sent %d times", settings, tried)
			}
		}
	}
}

func TestTrySignInWithoutPasswords(t *testing.T) {
	r := unit(t, "UsePAM no\nKbdInteractiveAuthentication no\nPasswordAuthentication no")
	got, err := ssh.TrySignIn(context.Background(), r.Address(), r.User(), rig.FactorySecret, r.Fingerprint(t, "ed25519"))
	if got || err != nil {
		t.Errorf("accepted %v, %v", got, err)
	}
	var refused *ssh.RefusedError
	if _, err := ssh.Dial(context.Background(), "deep-1", options(t, r)); !errors.As(err, &refused) || refused.Offered {
		t.Errorf("error %v", err)
	}
}

func TestOlderAlgorithms(t *testing.T) {
	r := unit(t, "KexAlgorithms diffie-hellman-group14-sha1\nMACs hmac-sha1\nCiphers aes128-cbc")
	o := options(t, r)
	for _, name := range []string{"diffie-hellman-group14-sha1", "aes128-cbc", ""} {
		if name == "" {
			dial(t, o)
			break
		}
		_, err := ssh.Dial(context.Background(), "deep-1", o)
		if err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "older") {
			t.Fatalf("with %q allowed: %v, want one that names %s", o.Older, err, name)
		}
		o.Older = append(o.Older, name)
	}
}

func TestStoppedDial(t *testing.T) {
	silent, err := net.Listen("tcp", "127.0.0.1:0") // accepts, says nothing
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	_, err = ssh.Dial(ctx, "deep-1", ssh.Options{Address: silent.Addr().String(), Pin: "SHA256:" + strings.Repeat("A", 43)})
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v", err)
	}
}
