package reach

import (
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"linehand/fixtures/rig"
)

// TestServesLater: a unit that takes its address and serves while one waits,
// seen from the bench's own address in that subnet although the routes prefer
// another.
func TestServesLater(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := newHost(t, "b0")
	ip(t, "addr add 198.51.100.9/24 dev b0")
	ip(t, "addr add 192.0.2.9/24 dev b0")
	ip(t, "route replace 192.0.2.0/24 dev b0 src 198.51.100.9")
	unit.ip("route add 198.51.100.0/24 dev u0")
	ip(t, "addr add 2001:db8::9/64 dev b0 nodad")
	waiting := make(chan struct{})
	var from atomic.Value
	go func() {
		<-waiting
		unit.ip("addr add 192.0.2.21/24 dev u0")
		unit.ip("addr add 2001:db8::21/64 dev u0 nodad")
		serve(t, unit.listen("192.0.2.21:443"), 200)
		l := unit.listen("[2001:db8::21]:2200")
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			from.Store(conn.RemoteAddr().(*net.TCPAddr).IP.String())
			conn.Close()
		}
	}()
	v4, v6 := addr("192.0.2.21"), addr("2001:db8::21")
	looks := []Look{{Address: v4, By: ICMP}, {Address: v6, By: ICMP}, {Address: v4, By: HTTPS}, {Address: v6, By: TCP, Port: 2200}}
	tries := 0
	seen := Watch(t.Context(), looks, Options{Within: time.Minute, First: 100 * time.Millisecond, Most: 200 * time.Millisecond, Try: time.Second, Tell: func(s Seen) {
		if tries++; tries == 1 && s.State == Waiting {
			close(waiting)
		}
	}})
	for i, want := range []Method{ICMP, ICMP, HTTPS, TCP} {
		s := seen[i]
		// A machine that is slow may miss an echo and have TCP answer.
		if s.State != Answers || s.Method != want && !(want == ICMP && s.Method == TCP) || s.From.Interface != "b0" || !s.From.InSubnet || s.Look != looks[i] {
			t.Errorf("%+v", s)
		}
	}
	if tries <= len(looks) {
		t.Errorf("told %d times: nobody was told of the waiting", tries)
	}
	if got := seen[2].From.String(); got != "b0 192.0.2.9/24" {
		t.Errorf("looked from %s", got)
	}
	if got := from.Load(); got != "2001:db8::9" {
		t.Errorf("the unit was asked from %v", got)
	}
}

// TestLooksFromItsSubnet: the unit sees the bench's address in its own
// subnet, whatever the routes prefer.
func TestLooksFromItsSubnet(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := newHost(t, "b0")
	ip(t, "addr add 198.51.100.9/24 dev b0")
	ip(t, "addr add 192.0.2.9/24 dev b0")
	ip(t, "route replace 192.0.2.0/24 dev b0 src 198.51.100.9")
	unit.ip("addr add 192.0.2.21/24 dev u0")
	unit.ip("route add 198.51.100.0/24 dev u0")
	l := unit.listen("192.0.2.21:443")
	from := make(chan string, 1)
	go func() {
		if conn, err := l.Accept(); err == nil {
			from <- conn.RemoteAddr().(*net.TCPAddr).IP.String()
			conn.Close()
		}
	}()
	if seen := Watch(t.Context(), []Look{{Address: addr("192.0.2.21"), By: TCP, Port: 443}}, patient)[0]; seen.State != Answers {
		t.Errorf("%+v", seen)
	}
	if got := <-from; got != "192.0.2.9" {
		t.Errorf("the unit was asked from %s", got)
	}
}

func TestBenchElsewhere(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := quay(t)
	unit.ip("addr add 198.51.100.7/32 dev lo")
	look := []Look{{Address: addr("198.51.100.7"), By: ICMP}}
	seen := Watch(t.Context(), look, soon)[0]
	if seen.State != NotLooked || !strings.Contains(seen.Detail, "give the bench an address there") {
		t.Errorf("without a route: %+v", seen)
	}
	ip(t, "route add 198.51.100.0/24 via 192.0.2.21")
	seen = Watch(t.Context(), look, patient)[0]
	if seen.State != Answers || seen.From.InSubnet || seen.From.Interface != "b0" || !strings.Contains(seen.Detail, "not in the subnet of 198.51.100.7") {
		t.Errorf("through a router: %+v", seen)
	}
}

// TestEchoWithoutRights: the echo that needs no rights, where the system has
// it; and a unit that drops every echo, but refuses a connection.
func TestEchoWithoutRights(t *testing.T) {
	if os.Getenv(aloneKey) != "without raw sockets" {
		if !alone(t) {
			return
		}
		unit := quay(t)
		var err error
		unit.do(func() { err = os.WriteFile("/proc/sys/net/ipv4/icmp_echo_ignore_all", []byte("1"), 0) })
		if err != nil {
			t.Skip("this container may not silence an echo")
		}
		if err := os.WriteFile("/proc/sys/net/ipv4/ping_group_range", []byte("0 2147483647"), 0); err != nil {
			t.Skip("this container may not allow an echo")
		}
	}
	if !withoutRaw(t) {
		return
	}
	seen := Watch(t.Context(), []Look{{Address: addr("192.0.2.21"), By: ICMP}, {Address: addr("2001:db8::21"), By: ICMP}}, Options{Within: 30 * time.Second, Try: 4 * time.Second})
	if seen[0].State != Answers || seen[0].Method != TCP || !strings.Contains(seen[0].Detail, "no answer to an ICMP echo") {
		t.Errorf("without echo: %+v", seen[0])
	}
	if seen[1].State != Answers || seen[1].Method != ICMP {
		t.Errorf("with echo: %+v", seen[1])
	}
}

func TestHostKeySeen(t *testing.T) {
	server := rig.StartOpenSSH(t, rig.OpenSSHOptions{Settings: "HostKeyAlgorithms ssh-ed25519"})
	tcp, err := net.ResolveTCPAddr("tcp", server.Address())
	if err != nil {
		t.Fatal(err)
	}
	seen := Watch(t.Context(), []Look{{Address: tcp.AddrPort().Addr(), By: SSH, Port: tcp.Port}}, patient)[0]
	if seen.State != Answers || seen.Fingerprint != server.Fingerprint(t, "ed25519") || !strings.HasPrefix(seen.Detail, "SSH-2.0-OpenSSH_") {
		t.Errorf("%+v", seen)
	}
	if log := server.Log(t); strings.Contains(log, "Accepted") || strings.Contains(log, "Failed") {
		t.Errorf("a look has tried to sign in:\n%s", log)
	}
}
