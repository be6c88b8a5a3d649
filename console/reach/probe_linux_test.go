package reach

import (
	"bytes"
	"context"
	"encoding/hex"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/mdlayher/packet"
)

// brisk are the waits of a probe in a test; their defaults are checked apart.
var brisk = ProbeOptions{Spread: -1, Between: 20 * time.Millisecond, Listen: time.Second}

// quay is the bench on b0 and a unit on the same link, each with an address
// of either kind.
func quay(t *testing.T) *host {
	unit := newHost(t, "b0")
	ip(t, "addr add 192.0.2.9/24 dev b0")
	ip(t, "addr add 2001:db8::9/64 dev b0 nodad")
	unit.ip("addr add 192.0.2.21/24 dev u0")
	unit.ip("addr add 2001:db8::21/64 dev u0 nodad")
	return unit
}

func TestProbeOnLink(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := quay(t)
	hw := unit.hardware().String()
	for _, test := range []struct {
		address, state string
		by             Method
		says           string
	}{
		{"192.0.2.21", InUse, ARP, hw},
		{"192.0.2.22", Free, ARP, "3 probes on b0"},
		{"2001:db8::21", InUse, ND, hw},
		{"2001:db8::22", Free, ND, "3 probes on b0"},
		{"::ffff:192.0.2.21", InUse, ARP, hw},
		{"192.0.2.9", InUse, "", "the bench itself"},
		{"224.0.0.1", CannotTell, "", "no address that a unit can have"},
		{"198.51.100.7", CannotTell, "", "no route"},
	} {
		seen := Probe(context.Background(), addr(test.address), brisk)
		if seen.State != test.state || seen.Method != test.by || !strings.Contains(seen.Detail, test.says) {
			t.Errorf("%s: %s by %q (%s), want %s by %q (%s)", test.address, seen.State, seen.Method, seen.Detail, test.state, test.by, test.says)
		}
		if test.by != "" && (seen.From.Interface != "b0" || !seen.From.InSubnet) {
			t.Errorf("%s: asked from %+v", test.address, seen.From)
		}
	}
	// A probe must teach nobody anything (RFC 5227 section 1.1).
	unit.do(func() {
		if out, _ := exec.Command("ip", "neigh", "show").Output(); strings.Contains(string(out), "192.0.2.9") {
			t.Errorf("the unit has learnt from a probe: %s", out)
		}
	})
}

// TestProbeOnTheWire holds the frames against RFC 5227 section 2.1.1 and RFC
// 4862 section 5.4.2, byte by byte.
func TestProbeOnTheWire(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := quay(t)
	b0, err := net.InterfaceByName("b0")
	if err != nil {
		t.Fatal(err)
	}
	hw := hex.EncodeToString(b0.HardwareAddr)
	for _, test := range []struct {
		address   string
		ether     int
		mine      string // how a frame of ours begins
		want      string
		checksums bool
	}{
		{"192.0.2.22", etherARP, "ffffffffffff" + hw + "0806", "0001" + "0800" + "06" + "04" + "0001" + hw + "00000000" + "000000000000" + "c0000216", false},
		{"2001:db8::abcd:1234", etherIPv6, "3333ffcd1234" + hw + "86dd",
			"60000000" + "0018" + "3a" + "ff" + // 24 bytes of ICMPv6, hop limit 255
				strings.Repeat("00", 16) + "ff0200000000000000000001ffcd1234" +
				"8700" + "CCCC" + "00000000" + "20010db80000000000000000abcd1234", true},
	} {
		var heard *packet.Conn
		unit.do(func() {
			u0, _ := net.InterfaceByName("u0")
			heard, err = packet.Listen(u0, packet.Raw, test.ether, nil)
		})
		if err != nil {
			t.Fatal(err)
		}
		if seen := Probe(context.Background(), addr(test.address), brisk); seen.State != Free {
			t.Errorf("%s: %s (%s)", test.address, seen.State, seen.Detail)
		}
		frames := drain(heard, test.mine)
		if len(frames) != 3 { // PROBE_NUM
			t.Errorf("%s: %d probes on the wire, want 3", test.address, len(frames))
		}
		for _, frame := range frames {
			got := frame[len(test.mine):min(len(frame), len(test.mine)+len(test.want))]
			if test.checksums { // the system that answers checks it, see TestProbeOnLink
				at := strings.Index(test.want, "CCCC")
				got = got[:at] + "CCCC" + got[at+4:]
			}
			if got != test.want {
				t.Errorf("%s:\n got %s\nwant %s", test.address, got, test.want)
			}
		}
		heard.Close()
	}
}

