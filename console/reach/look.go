package reach

import (
	"bufio"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/crypto/ssh"
)

// lookOnce looks one time. State is Answers, Silent (asked, no or no good
// answer) or NotLooked (could not ask).
func lookOnce(ctx context.Context, look Look) Seen {
	if !look.Address.IsValid() {
		return Seen{State: NotLooked, Detail: "no address is planned"}
	}
	look.Address = look.Address.Unmap()
	from, err := sourceFor(look.Address)
	if err != nil {
		return Seen{State: NotLooked, Detail: err.Error()}
	}
	var seen Seen
	switch look.By {
	case ICMP:
		seen = lookICMP(ctx, look, from)
	case TCP:
		seen = lookTCP(ctx, look, from)
	case HTTPS:
		seen = lookHTTPS(ctx, look, from)
	case SSH:
		seen = lookSSH(ctx, look, from)
	default:
		seen = Seen{State: NotLooked, Detail: fmt.Sprintf("there is no look by %q; there are icmp, tcp, https and ssh", look.By)}
	}
	seen.From = from
	seen.Detail += from.about(look.Address)
	return seen
}

// alive are the ports tried where an echo is not allowed or not answered: of
// the services that equipment has most often (common practice, no source).
var alive = []int{443, 22, 80}

// lookICMP sends an echo, and where that leads nowhere asks by TCP: a
// connection that is refused proves as well as one that is accepted that the
// address is there.
func lookICMP(ctx context.Context, look Look, from Source) Seen {
	if look.Address.IsLoopback() && look.Port != 0 {
		return lookTCP(ctx, look, from) // the bench itself answers every echo
	}
	half, cancel := halfOf(ctx)
	defer cancel()
	answer, err := echo(half, look.Address, from)
	if err == nil {
		return Seen{State: Answers, Method: ICMP, Detail: answer}
	}
	ports := alive
	if look.Port != 0 {
		ports = []int{look.Port}
	}
	seen := anyPort(ctx, look.Address, ports, from)
	if seen.State == Answers {
		seen.Detail += "; " + err.Error()
	} else {
		seen.Detail = err.Error() + "; " + seen.Detail
	}
	return seen
}

// halfOf leaves half of the time that ctx has for what comes after.
func halfOf(ctx context.Context) (context.Context, context.CancelFunc) {
	if deadline, ok := ctx.Deadline(); ok {
		return context.WithTimeout(ctx, time.Until(deadline)/2)
	}
	return context.WithCancel(ctx)
}

// anyPort connects to several ports at once; one answer is enough.
func anyPort(ctx context.Context, addr netip.Addr, ports []int, from Source) Seen {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	found := make(chan Seen, len(ports))
	for _, port := range ports {
		go func() {
			conn, err := connect(ctx, addr, port, from)
			switch {
			case err == nil:
				conn.Close()
				found <- Seen{State: Answers, Method: TCP, Detail: fmt.Sprintf("port %d accepts", port)}
			case refused(err):
				found <- Seen{State: Answers, Method: TCP, Detail: fmt.Sprintf("port %d refuses, so the address is there", port)}
			default:
				found <- Seen{State: Silent, Method: TCP, Detail: fmt.Sprintf("port %d: %s", port, plain(err)), absent: unreachable(err)}
			}
		}()
	}
	var result Seen
	for range ports { // all of them, so that none outlives the look
		if s := <-found; result.State != Answers {
			result = s
			if s.State == Answers {
				cancel()
			}
		}
	}
	return result
}

func lookTCP(ctx context.Context, look Look, from Source) Seen {
	if look.Port == 0 {
		return Seen{State: NotLooked, Detail: "a look by TCP needs a port"}
	}
	conn, err := connect(ctx, look.Address, look.Port, from)
	if err != nil {
		return notServed(TCP, look.Port, err)
	}
	conn.Close()
	return Seen{State: Answers, Method: TCP, Detail: fmt.Sprintf("port %d accepts", look.Port)}
}

