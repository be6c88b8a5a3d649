// Package dial opens a line by its address, whatever kind of line it is.
//
//	/dev/ttyUSB0, COM3, any path   a serial port, or the socket of a virtual machine
//	serial:PATH                    a serial port or pseudo-terminal
//	usb:…, usbpath:…, platform:…   a serial port by its identity (see console/ports)
//	unix:PATH                      a unix socket
//	tcp:HOST:PORT                  raw TCP
//	ssh:USER@HOST[:PORT]           a shell by SSH; WithSSH says how it signs in
package dial

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"linehand/console"
	"linehand/console/ports"
	"linehand/console/serial"
	"linehand/console/socket"
	"linehand/console/ssh"
)

// Address says where a line is. Copies share what was learnt by opening it.
type Address struct {
	text   string
	kind   kind
	target string // path, HOST:PORT or identity
	known  *known
	find   func(identity string) (device string, err error)
	serial func(ctx context.Context, path, name string, set console.Settings, owner string) (console.Line, error)
	signIn ssh.Options // of an address by SSH
}

type kind int

const (
	byPath kind = iota // serial port or socket: what is there decides
	bySerialPath
	byIdentity
	byUnix
	byTCP
	bySSH
)

// known is what the first opening told of a device path.
type known struct {
	mu       sync.Mutex
	identity string
}

var comPort = regexp.MustCompile(`(?i)^COM[1-9][0-9]{0,2}$`)

// Parse reads an address. It does not look whether anything is there.
func Parse(text string) (Address, error) {
	a := Address{text: text, target: text, known: &known{}, find: ports.Find, serial: serial.Open}
	prefix, rest, found := strings.Cut(text, ":")
	switch {
	case text == "":
		return Address{}, errors.New("the address of the line is empty; give a port such as /dev/ttyUSB0")
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return Address{}, fmt.Errorf("line address %q holds a control character", text)
	case comPort.MatchString(text):
		a.kind, a.target = bySerialPath, strings.ToUpper(text)
	case strings.ContainsAny(prefix, `/\`) || prefix == "." || prefix == "..":
		a.kind = byPath
	case !found:
		return Address{}, fmt.Errorf("line address %q: want a path such as /dev/%s, or serial:, unix:, tcp:, ssh: or an identity that `linehand lines` shows", text, text)
	default:
		return a.withPrefix(prefix, rest)
	}
	return a, nil
}

func (a Address) withPrefix(prefix, rest string) (Address, error) {
	switch prefix {
	case "serial":
		a.kind, a.target = bySerialPath, rest
	case "unix":
		a.kind, a.target = byUnix, rest
	case "usb", "usbpath", "platform":
		a.kind = byIdentity // the target is the whole text
	case "tcp":
		a.kind, a.target = byTCP, rest
		if err := checkHostPort(rest); err != nil {
			return Address{}, fmt.Errorf("line address %q: %w", a.text, err)
		}
	case "ssh":
		var err error
		if a.signIn.User, a.signIn.Address, err = userAndHost(rest); err != nil {
			return Address{}, fmt.Errorf("line address %q: %w", a.text, err)
		}
		a.kind, a.target = bySSH, a.signIn.Address
	default:
		return Address{}, fmt.Errorf("line address %q: unknown kind %q; there are serial, unix, tcp, ssh, usb, usbpath and platform", a.text, prefix)
	}
	if rest == "" {
		return Address{}, fmt.Errorf("line address %q: nothing follows the colon", a.text)
	}
	return a, nil
}

func checkHostPort(text string) error {
	host, port, err := net.SplitHostPort(text)
	if err != nil {
		return errors.New("want HOST:PORT, with an IPv6 address in brackets")
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 || host == "" {
		return errors.New("want a host and a port number from 1 to 65535")
	}
	return nil
}

// userAndHost reads USER@HOST[:PORT]. Port 22 is SSH's own (RFC 4253 section
// 4.1). A user's name may hold an @, a host's may not.
func userAndHost(text string) (user, hostPort string, err error) {
	at := strings.LastIndexByte(text, '@')
	if at < 1 || at == len(text)-1 {
		return "", "", errors.New("want ssh:USER@HOST or ssh:USER@HOST:PORT")
	}
	user, host := text[:at], text[at+1:]
	if strings.ContainsAny(user, ": ") {
		return "", "", errors.New("the user's name holds a colon or a blank; a secret is never part of an address")
	}
	bracketed := strings.HasPrefix(host, "[") && strings.HasSuffix(host, "]")
	if bracketed || !strings.Contains(host, ":") {
		host += ":22"
	}
	if err := checkHostPort(host); err != nil {
		return "", "", fmt.Errorf("%w, as in ssh:USER@[2001:db8::1]:22", err)
	}
	return user, host, nil
}

// BySSH tells whether the line signs in, and the user and HOST:PORT.
func (a Address) BySSH() (user, hostPort string, ok bool) {
	return a.signIn.User, a.signIn.Address, a.kind == bySSH
}

// WithSSH gives an address by SSH what its text does not hold: the secret,
// and what the host key is held against. User and Address stay those of the
// text. Other addresses stay as they are.
func (a Address) WithSSH(o ssh.Options) Address {
	o.User, o.Address = a.signIn.User, a.signIn.Address
	a.signIn = o
	return a
}

// String is the address as it was given.
func (a Address) String() string { return a.text }

// Open opens the line; owner tells the next who tries who has it. Settings
// matter to serial ports only.
//
// A serial port that was opened by its device path is found by its identity
// from then on, even if it has come back under another number; with a path
// that is a symbolic link, the link is followed afresh each time.
func (a Address) Open(ctx context.Context, set console.Settings, owner string) (console.Line, error) {
	switch a.kind {
	case byTCP:
		return socket.Dial(ctx, "tcp", a.target, a.text)
	case bySSH:
		return ssh.Dial(ctx, a.text, a.signIn)
	case byUnix:
		return socket.Dial(ctx, "unix", a.target, a.text)
	case byIdentity:
		return a.openIdentity(ctx, a.target, set, owner)
	}
	a.known.mu.Lock()
	defer a.known.mu.Unlock()
	if a.known.identity != "" {
		return a.openIdentity(ctx, a.known.identity, set, owner)
	}
	info, err := os.Lstat(a.target)
	isLink := err == nil && info.Mode()&os.ModeSymlink != 0
	if a.kind == byPath && isSocket(a.target) {
		return socket.Dial(ctx, "unix", a.target, a.text)
	}
	line, err := a.serial(ctx, a.target, a.text, set, owner)
	if err == nil && !isLink {
		a.known.identity = line.Info().Identity
	}
	return line, err
}

func (a Address) openIdentity(ctx context.Context, identity string, set console.Settings, owner string) (console.Line, error) {
	device, err := a.find(identity)
	if err != nil {
		return nil, fmt.Errorf("line %s: %w", a.text, err)
	}
	return a.serial(ctx, device, a.text, set, owner)
}

func isSocket(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode()&os.ModeSocket != 0
}