// drain is the frames that came, in hexadecimal, which begin as said.
func drain(c *packet.Conn, begins string) (frames []string) {
	buf := make([]byte, 2048)
	c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	for {
		n, _, err := c.ReadFrom(buf)
		if err != nil {
			return frames
		}
		if text := hex.EncodeToString(buf[:n]); strings.HasPrefix(text, begins) {
			frames = append(frames, text)
		}
	}
}

// TestProbesMeet: two benches that are about to give out the same address
// notice each other (RFC 5227 section 2.1.1, RFC 4862 section 5.4.3).
func TestProbesMeet(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := quay(t)
	for _, address := range []string{"192.0.2.30", "2001:db8::30"} {
		ask := arpQuestion
		if addr(address).Is6() {
			ask = ndQuestion
		}
		var conn *packet.Conn
		var q question
		unit.do(func() {
			u0, err := net.InterfaceByName("u0")
			if err == nil {
				q, err = ask(u0, addr(address))
			}
			if err == nil {
				conn, err = packet.Listen(u0, packet.Datagram, q.ether, nil)
			}
			if err != nil {
				t.Error(err)
			}
		})
		ctx, cancel := context.WithCancel(context.Background())
		other := make(chan struct{})
		go func() {
			defer close(other)
			for wait(ctx, 20*time.Millisecond) {
				conn.WriteTo(q.frame, &packet.Addr{HardwareAddr: q.to})
			}
		}()
		seen := Probe(context.Background(), addr(address), brisk)
		if seen.State != InUse || !strings.Contains(seen.Detail, "probing for it") {
			t.Errorf("%s: %s (%s)", address, seen.State, seen.Detail)
		}
		cancel()
		<-other
		conn.Close()
	}
}

func TestProbeOffLink(t *testing.T) {
	if !alone(t) {
		return
	}
	unit := quay(t)
	unit.ip("addr add 198.51.100.7/32 dev lo")
	unit.ip("route add blackhole 198.51.100.8/32")
	ip(t, "route add 198.51.100.0/24 via 192.0.2.21")
	o := brisk
	o.Listen = 2 * time.Second
	seen := Probe(context.Background(), addr("198.51.100.7"), o)
	if seen.State != InUse || seen.Method != ICMP || !strings.Contains(seen.Detail, "not in the subnet") {
		t.Errorf("a routed address: %s by %s (%s)", seen.State, seen.Method, seen.Detail)
	}
	seen = Probe(context.Background(), addr("198.51.100.9"), o)
	if seen.State != CannotTell || !strings.Contains(seen.Detail, "the bench is not in its subnet") {
		t.Errorf("a silent one: %s by %s (%s)", seen.State, seen.Method, seen.Detail)
	}
}

// TestWithoutRawSockets: what is left is the echo that needs no rights, and
// where that is closed too, TCP.
func TestWithoutRawSockets(t *testing.T) {
	if os.Getenv(aloneKey) != "without raw sockets" {
		if !alone(t) {
			return
		}
		quay(t)
		for path, text := range map[string]string{
			"/proc/sys/net/ipv4/ping_group_range":         "1 0", // nobody
			"/proc/sys/net/ipv4/neigh/b0/retrans_time_ms": "50",  // how long the system itself asks the link
			"/proc/sys/net/ipv6/neigh/b0/retrans_time_ms": "50",
		} {
			if err := os.WriteFile(path, []byte(text), 0); err != nil {
				t.Skip("this container may not set", path) // the defaults would make the test slow
			}
		}
	}
	if !withoutRaw(t) {
		return
	}
	o := brisk
	o.Listen = 4 * time.Second
	for _, test := range []struct {
		address, state string
		says           string
	}{
		{"192.0.2.21", InUse, "refuses, so the address is there"},
		{"192.0.2.22", Free, "CAP_NET_RAW"},
		{"2001:db8::21", InUse, "refuses, so the address is there"},
		{"2001:db8::22", Free, "CAP_NET_RAW"},
	} {
		seen := Probe(context.Background(), addr(test.address), o)
		if seen.State != test.state || seen.Method != TCP || !strings.Contains(seen.Detail, test.says) {
			t.Errorf("%s: %s by %q (%s), want %s", test.address, seen.State, seen.Method, seen.Detail, test.state)
		}
	}
	seen := Watch(context.Background(), []Look{{Address: addr("192.0.2.21"), By: ICMP}}, Options{Within: 10 * time.Second})[0]
	if seen.State != Answers || seen.Method != TCP || !strings.Contains(seen.Detail, "not allowed to send an ICMP echo") {
		t.Errorf("a look: %s by %s (%s)", seen.State, seen.Method, seen.Detail)
	}
}

