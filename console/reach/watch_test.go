package reach

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func addr(text string) netip.Addr { return netip.MustParseAddr(text) }

// TestPauses: the pauses double up to the longest, in virtual time.
func TestPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		started := time.Now()
		var at []time.Duration
		once := func(context.Context, Look) Seen {
			at = append(at, time.Since(started))
			return Seen{State: Silent, Method: TCP, Detail: "port 443: no answer in time"}
		}
		var told []string
		o := Options{Within: 100 * time.Second, Tell: func(s Seen) { told = append(told, s.State) }}.filled()
		seen := watch(t.Context(), Look{}, o, once)
		var want []time.Duration
		for _, s := range []int{0, 2, 6, 14, 30, 60, 90} {
			want = append(want, time.Duration(s)*time.Second)
		}
		if !slices.Equal(at, want) {
			t.Errorf("tries at %v, want %v", at, want)
		}
		if seen.State != Silent || seen.After != 100*time.Second || seen.Tries != 7 || !strings.Contains(seen.Detail, "within 1m40s; last: port 443") {
			t.Errorf("%+v", seen)
		}
		if want := append(slices.Repeat([]string{Waiting}, 7), Silent); !slices.Equal(told, want) {
			t.Errorf("told %v, want %v", told, want)
		}
	})
}

func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		once := func(context.Context, Look) Seen { return Seen{State: Silent, Detail: "port 443: no answer in time"} }
		seen := watch(ctx, Look{}, Options{}.filled(), once)
		if seen.State != NotLooked || seen.After != 3*time.Second || !strings.Contains(seen.Detail, "stopped after 3s") {
			t.Errorf("%+v", seen)
		}
	})
}

// TestNeverAsked: what could not be asked at all is not called silent.
func TestNeverAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		once := func(context.Context, Look) Seen { return Seen{State: NotLooked, Detail: "no route"} }
		if seen := watch(t.Context(), Look{}, Options{}.filled(), once); seen.State != NotLooked || seen.Detail != "no route" {
			t.Errorf("%+v", seen)
		}
	})
	for _, look := range []Look{{By: TCP}, {By: "smoke", Address: addr("127.0.0.1")}, {By: TCP, Address: addr("127.0.0.1")}} {
		if seen := lookOnce(t.Context(), look); seen.State != NotLooked || seen.Detail == "" {
			t.Errorf("%+v: %+v", look, seen)
		}
	}
}

// page is a unit's web page with a certificate of its own making.
type page struct {
	address netip.AddrPort
	pem     []byte
}

// serve serves a page with a fresh certificate on a listener.
func serve(t *testing.T, l net.Listener, status int) *page {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "deep-1\x1b[2J.example.net"},
		NotBefore: time.Unix(0, 0), NotAfter: time.Date(2040, 1, 2, 0, 0, 0, 0, time.UTC),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	p := &page{address: l.Addr().(*net.TCPAddr).AddrPort(), pem: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
	server := &http.Server{
		ErrorLog:  log.New(io.Discard, "", 0),
		Handler:   http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(status) }),
		TLSConfig: &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}},
	}
	go server.ServeTLS(l, "", "")
	t.Cleanup(func() { server.Close() })
	return p
}

func listen(t *testing.T, address string) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func (p *page) look() Look {
	return Look{Name: "web page of deep-1", Address: p.address.Addr(), By: HTTPS, Port: int(p.address.Port())}
}

// soon does not wait for what is not there, patient does for what is.
var (
	soon    = Options{Within: 400 * time.Millisecond, First: 50 * time.Millisecond}
	patient = Options{Within: time.Minute, First: 50 * time.Millisecond, Try: 20 * time.Second}
)

func TestCertificate(t *testing.T) {
	p := serve(t, listen(t, "127.0.7.21:0"), http.StatusUnauthorized)
	seen := Watch(t.Context(), []Look{p.look()}, patient)[0]
	if seen.State != Answers || seen.Method != HTTPS {
		t.Fatalf("%+v", seen)
	}
	for _, part := range []string{"401", "deep-1?[2J.example.net", "signed by itself", "2040-01-02"} {
		if !strings.Contains(seen.Detail, part) {
			t.Errorf("detail %q does not say %q", seen.Detail, part)
		}
	}
	if from := seen.From.String(); from != "lo 127.0.0.1/8" {
		t.Errorf("looked from %s", from)
	}
	openssl := exec.Command("openssl", "x509", "-noout", "-fingerprint", "-sha256")
	openssl.Stdin = strings.NewReader(string(p.pem))
	out, err := openssl.Output()
	if err != nil {
		t.Skipf("no openssl to compare with: %v", err)
	}
	_, want, _ := strings.Cut(strings.TrimSpace(string(out)), "=")
	if seen.Fingerprint != "SHA256:"+want {
		t.Errorf("fingerprint %s, openssl says %s", seen.Fingerprint, want)
	}
}

