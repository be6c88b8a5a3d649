package reach

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/leodido/go-syslog/v4"
	"github.com/leodido/go-syslog/v4/rfc3164"
	"github.com/leodido/go-syslog/v4/rfc5424"
)

// LogMessage is a syslog message as it came.
type LogMessage struct {
	At       time.Time // when it arrived here
	From     netip.Addr
	Network  string // "udp" or "tcp"
	Format   string // "RFC 5424", "RFC 3164", or "unknown": Text is then all of it
	Facility int    // 0 to 23; -1: not told
	Severity int    // 0 (emergency) to 7 (debug); -1: not told
	Stamp    time.Time
	Host     string // as the sender calls itself
	App      string
	Text     string
}

// LogOptions say where a LogWatch listens. Empty addresses take the
// defaults; "-" is none.
type LogOptions struct {
	UDP string // ":514" (RFC 5426)
	TCP string // ":601" (RFC 6587 names none; 601 is syslog-conn at IANA)
}

// most is how many messages are kept for Wait: what a unit says in a burst.
const most = 1000

// most TCP connections at a time, and most bytes of a message (RFC 5424
// section 6.1 asks for 2,048).
const (
	mostConnections = 64
	longestMessage  = 8192
)

// LogWatch stands in for a site's log target while a unit is tried: it
// listens for syslog messages (RFC 5424 and RFC 3164) over UDP and TCP,
// there with octet counting or a line feed after each (RFC 6587). It must be
// closed.
type LogWatch struct {
	udp  net.PacketConn // nil: none
	tcp  net.Listener   // nil: none
	all  sync.WaitGroup
	done chan struct{}

	mu    sync.Mutex
	heard []LogMessage
	more  chan struct{} // closed and replaced when a message comes
	conns map[net.Conn]bool
}

// ListenForLog begins to listen.
func ListenForLog(o LogOptions) (*LogWatch, error) {
	w := &LogWatch{done: make(chan struct{}), more: make(chan struct{}), conns: map[net.Conn]bool{}}
	var err error
	if address := orText(o.UDP, ":514"); address != "-" {
		if w.udp, err = net.ListenPacket("udp", address); err != nil {
			return nil, listenError("udp", address, err)
		}
		w.all.Go(w.readUDP)
	}
	if address := orText(o.TCP, ":601"); address != "-" {
		if w.tcp, err = net.Listen("tcp", address); err != nil {
			w.Close()
			return nil, listenError("tcp", address, err)
		}
		w.all.Go(w.accept)
	}
	return w, nil
}

func listenError(network, address string, err error) error {
	switch {
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("listening for log messages at %s %s: a port under 1024 needs root; choose a higher one in the plan of the log target, or run this as root: %w", network, address, err)
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("listening for log messages at %s %s: another program listens there already: %w", network, address, err)
	}
	return fmt.Errorf("listening for log messages at %s %s: %w", network, address, err)
}

// Addresses are where it listens; invalid: not there.
func (w *LogWatch) Addresses() (udp, tcp netip.AddrPort) {
	if w.udp != nil {
		udp = w.udp.LocalAddr().(*net.UDPAddr).AddrPort()
	}
	if w.tcp != nil {
		tcp = w.tcp.Addr().(*net.TCPAddr).AddrPort()
	}
	return udp, tcp
}

// Wait waits for a message from the address that holds the text ("" : any),
// among those that came since ListenForLog and those to come. ok is false
// when within has passed or ctx has ended first; then others says who else
// sent, for a unit may send from another of its addresses.
func (w *LogWatch) Wait(ctx context.Context, from netip.Addr, text string, within time.Duration) (got LogMessage, others []netip.Addr, ok bool) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for next := 0; ; {
		w.mu.Lock()
		fresh, more := w.heard[next:], w.more
		w.mu.Unlock()
		for _, m := range fresh {
			if m.From == from.Unmap() && strings.Contains(m.Text, text) {
				return m, nil, true
			}
		}
		next += len(fresh)
		select {
		case <-more:
		case <-ctx.Done():
			return LogMessage{}, w.othersThan(from.Unmap()), false
		case <-w.done:
			return LogMessage{}, w.othersThan(from.Unmap()), false
		}
	}
}

// Messages are all that came so far, the first thousand.
func (w *LogWatch) Messages() []LogMessage {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.heard[:len(w.heard):len(w.heard)]
}

func (w *LogWatch) othersThan(from netip.Addr) []netip.Addr {
	var others []netip.Addr
	seen := map[netip.Addr]bool{from: true}
	for _, m := range w.Messages() {
		if !seen[m.From] {
			seen[m.From] = true
			others = append(others, m.From)
		}
	}
	return others
}

// Close stops listening and waits for its goroutines.
func (w *LogWatch) Close() error {
	w.mu.Lock()
	select {
	case <-w.done:
	default:
		close(w.done)
	}
	for conn := range w.conns {
		conn.Close()
	}
	w.mu.Unlock()
	if w.udp != nil {
		w.udp.Close()
	}
	if w.tcp != nil {
		w.tcp.Close()
	}
	w.all.Wait()
	return nil
}

func (w *LogWatch) closed() bool {
	select {
	case <-w.done:
		return true
	default:
		return false
	}
}