// TestAnswers: what counts as an answer, and what does not. The hop limit is
// that of RFC 4861 section 7.1.
func TestAnswers(t *testing.T) {
	mine, theirs := net.HardwareAddr{2, 0, 0, 0, 0, 9}, net.HardwareAddr{2, 0, 0, 0, 0, 1}
	bench := &net.Interface{HardwareAddr: mine}
	four, err := arpQuestion(bench, addr("192.0.2.21"))
	if err != nil {
		t.Fatal(err)
	}
	six, err := ndQuestion(bench, addr("2001:db8::21"))
	if err != nil {
		t.Fatal(err)
	}
	// An advertisement of 2001:db8::21 to all nodes, by hand from RFC 4861
	// section 4.4; the checksum is the receiving system's to check.
	advertisement := "6000000000183aff" + "20010db8000000000000000000000021" + "ff020000000000000000000000000001" +
		"88000000" + "20000000" + "20010db8000000000000000000000021"
	reply := "0001080006040002" + "020000000001" + "c0000215" + "020000000009" + "c0000209"
	for _, test := range []struct {
		name  string
		q     question
		bytes string
		from  net.HardwareAddr
		owner string
	}{
		{"ARP reply", four, reply, theirs, "02:00:00:00:00:01"},
		{"ARP request of the owner", four, strings.Replace(reply, "06040002", "06040001", 1), theirs, "02:00:00:00:00:01"},
		{"ARP reply of another", four, strings.Replace(reply, "c0000215", "c0000216", 1), theirs, ""},
		{"ARP request for it", four, "0001080006040001" + "020000000001" + "c0000209" + "000000000000" + "c0000215", theirs, ""},
		{"our own ARP probe", four, hex.EncodeToString(four.frame), mine, ""},
		{"ARP cut short", four, reply[:20], theirs, ""},
		{"advertisement", six, advertisement, theirs, "02:00:00:00:00:01"},
		{"advertisement through a router", six, strings.Replace(advertisement, "3aff", "3afe", 1), theirs, ""},
		{"advertisement of another", six, advertisement[:len(advertisement)-2] + "22", theirs, ""},
		{"our own solicitation", six, hex.EncodeToString(six.frame), mine, ""},
		{"solicitation of somebody who has an address", six, strings.Replace(hex.EncodeToString(six.frame), strings.Repeat("00", 16), "20010db8000000000000000000000001", 1), theirs, ""},
		{"advertisement cut short", six, advertisement[:100], theirs, ""},
	} {
		p, err := hex.DecodeString(test.bytes)
		if err != nil {
			t.Fatal(err)
		}
		if got := test.q.owner(p, test.from); got != test.owner {
			t.Errorf("%s: owner %q, want %q", test.name, got, test.owner)
		}
	}
}

func FuzzNeighbour(f *testing.F) {
	target := addr("2001:db8::21")
	from := net.HardwareAddr{2, 0, 0, 0, 0, 1}
	bench := &net.Interface{HardwareAddr: net.HardwareAddr{2, 0, 0, 0, 0, 9}}
	nd, err := ndQuestion(bench, target)
	if err != nil {
		f.Fatal(err)
	}
	four, err := arpQuestion(bench, addr("192.0.2.21"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(nd.frame)
	f.Add(four.frame)
	f.Fuzz(func(t *testing.T, p []byte) {
		if owner := nd.owner(p, from); owner != "" && !bytes.Contains(p, target.AsSlice()) {
			t.Errorf("%q answers for an address that is not in it", p)
		}
		if owner := four.owner(p, from); owner != "" && !bytes.Contains(p, []byte{192, 0, 2, 21}) {
			t.Errorf("%q answers for an address that is not in it", p)
		}
	})
}
