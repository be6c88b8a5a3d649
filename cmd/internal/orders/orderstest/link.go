package orderstest

import (
	"io"
	"net"
	"sync"
	"testing"
)

// Link passes connections on until it is cut: then nothing goes through, and
// nobody is told, as on a line that is dug up.
type Link struct {
	listener net.Listener
	target   string
	tasks    sync.WaitGroup

	mu    sync.Mutex
	cut   bool
	conns map[net.Conn]bool
}

// NewLink makes a link to an address. It ends with the test.
func NewLink(t testing.TB, target string) *Link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &Link{listener: l, target: target, conns: map[net.Conn]bool{}}
	c.tasks.Go(c.accept)
	t.Cleanup(func() {
		l.Close()
		c.Cut(true)
		c.tasks.Wait()
	})
	return c
}

// Address is its near end.
func (c *Link) Address() string { return c.listener.Addr().String() }

func (c *Link) accept() {
	for {
		near, err := c.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", c.target)
		if err != nil || !c.keep(near, far) {
			near.Close()
			continue
		}
		c.tasks.Go(func() { io.Copy(far, near); far.Close(); near.Close() })
		c.tasks.Go(func() { io.Copy(near, far); far.Close(); near.Close() })
	}
}

func (c *Link) keep(conns ...net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut {
		for _, conn := range conns {
			conn.Close()
		}
		return false
	}
	for _, conn := range conns {
		c.conns[conn] = true
	}
	return true
}

// Cut cuts the link, or mends it.
func (c *Link) Cut(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
	for conn := range c.conns {
		if cut {
			conn.Close()
		}
	}
	if cut {
		clear(c.conns)
	}
}
