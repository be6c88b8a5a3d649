// Package ssh opens the console of a unit that answers on the network
// already, as a line, and tries whether a sign-in is accepted.
//
// The unit must prove itself first: its host key is held against a
// fingerprint that was read from its own console, or against a known_hosts
// file. Without either, and with another key, nothing is sent. There is no
// trust at first sight.
package ssh

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"golang.org/x/crypto/ssh"

	"linehand/console"
)

// dialTime is how long the unit may take to answer and to accept the
// sign-in. A refusal takes some systems several seconds.
const dialTime = 30 * time.Second

// Options say whom to speak to, and as whom.
type Options struct {
	Address string // HOST:PORT
	User    string
	// Password gives the secret when the unit asks for it, which is after it
	// has proved itself. It is asked for at most once.
	Password func() (string, error)
	// Pin is the fingerprint of the host key, as "SHA256:…" (what OpenSSH's
	// ssh-keygen -l prints). "": KnownHosts decides.
	Pin string
	// KnownHosts is the path of a known_hosts file. "": none.
	KnownHosts string
	// Older names algorithms that have weaknesses, one by one, to be offered
	// to equipment that speaks nothing better; OlderAlgorithms lists them.
	Older []string
	// Terminal is what the unit is told; "": vt100. Rows and Columns are 24
	// and 80 when zero, as on a serial console.
	Terminal      string
	Rows, Columns int
}

// Dial signs in and opens a shell on a terminal. name is the line's name for
// people. Errors wrap console.ErrAbsent when nobody answers, and are a
// *HostKeyError or a *RefusedError where these say why.
func Dial(ctx context.Context, name string, o Options) (console.Line, error) {
	client, err := signIn(ctx, o)
	if err != nil {
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	l, err := open(client, name, o)
	if err != nil {
		client.Close()
		return nil, fmt.Errorf("line %s: %w", name, err)
	}
	return l, nil
}

// TrySignIn tries a sign-in and leaves at once. pin is the fingerprint of
// the host key; the secret goes to no other unit. An error says that it
// could not be tried, or how it went is not clear: then accepted means
// nothing.
//
// A sign-in counts as accepted when the unit says so, even if its shell
// would then ask for a new secret before anything else.
func TrySignIn(ctx context.Context, address, user, password, pin string, older ...string) (accepted bool, err error) {
	client, err := signIn(ctx, Options{
		Address: address, User: user, Pin: pin, Older: older,
		Password: func() (string, error) { return password, nil },
	})
	var refused *RefusedError
	switch {
	case errors.As(err, &refused):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("trying to sign in as %s at %s: %w", user, address, err)
	}
	client.Close()
	_ = client.Wait()
	return true, nil
}

// RefusedError says that the unit proved itself and refused the sign-in.
type RefusedError struct {
	User, Address string
	Offered       bool // the secret was sent; otherwise the unit takes no password at all
}

func (e *RefusedError) Error() string {
	if !e.Offered {
		return fmt.Sprintf("%s takes no password for %s", e.Address, e.User)
	}
	return fmt.Sprintf("%s refuses the sign-in of %s", e.Address, e.User)
}

// signIn connects, once for each kind of host key until one is right: a unit
// has several keys, and which it shows is agreed before it is known which
// one the console printed.
func signIn(ctx context.Context, o Options) (*ssh.Client, error) {
	base, kinds, err := o.algorithms()
	if err != nil {
		return nil, err
	}
	want, err := o.wanted()
	if err != nil {
		return nil, err
	}
	var shown []string
	for i, kind := range kinds {
		attempt := &attempt{options: o, want: want}
		client, err := attempt.run(ctx, base, kind)
		if err == nil {
			return client, nil
		}
		if !attempt.wrongKey {
			if i > 0 && attempt.shown == "" && ctx.Err() == nil {
				continue // it has no key of this kind
			}
			return nil, err
		}
		if !slices.Contains(shown, attempt.shown) {
			shown = append(shown, attempt.shown)
		}
	}
	return nil, &HostKeyError{Address: o.Address, Pin: o.Pin, KnownHosts: o.KnownHosts, Shown: shown}
}

// attempt is one connection.
type attempt struct {
	options  Options
	want     wanted
	shown    string // the host key's fingerprint
	wrongKey bool
	asked    bool // the secret was handed out
	refused  bool // it was asked for again
}

func (a *attempt) run(ctx context.Context, base ssh.Config, keys []string) (*ssh.Client, error) {
	ctx, cancel := context.WithTimeout(ctx, dialTime)
	defer cancel()
	// As for raw TCP, a unit that vanished without a word is noticed after
	// about five seconds.
	d := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 2 * time.Second, Interval: time.Second, Count: 3}}
	conn, err := d.DialContext(ctx, "tcp", a.options.Address)
	if err != nil {
		return nil, dialError(a.options.Address, err)
	}
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	c, channels, requests, err := ssh.NewClientConn(conn, a.options.Address, &ssh.ClientConfig{
		Config:            base,
		User:              a.options.User,
		HostKeyAlgorithms: keys,
		HostKeyCallback:   a.checkKey,
		Auth: []ssh.AuthMethod{
			ssh.PasswordCallback(a.password),
			ssh.KeyboardInteractive(a.answer),
		},
		ClientVersion: "SSH-2.0-linehand",
	})
	if !stop() && err == nil {
		c.Close()
		err = ctx.Err()
	}
	if err != nil {
		conn.Close()
		return nil, a.explain(ctx, err)
	}
	return ssh.NewClient(c, channels, requests), nil
}