// notServed is a port that does not serve, yet.
func notServed(by Method, port int, err error) Seen {
	if refused(err) {
		return Seen{State: Silent, Method: by, Detail: fmt.Sprintf("the address is there, but nothing serves on port %d yet", port)}
	}
	return Seen{State: Silent, Method: by, Detail: fmt.Sprintf("port %d: %s", port, plain(err))}
}

// lookHTTPS fetches the first page and keeps the certificate's fingerprint.
// Nothing is sent but the request for the page, so that nothing is at stake
// in not trusting the certificate.
func lookHTTPS(ctx context.Context, look Look, from Source) Seen {
	port := orPort(look.Port, 443)
	conn, err := connect(ctx, look.Address, port, from)
	if err != nil {
		return notServed(HTTPS, port, err)
	}
	defer conn.Close()
	secured := tls.Client(conn, anyTLS())
	if err := secured.HandshakeContext(ctx); err != nil {
		return Seen{State: Silent, Method: HTTPS, Detail: fmt.Sprintf("port %d accepts, but does not speak TLS: %s", port, plain(err))}
	}
	leaf := secured.ConnectionState().PeerCertificates[0]
	seen := Seen{State: Answers, Method: HTTPS, Fingerprint: CertificateFingerprint(leaf.Raw)}
	status, code, err := firstPage(ctx, secured, look.Address, port)
	switch {
	case err != nil:
		seen.Detail = fmt.Sprintf("%s; the page itself: %s", describe(leaf), plain(err))
	case code == http.StatusServiceUnavailable: // "currently unable to handle the request", RFC 9110 section 15.6.4
		seen.State, seen.Detail = Silent, "the page says that it is not ready yet: "+status
	default:
		seen.Detail = fmt.Sprintf("the page answers %s; %s", status, describe(leaf))
	}
	return seen
}

// anyTLS takes whatever the unit speaks: equipment out of the crate may be
// old, and only its certificate is wanted.
func anyTLS() *tls.Config {
	c := &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10}
	for _, suite := range append(tls.CipherSuites(), tls.InsecureCipherSuites()...) {
		c.CipherSuites = append(c.CipherSuites, suite.ID)
	}
	return c
}

// firstPage asks an open connection for "/". It follows no redirection.
func firstPage(ctx context.Context, conn net.Conn, addr netip.Addr, port int) (status string, code int, err error) {
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	host := netip.AddrPortFrom(addr.WithZone(""), uint16(port)).String()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://"+host+"/", nil)
	if err != nil {
		return "", 0, err
	}
	request.Close = true
	request.Header.Set("User-Agent", "linehand")
	if err := request.Write(conn); err != nil {
		return "", 0, err
	}
	response, err := http.ReadResponse(bufio.NewReader(io.LimitReader(conn, 64<<10)), request)
	if err != nil {
		return "", 0, err
	}
	response.Body.Close()
	return printable(response.Status), response.StatusCode, nil
}

// CertificateFingerprint is the SHA-256 digest of a certificate's DER form,
// as "SHA256:" and pairs of hexadecimal digits with colons.
func CertificateFingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return "SHA256:" + strings.Join(pairs, ":")
}

// describe tells people whose certificate it is.
func describe(leaf *x509.Certificate) string {
	name := printable(leaf.Subject.CommonName)
	if name == "" {
		name = "no name"
	}
	kind := "signed by " + printable(leaf.Issuer.CommonName)
	if leaf.CheckSignatureFrom(leaf) == nil || leaf.Issuer.String() == leaf.Subject.String() {
		kind = "signed by itself"
	}
	return fmt.Sprintf("certificate of %s, %s, valid until %s", name, kind, leaf.NotAfter.UTC().Format(time.DateOnly))
}

// errSeen ends a key exchange once the key was shown.
var errSeen = errors.New("the key was seen")

// lookSSH reads the server's own name (RFC 4253 section 4.2) and has it show
// its host key. It leaves before signing in. A server has several keys, and
// shows the one that is agreed on: where another is known, it is asked for
// each kind.
func lookSSH(ctx context.Context, look Look, from Source) Seen {
	all := slices.Concat(ssh.SupportedAlgorithms().HostKeys, ssh.InsecureAlgorithms().HostKeys)
	seen := showHostKey(ctx, look, from, all)
	if look.Known == "" || seen.Fingerprint == "" || seen.Fingerprint == look.Known {
		return seen
	}
	for _, kind := range all {
		if again := showHostKey(ctx, look, from, []string{kind}); again.Fingerprint == look.Known {
			return again
		}
	}
	return seen
}

