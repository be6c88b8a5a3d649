package ports

import (
	"bytes"
	"context"
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// kernelGroup is the multicast group on which the kernel itself tells of
// devices; udev tells on another one, later.
const kernelGroup = 1

// events holds a token whenever the kernel has told of a terminal that came
// or went (netlink(7), NETLINK_KOBJECT_UEVENT). Nil where it cannot be heard,
// as in some containers. It ends with ctx.
func events(ctx context.Context) <-chan struct{} {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		return nil
	}
	if err := unix.Bind(fd, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: kernelGroup}); err != nil {
		unix.Close(fd)
		return nil
	}
	socket := os.NewFile(uintptr(fd), "uevents")
	told := make(chan struct{}, 1)
	stop := context.AfterFunc(ctx, func() { socket.Close() })
	go func() {
		defer stop()
		defer socket.Close()
		buf := make([]byte, 16<<10)
		for {
			n, err := socket.Read(buf)
			missed := errors.Is(err, unix.ENOBUFS) // too much came at once
			if err != nil && !missed {
				return
			}
			if !missed && !isTerminal(buf[:n]) {
				continue
			}
			select {
			case told <- struct{}{}:
			default:
			}
		}
	}()
	return told
}

const terminal = "SUBSYSTEM=tty"

// isTerminal tells whether a message is about a terminal. It holds a line
// ACTION@PATH and then KEY=VALUE, each ended by a zero byte.
func isTerminal(message []byte) bool {
	for field := range bytes.SplitSeq(message, []byte{0}) {
		if string(field) == terminal {
			return true
		}
	}
	return false
}
