package ssh

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"linehand/console"
)

// deafServer is a unit that accepts anybody and takes no byte of what is
// typed, with the fingerprint of its key.
func deafServer(t *testing.T) (address, pin string) {
	t.Helper()
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := ssh.NewSignerFromKey(private)
	if err != nil {
		t.Fatal(err)
	}
	config := &ssh.ServerConfig{PasswordCallback: func(ssh.ConnMetadata, []byte) (*ssh.Permissions, error) { return nil, nil }}
	config.AddHostKey(signer)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		server, channels, requests, err := ssh.NewServerConn(conn, config)
		if err != nil {
			return
		}
		go ssh.DiscardRequests(requests)
		for c := range channels {
			if _, asked, err := c.Accept(); err == nil { // and never read from
				go func() {
					for r := range asked {
						r.Reply(r.Type != "break", nil)
					}
				}()
			}
		}
		server.Wait()
	}()
	t.Cleanup(func() { listener.Close(); <-done })
	return listener.Addr().String(), ssh.FingerprintSHA256(signer.PublicKey())
}

func TestStuck(t *testing.T) {
	address, pin := deafServer(t)
	opened, err := Dial(context.Background(), "deep-1", Options{
		Address: address, User: "admin", Pin: pin,
		Password: func() (string, error) { return "Skua-Anchor-813", nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	l := opened.(*line)
	if l.patience < 5*time.Second {
		t.Errorf("a unit that is slow is given %v", l.patience)
	}
	l.patience = 50 * time.Millisecond
	big := make([]byte, 4<<20) // more than any window of SSH
	n, err := l.Write(big)
	if !errors.Is(err, console.ErrStuck) || n == 0 || n >= len(big) {
		t.Errorf("Write = %d, %v", n, err)
	}
	if n, err := l.Write([]byte("x")); n != 0 || !errors.Is(err, console.ErrStuck) {
		t.Errorf("the next Write = %d, %v: nothing may overtake what is under way", n, err)
	}
	if err := l.Break(time.Millisecond); !errors.Is(err, console.ErrNoBreak) {
		t.Errorf("Break: %v", err)
	}
}

func TestCheckPin(t *testing.T) {
	digest := strings.Repeat("a/+Z", 11)[:43]
	for pin, want := range map[string]bool{
		"SHA256:" + digest:                     true,
		"SHA256:" + digest + "=":               true,
		"SHA256:" + digest[1:]:                 false,
		"MD5:" + digest:                        false,
		digest:                                 false,
		"SHA256:" + strings.Repeat("-", 43):    false,
		"SHA256:00:11:22:33:44:55:66:77:88:99": false,
		"":                                     false,
	} {
		if err := CheckPin(pin); (err == nil) != want {
			t.Errorf("%q: %v", pin, err)
		}
	}
}

// TestWeakOnlyByName: the library offers a key exchange with SHA-1 of its own
// accord (RFC 9142 section 3 says that it should not be used).
func TestWeakOnlyByName(t *testing.T) {
	base, keys, err := Options{}.algorithms()
	if err != nil {
		t.Fatal(err)
	}
	offered := strings.Join(append(append(append(base.KeyExchanges, base.Ciphers...), base.MACs...), keys[0]...), " ")
	for _, name := range OlderAlgorithms() {
		if strings.Contains(" "+offered+" ", " "+name+" ") {
			t.Errorf("%s is offered without being named", name)
		}
	}
	if _, _, err := (Options{Older: []string{"rot13"}}).algorithms(); err == nil || !strings.Contains(err.Error(), "hmac-sha1-96") {
		t.Errorf("an unknown name: %v", err)
	}
}