func (w *LogWatch) readUDP() {
	buf := make([]byte, 64<<10)
	for {
		n, from, err := w.udp.ReadFrom(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue // such as an ICMP message about an answer of somebody else's
		}
		w.add(from.(*net.UDPAddr).AddrPort().Addr(), "udp", buf[:min(n, longestMessage)])
	}
}

func (w *LogWatch) accept() {
	for {
		conn, err := w.tcp.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !w.pause() {
				return
			}
			continue // such as too many open files
		}
		if !w.keep(conn) {
			conn.Close()
			continue
		}
		w.all.Go(func() {
			defer w.drop(conn)
			w.readTCP(conn)
		})
	}
}

// pause keeps a failing Accept from spinning.
func (w *LogWatch) pause() bool {
	select {
	case <-w.done:
		return false
	case <-time.After(100 * time.Millisecond):
		return true
	}
}

func (w *LogWatch) keep(conn net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed() || len(w.conns) >= mostConnections {
		return false
	}
	w.conns[conn] = true
	return true
}

func (w *LogWatch) drop(conn net.Conn) {
	w.mu.Lock()
	delete(w.conns, conn)
	w.mu.Unlock()
	conn.Close()
}

func (w *LogWatch) readTCP(conn net.Conn) {
	from := conn.RemoteAddr().(*net.TCPAddr).AddrPort().Addr()
	r := bufio.NewReaderSize(conn, longestMessage)
	for {
		message, err := nextMessage(r)
		if len(message) > 0 {
			w.add(from, "tcp", message)
		}
		if err != nil {
			return
		}
	}
}

// nextMessage reads one message of a stream: one that begins with a digit
// is counted, any other goes to the next line feed (RFC 6587 section 3.4). A
// sender may change from one to the other.
func nextMessage(r *bufio.Reader) ([]byte, error) {
	first, err := r.Peek(1)
	if err != nil {
		return nil, err
	}
	if first[0] < '1' || first[0] > '9' {
		line, err := r.ReadSlice('\n')
		return line, err // one that is longer than the buffer ends the stream
	}
	count, err := r.ReadSlice(' ')
	if err != nil {
		return nil, err
	}
	n, err := strconv.Atoi(string(count[:len(count)-1]))
	if err != nil || n > longestMessage {
		return nil, fmt.Errorf("a message of %q bytes", count)
	}
	message := make([]byte, n)
	_, err = io.ReadFull(r, message)
	if err != nil {
		return nil, err
	}
	return message, nil
}

func (w *LogWatch) add(from netip.Addr, network string, raw []byte) {
	m := ParseLog(raw, time.Now())
	m.From, m.Network = from.Unmap(), network
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.heard) >= most {
		return
	}
	w.heard = append(w.heard, m)
	close(w.more)
	w.more = make(chan struct{})
}

// ParseLog reads a syslog message that came at a time. It takes what it can:
// a log target that answers "unknown format" has still been reached.
func ParseLog(raw []byte, at time.Time) LogMessage {
	raw = []byte(strings.TrimRight(string(raw), "\r\n\x00"))
	m := LogMessage{At: at, Format: "unknown", Facility: -1, Severity: -1}
	// Of a message that is cut short the parsers may give neither a result nor
	// an error.
	parsed, err := rfc5424.NewParser().Parse(raw)
	if full, ok := parsed.(*rfc5424.SyslogMessage); err == nil && ok && full != nil && full.Valid() {
		m.Format = "RFC 5424"
		m.take(full.Base)
		return m
	}
	// RFC 3164 stamps have no year and no zone.
	old := rfc3164.NewParser(rfc3164.WithYear(rfc3164.Year{YYYY: at.Year()}), rfc3164.WithLocaleTimezone(at.Location()), rfc3164.WithRFC3339())
	parsed, err = old.Parse(raw)
	if full, ok := parsed.(*rfc3164.SyslogMessage); err == nil && ok && full != nil && full.Valid() {
		m.Format = "RFC 3164"
		m.take(full.Base)
		m.Stamp = nearest(m.Stamp, at)
		return m
	}
	m.Text = harmless(string(raw))
	return m
}

// nearest puts a stamp without a year into the one that brings it nearest:
// around New Year that need not be the current one.
func nearest(stamp, at time.Time) time.Time {
	switch {
	case stamp.IsZero():
		return stamp
	case stamp.After(at.AddDate(0, 6, 0)):
		return stamp.AddDate(-1, 0, 0)
	case stamp.Before(at.AddDate(0, -6, 0)):
		return stamp.AddDate(1, 0, 0)
	}
	return stamp
}

func (m *LogMessage) take(b syslog.Base) {
	if b.Facility != nil && b.Severity != nil {
		m.Facility, m.Severity = int(*b.Facility), int(*b.Severity)
	}
	if b.Timestamp != nil {
		m.Stamp = *b.Timestamp
	}
	for _, f := range []struct {
		to   *string
		from *string
	}{{&m.Host, b.Hostname}, {&m.App, b.Appname}, {&m.Text, b.Message}} {
		if f.from != nil {
			*f.to = harmless(strings.TrimPrefix(*f.from, "\ufeff")) // the mark of RFC 5424's MSG-UTF8
		}
	}
}

func orText(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}