func dialError(address string, err error) error {
	switch {
	case errors.Is(err, context.Canceled):
		return err
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("nobody listens at %s; is SSH switched on there? %w", address, console.ErrAbsent)
	}
	return fmt.Errorf("%w (%w)", console.ErrAbsent, err)
}

func (a *attempt) checkKey(host string, remote net.Addr, key ssh.PublicKey) error {
	a.shown = ssh.FingerprintSHA256(key)
	if err := a.want.check(host, remote, key); err != nil {
		a.wrongKey = true
		return err
	}
	return nil
}

var errAgain = errors.New("the unit asks again")

// password is called after the host key was found right.
func (a *attempt) password() (string, error) {
	if a.asked {
		a.refused = true
		return "", errAgain
	}
	a.asked = true
	if a.options.Password == nil {
		return "", errors.New("no password is at hand")
	}
	return a.options.Password()
}

// answer is for units that ask in words (RFC 4256): the one question without
// echo is for the secret. Any other would be a guess.
func (a *attempt) answer(_, _ string, questions []string, echos []bool) ([]string, error) {
	switch {
	case len(questions) == 0:
		return nil, nil
	case len(questions) == 1 && !echos[0]:
		secret, err := a.password()
		return []string{secret}, err
	}
	return nil, fmt.Errorf("the unit asks more than for a password: %q", questions)
}

// explain makes one plain error of what the library says. Of a refusal it
// tells only in words.
func (a *attempt) explain(ctx context.Context, err error) error {
	var differ *ssh.AlgorithmNegotiationError
	text := err.Error()
	switch {
	case a.wrongKey:
		return err
	case a.refused,
		strings.Contains(text, "ssh: unable to authenticate"),
		strings.Contains(text, "unexpected message type 51 (expected 60)"),    // the library's words where a unit that has refused the password asks nothing in words
		a.asked && strings.Contains(text, "Too many authentication failures"): // what OpenSSH says when it hangs up on a refusal
		return &RefusedError{User: a.options.User, Address: a.options.Address, Offered: a.asked}
	case errors.As(err, &differ):
		return older(a.options.Address, differ)
	case ctx.Err() != nil:
		return fmt.Errorf("signing in at %s: %w", a.options.Address, ctx.Err())
	case errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Errorf("signing in at %s: no answer in time", a.options.Address)
	}
	return fmt.Errorf("signing in at %s: %w", a.options.Address, err)
}

// open starts the shell.
func open(client *ssh.Client, name string, o Options) (*line, error) {
	session, err := client.NewSession()
	if err != nil {
		return nil, fmt.Errorf("opening a session: %w", err)
	}
	l := newLine(client, session, console.Info{
		Name: name, Identity: "ssh:" + o.User + "@" + o.Address, Device: "ssh:" + o.Address,
	})
	rows, columns := o.Rows, o.Columns
	if rows <= 0 {
		rows = 24
	}
	if columns <= 0 {
		columns = 80
	}
	terminal := o.Terminal
	if terminal == "" {
		terminal = "vt100"
	}
	if err := session.RequestPty(terminal, rows, columns, ssh.TerminalModes{}); err != nil {
		return nil, fmt.Errorf("asking for a terminal: %w", err)
	}
	if l.in, err = session.StdinPipe(); err != nil {
		return nil, err
	}
	session.Stdout, session.Stderr = l.arrived, l.arrived
	if err := session.Shell(); err != nil {
		return nil, fmt.Errorf("asking for a shell: %w", err)
	}
	l.start()
	return l, nil
}
