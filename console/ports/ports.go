// Package ports lists the serial ports of this machine without opening one:
// opening sets speed and modem lines and can disturb a unit that runs.
//
// A port has an identity that outlives unplugging. Its device name, such as
// /dev/ttyUSB0, does not: numbers go to whoever comes first.
package ports

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"linehand/console"
)

// Port is one serial port.
type Port struct {
	Device       string // what to open, such as "/dev/ttyUSB0"
	Name         string // the last part of Device
	Driver       string // the kernel driver; "" when the system does not tell
	Vendor       string // USB vendor number, four hexadecimal digits; "" for ports that are not USB
	Product      string // USB product number
	Maker        string // as the adapter tells
	Model        string // as the adapter tells
	SerialNumber string // of the adapter; "" for the many that have none
	Interface    string // USB interface number, two hexadecimal digits, with ".N" for further ports of one interface
	USBPath      string // bus and sockets from the root, such as "1-2.3"

	twin bool // another adapter plugged in tells the same serial number
}

// Identity names the port for good: "usb:VENDOR:PRODUCT:SERIAL:INTERFACE", or
// "usbpath:1-2.3:INTERFACE" (that socket, whatever is in it) for an adapter
// without a serial number of its own, or "platform:ttyS0".
func (p Port) Identity() string {
	switch {
	case p.Vendor == "":
		return "platform:" + p.Name
	case p.SerialNumber == "" || p.twin:
		return "usbpath:" + p.USBPath + ":" + p.Interface
	}
	return p.numbered()
}

func (p Port) numbered() string {
	return strings.Join([]string{"usb", p.Vendor, p.Product, plain(p.SerialNumber), p.Interface}, ":")
}

// plain keeps an identity to one word: adapters tell anything.
func plain(serial string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' || r == ':' || r == '/' || r >= 0x7f {
			return '_'
		}
		return r
	}, serial)
}

// answersTo tells whether identity names p. The socket names a port too when
// it has a serial number.
func (p Port) answersTo(identity string) bool {
	return identity == p.Identity() ||
		p.Vendor != "" && identity == "usbpath:"+p.USBPath+":"+p.Interface
}

// List gives the ports that are there, sorted by device.
func List() ([]Port, error) {
	list, err := system()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	return arrange(list), nil
}

// arrange sorts, and marks adapters that share a serial number: some makers
// print the same one on all.
func arrange(list []Port) []Port {
	slices.SortFunc(list, func(a, b Port) int { return natural(a.Device, b.Device) })
	seen := make(map[string]int)
	for _, p := range list {
		seen[p.numbered()]++
	}
	for i := range list {
		list[i].twin = list[i].Vendor != "" && list[i].SerialNumber != "" && seen[list[i].numbered()] > 1
	}
	return list
}

// natural orders ttyUSB2 before ttyUSB10.
func natural(a, b string) int {
	stem := func(s string) string { return strings.TrimRight(s, "0123456789") }
	if c := strings.Compare(stem(a), stem(b)); c != 0 {
		return c
	}
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}

// Find gives the device that an identity has now. The error wraps
// console.ErrAbsent when it is not plugged in.
func Find(identity string) (device string, err error) {
	list, err := List()
	if err != nil {
		return "", err
	}
	return find(list, identity)
}

func find(list []Port, identity string) (string, error) {
	for _, p := range list {
		if p.answersTo(identity) {
			return p.Device, nil
		}
	}
	here := make([]string, len(list))
	for i, p := range list {
		if p.twin && identity == p.numbered() {
			return "", fmt.Errorf("several adapters call themselves %s; name the socket instead, such as %s: %w", identity, p.Identity(), console.ErrAbsent)
		}
		here[i] = p.Identity()
	}
	if len(here) == 0 {
		return "", fmt.Errorf("%s is not plugged in, and no other serial port is: %w", identity, console.ErrAbsent)
	}
	return "", fmt.Errorf("%s is not plugged in; there is %s: %w", identity, strings.Join(here, ", "), console.ErrAbsent)
}

// ByDevice gives the port of a device such as "/dev/ttyUSB0". Devices that
// are no serial port of the list, such as pseudo-terminals, give false.
func ByDevice(device string) (Port, bool) {
	list, err := List()
	if err != nil {
		return Port{}, false
	}
	i := slices.IndexFunc(list, func(p Port) bool { return p.Device == device })
	if i < 0 {
		return Port{}, false
	}
	return list[i], true
}

// Change is a port that was plugged in or pulled out.
type Change struct {
	Port    Port
	Plugged bool
}

// Watch tells what is plugged in and pulled out from now on: as soon as the
// system tells, where it does, and else looking once a second. The channel is closed when ctx ends. A port that comes back under
// another device name is pulled out and plugged in.
func Watch(ctx context.Context) <-chan Change { return watch(ctx, List, events(ctx)) }

// watch looks whenever told holds a token, and once a second.
func watch(ctx context.Context, list func() ([]Port, error), told <-chan struct{}) <-chan Change {
	changes := make(chan Change)
	before, _ := list() // what cannot be listed now is plugged in later
	go func() {
		defer close(changes)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-told:
			case <-tick.C:
			}
			now, err := list()
			if err != nil {
				continue // looked at again in a second
			}
			for _, c := range difference(before, now) {
				select {
				case changes <- c:
				case <-ctx.Done():
					return
				}
			}
			before = now
		}
	}()
	return changes
}

// difference lists what left, then what came.
func difference(before, now []Port) []Change {
	has := func(list []Port, p Port) bool {
		return slices.ContainsFunc(list, func(q Port) bool {
			return q.Device == p.Device && q.numbered() == p.numbered() && q.USBPath == p.USBPath
		})
	}
	var changes []Change
	for _, p := range before {
		if !has(now, p) {
			changes = append(changes, Change{p, false})
		}
	}
	for _, p := range now {
		if !has(before, p) {
			changes = append(changes, Change{p, true})
		}
	}
	return changes
}
