package network

import (
	"context"
	"fmt"
	"net"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"linehand/console/reach"
	"linehand/script/visit"
	"linehand/transcript"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// host is a planned address whose page is really a server of the test's own.
func host(t *testing.T) (*Network, netip.Addr) {
	page := httptest.NewTLSServer(nil)
	t.Cleanup(page.Close)
	real := netip.MustParseAddrPort(page.Listener.Addr().String())
	planned := netip.MustParseAddr("192.0.2.21")
	return &Network{First: time.Millisecond, Place: func(a netip.AddrPort) netip.AddrPort {
		switch a.Addr() {
		case planned:
			if a.Port() != httpsPort {
				return netip.AddrPortFrom(real.Addr(), a.Port())
			}
			return real
		case netip.MustParseAddr("192.0.2.22"):
			return netip.MustParseAddrPort("127.0.0.1:9") // nobody is there
		}
		return a
	}, Probes: reach.ProbeOptions{Count: 1, Spread: -1, Between: time.Millisecond, Listen: 100 * time.Millisecond}}, planned
}

func TestLooksAtTheRealPlace(t *testing.T) {
	n, a := host(t)
	looks := []visit.Look{
		{Name: "page of deep-1", Address: a, By: "https"},
		{Name: "e1", Address: netip.MustParseAddr("192.0.2.22"), By: "icmp"},
		{Name: "e0 (IPv6)", Address: netip.MustParseAddr("2001:db8::1"), By: "icmp"},
		{Name: "e0", Address: a, By: "icmp"},
	}
	told := 0
	seen := n.Watch(t.Context(), visit.Wait{Looks: looks, Within: 300 * time.Millisecond}, func(s visit.Seen) {
		told++ // no lock: it must come on this goroutine
		if s.Name == "" {
			t.Errorf("told of %+v", s)
		}
	})
	for i, want := range []string{transcript.Answers, transcript.Silent, transcript.Unseen, transcript.Answers} {
		if seen[i].State != want || seen[i].Look != looks[i] {
			t.Errorf("%s is %s (%s), want %s", looks[i].Name, seen[i].State, seen[i].Text, want)
		}
	}
	if !strings.HasPrefix(seen[0].Fingerprint, "SHA256:") || told == 0 {
		t.Errorf("fingerprint %q, told %d times", seen[0].Fingerprint, told)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	n.Watch(ctx, visit.Wait{Looks: looks, Within: time.Hour}, func(visit.Seen) {})
}

func TestProbesTheRealPlace(t *testing.T) {
	n, a := host(t)
	got := n.Probe(t.Context(), []netip.Addr{netip.MustParseAddr("192.0.2.22"), a, netip.MustParseAddr("2001:db8::1")})
	for i, want := range []string{transcript.Free, transcript.InUse, transcript.Unseen} {
		if got[i].State != want {
			t.Errorf("address %d is %s (%s), want %s", i, got[i].State, got[i].Text, want)
		}
	}
}

func TestHearsTheUnit(t *testing.T) {
	n, a := host(t)
	w, err := reach.ListenForLog(reach.LogOptions{UDP: "127.0.0.1:0", TCP: "-"})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	n.Log = w
	udp, _ := w.Addresses()
	send := func(host string) {
		c, err := net.Dial("udp", udp.String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		// RFC 5424 section 6.5 has such messages.
		fmt.Fprintf(c, "<134>1 2026-11-25T16:02:57Z %s unit - - - all is well", host)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 600*time.Millisecond)
	defer cancel()
	time.AfterFunc(50*time.Millisecond, func() { send("deep-9") })
	elsewhere := visit.Log{Host: "deep-1", From: []netip.Addr{netip.MustParseAddr("2001:db8::1")}}
	if text, ok, err := n.Hear(ctx, elsewhere); text != "" || !ok || err != nil {
		t.Errorf("heard %q of another unit (%v, %v)", text, ok, err)
	}
	time.AfterFunc(50*time.Millisecond, func() { send("deep-1") })
	if text, ok, err := n.Hear(t.Context(), elsewhere); !strings.Contains(text, "all is well") || !ok || err != nil {
		t.Errorf("heard %q (%v, %v)", text, ok, err)
	}
	time.AfterFunc(50*time.Millisecond, func() { send("another-name") })
	if text, _, _ := n.Hear(t.Context(), visit.Log{Host: "deep-1", From: []netip.Addr{a}}); text == "" {
		t.Error("a message from the unit's own address is not heard")
	}
}

func TestTheBenchIsNotEverywhere(t *testing.T) {
	n := new(Network)
	if text, near := n.Near(netip.MustParseAddr("198.51.100.9")); near || !strings.Contains(text, "198.51.100.9") {
		t.Errorf("near: %v, %q", near, text)
	}
	if _, near := n.Near(netip.MustParseAddr("127.0.0.1")); !near {
		t.Error("the bench is not near itself")
	}
	if _, ok, err := n.Hear(t.Context(), visit.Log{Target: "198.51.100.9"}); ok || err != nil {
		t.Errorf("the bench is the log target: %v, %v", ok, err)
	}
	if !isBench(t.Context(), "127.0.0.1") {
		t.Error("the bench has not its own address")
	}
}
