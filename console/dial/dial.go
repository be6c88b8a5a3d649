// Package dial opens a line by its address, whatever kind of line it is.
//
//	/dev/ttyUSB0, COM3, any path   a serial port, or the socket of a virtual machine
//	serial:PATH                    a serial port or pseudo-terminal
//	usb:…, usbpath:…, platform:…   a serial port by its identity (see console/ports)
//	unix:PATH                      a unix socket
//	tcp:HOST:PORT                  raw TCP
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
)

// Address says where a line is. Copies share what was learnt by opening it.
type Address struct {
	text   string
	kind   kind
	target string // path, HOST:PORT or identity
	known  *known
	find   func(identity string) (device string, err error)
	serial func(ctx context.Context, path, name string, set console.Settings, owner string) (console.Line, error)
}

type kind int

const (
	byPath kind = iota // serial port or socket: what is there decides
	bySerialPath
	byIdentity
	byUnix
	byTCP
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
		return Address{}, fmt.Errorf("line address %q: want a path such as /dev/%s, or serial:, unix:, tcp: or an identity that `linehand lines` shows", text, text)
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
	default:
		return Address{}, fmt.Errorf("line address %q: unknown kind %q; there are serial, unix, tcp, usb, usbpath and platform", a.text, prefix)
	}
	if rest == "" {
		return Address{}, fmt.Errorf("line address %q: nothing follows the colon", a.text)
	}
	return a, nil
}

func checkHostPort(text string) error {
	host, port, err := net.SplitHostPort(text)
	if err != nil {
		return errors.New("want tcp:HOST:PORT, with an IPv6 address in brackets")
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 || host == "" {
		return errors.New("want a host and a port number from 1 to 65535")
	}
	return nil
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