// showHostKey has a server show a host key of one of these kinds.
func showHostKey(ctx context.Context, look Look, from Source, kinds []string) Seen {
	port := orPort(look.Port, 22)
	conn, err := connect(ctx, look.Address, port, from)
	if err != nil {
		return notServed(SSH, port, err)
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	seen := Seen{State: Answers, Method: SSH}
	listened := &overheard{Conn: conn}
	old := ssh.InsecureAlgorithms()
	new := ssh.SupportedAlgorithms()
	_, _, _, err = ssh.NewClientConn(listened, conn.RemoteAddr().String(), &ssh.ClientConfig{
		Config: ssh.Config{
			KeyExchanges: append(new.KeyExchanges, old.KeyExchanges...),
			Ciphers:      append(new.Ciphers, old.Ciphers...),
			MACs:         append(new.MACs, old.MACs...),
		},
		HostKeyAlgorithms: kinds,
		HostKeyCallback: func(_ string, _ net.Addr, key ssh.PublicKey) error {
			seen.Fingerprint = ssh.FingerprintSHA256(key)
			return errSeen
		},
	})
	banner := listened.banner()
	switch {
	case banner == "":
		return Seen{State: Silent, Method: SSH, Detail: fmt.Sprintf("port %d accepts, but no SSH server names itself: %s", port, plain(err))}
	case seen.Fingerprint == "":
		seen.Detail = fmt.Sprintf("%s; its host key was not seen: %s", banner, plain(err))
	default:
		seen.Detail = banner
	}
	return seen
}

// overheard keeps the first bytes that come.
type overheard struct {
	net.Conn
	first []byte
}

func (c *overheard) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if room := 1024 - len(c.first); room > 0 {
		c.first = append(c.first, p[:min(n, room)]...)
	}
	return n, err
}

// banner is the server's identification string. Other lines may come first.
func (c *overheard) banner() string {
	for line := range strings.Lines(string(c.first)) {
		if strings.HasPrefix(line, "SSH-") {
			return printable(strings.TrimRight(line, "\r\n"))
		}
	}
	return ""
}

// connect opens a TCP connection from the bench's address in that subnet.
func connect(ctx context.Context, addr netip.Addr, port int, from Source) (net.Conn, error) {
	d := net.Dialer{}
	if local := from.local(); local.IsValid() {
		d.LocalAddr = net.TCPAddrFromAddrPort(netip.AddrPortFrom(local, 0))
	}
	conn, err := d.DialContext(ctx, "tcp", net.JoinHostPort(addr.String(), strconv.Itoa(port)))
	if err != nil {
		return nil, err
	}
	if conn.LocalAddr().String() == conn.RemoteAddr().String() {
		// A system may connect a free local port to itself.
		conn.Close()
		return nil, syscall.ECONNREFUSED
	}
	return conn, nil
}

func orPort(port, otherwise int) int {
	if port == 0 {
		return otherwise
	}
	return port
}

func refused(err error) bool {
	return errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, errRefusedHere)
}

// plain is an error without what people need not read: addresses that the
// look names anyway, and the layers of the library.
func plain(err error) string {
	var timeout interface{ Timeout() bool }
	switch {
	case errors.Is(err, context.Canceled):
		return "stopped"
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return "no answer in time"
	case unreachable(err):
		return "the network says that nobody is there (host unreachable)"
	}
	var op *net.OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	return printable(err.Error())
}

func unreachable(err error) bool {
	return errors.Is(err, syscall.EHOSTUNREACH) || errors.Is(err, errUnreachableHere)
}

// printable is text from the network without anything that a terminal would
// act on, and not too long.
func printable(text string) string {
	text = harmless(text)
	if runes := []rune(text); len(runes) > 200 {
		return string(runes[:200]) + "…"
	}
	return text
}

// harmless has a question mark for each control character.
func harmless(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0xfffd {
			return '?'
		}
		return r
	}, text)
}