func TestCertificateChanged(t *testing.T) {
	first := serve(t, listen(t, "127.0.7.22:0"), 200)
	second := serve(t, listen(t, "127.0.7.23:0"), 200)
	seen := Watch(t.Context(), []Look{first.look(), second.look()}, patient)
	looks := Again(seen)
	if seen := Watch(t.Context(), looks, patient); seen[0].State != Answers || seen[1].State != Answers {
		t.Errorf("the same certificates: %+v", seen)
	}
	looks[0].Address, looks[0].Port = looks[1].Address, looks[1].Port // another has the address now
	var told []string
	o := patient
	o.Tell = func(s Seen) { told = append(told, s.State) }
	changed := Watch(t.Context(), looks[:1], o)[0]
	if changed.State != Changed || !strings.Contains(changed.Detail, seen[0].Fingerprint) || !strings.Contains(changed.Detail, seen[1].Fingerprint) {
		t.Errorf("another certificate: %+v", changed)
	}
	if !slices.Equal(told, []string{Changed}) {
		t.Errorf("told %v", told)
	}
}

func TestNotServedYet(t *testing.T) {
	starting := serve(t, listen(t, "127.0.7.24:0"), http.StatusServiceUnavailable)
	mute := listen(t, "127.0.7.25:0").Addr().(*net.TCPAddr).AddrPort()
	gone := listen(t, "127.0.7.26:0")
	closed := gone.Addr().(*net.TCPAddr).AddrPort()
	gone.Close()
	for _, test := range []struct {
		look Look
		says string
	}{
		{starting.look(), "not ready yet: 503"},
		{Look{Address: mute.Addr(), By: HTTPS, Port: int(mute.Port())}, "does not speak TLS"},
		{Look{Address: mute.Addr(), By: SSH, Port: int(mute.Port())}, "no SSH server names itself"},
		{Look{Address: closed.Addr(), By: TCP, Port: int(closed.Port())}, "the address is there, but nothing serves"},
		{Look{Address: closed.Addr(), By: ICMP, Port: int(closed.Port())}, "nothing serves"}, // loopback answers every echo
	} {
		seen := Watch(t.Context(), []Look{test.look}, Options{Within: 300 * time.Millisecond, First: time.Second, Try: 200 * time.Millisecond})[0]
		if seen.State != Silent || !strings.Contains(seen.Detail, test.says) {
			t.Errorf("%+v: %s (%s), want %q", test.look, seen.State, seen.Detail, test.says)
		}
	}
}

func TestProbeLoopback(t *testing.T) {
	l := listen(t, "127.0.7.27:0").Addr().(*net.TCPAddr)
	for address, want := range map[string]string{"127.0.7.27": InUse, "127.0.7.28": Free} {
		if seen := Probe(t.Context(), addr(address), ProbeOptions{Port: l.Port}); seen.State != want {
			t.Errorf("%s: %+v, want %s", address, seen, want)
		}
	}
}

// TestProbeNumbers: RFC 5227 section 1.1.
func TestProbeNumbers(t *testing.T) {
	o := ProbeOptions{}.filled()
	if o.Count != 3 || o.Spread != time.Second || o.Between != time.Second || o.Listen != 2*time.Second || o.longest() != 7*time.Second {
		t.Errorf("%+v, %v at most", o, o.longest())
	}
	for range 1000 {
		if first, next := o.pause(0), o.pause(1); first < 0 || first >= time.Second || next < time.Second || next >= 2*time.Second {
			t.Fatalf("pauses %v and %v", first, next)
		}
	}
}

func TestBench(t *testing.T) {
	if iface, own, ok := Bench(addr("127.0.7.21")); !ok || iface != "lo" && iface != "lo0" || own.String() != "127.0.0.1/8" {
		t.Errorf("%s %s %v", iface, own, ok)
	}
	if iface, own, ok := Bench(addr("203.0.113.77")); ok {
		t.Errorf("the bench is in a documentation network: %s %s", iface, own)
	}
}
