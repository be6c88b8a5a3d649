package rehearsal

import (
	"net"
	"net/netip"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
)

// differing keeps the read-backs that differ, the open ones apart.
type differing struct{ found, open []string }

func (d *differing) Append(e transcript.Event) error {
	switch {
	case e.Kind != transcript.ReadBack || e.Equal:
	case e.State == transcript.OpenYet:
		d.open = append(d.open, e.Name)
	default:
		d.found = append(d.found, e.Name)
	}
	return nil
}
func (d *differing) Heard(time.Time, []byte) error { return nil }
func (d *differing) Say(transcript.Event) error    { return nil }
func (d *differing) Window(string) error           { return nil }
func (d *differing) EndWindow() error              { return nil }
func (d *differing) Sync() error                   { return nil }

func demo(t testing.TB) (*plan.Plan, *secret.Store) {
	t.Helper()
	s, err := site.Load(filepath.Join("..", "..", "..", "fixtures", "site", "skerrymore.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if p == nil {
		t.Fatal(problems)
	}
	return p, secret.Throwaway(p.Secrets, 3)
}

// A unit that was brought up before is as planned, and each fault of the
// visit that a proof at the console can find is found by it.
func TestProofOfAUnitThatIsSetUp(t *testing.T) {
	p, secrets := demo(t)
	for _, test := range []struct {
		fault, unit string
		how         engine.How
		found       string // "": nothing
	}{
		{"", "deep-1", engine.Already, ""}, {"", "deep-2", engine.Already, ""}, {"", "quay-sw1", engine.Already, ""},
		{"factory-still-valid", "deep-1", engine.Differs, "factory sign-in"},
		{"wrong-member", "deep-1", engine.Differs, "members of the cluster"},
		{"port-down", "deep-1", engine.Differs, "link of e3"},
		{"port-down", "quay-sw1", engine.Differs, "link of u1"},
		{"clock-a-day-off", "deep-1", engine.Differs, "clock"},
		{"log-deaf", "quay-sw1", engine.Differs, "test message to the log target"},
		{"check-running", "deep-1", engine.Open, ""},
		{"certificate-changed", "deep-1", engine.Already, ""}, // looks over the network find it
	} {
		t.Run(test.unit+" "+test.fault, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				opts := Options{Settings: console.Default, Seed: 1, InMemory: true, SetUp: true, Pauses: 0.01}
				if test.fault != "" {
					if err := opts.SetFault(test.fault); err != nil {
						t.Fatal(err)
					}
				}
				u, err := p.Unit(test.unit)
				if err != nil {
					t.Fatal(err)
				}
				b, err := New(u, secrets, opts)
				if err != nil {
					t.Fatal(err)
				}
				defer b.Close()
				d, err := script.Load(u.Proof)
				if err != nil {
					t.Fatal(err)
				}
				line, err := b.Open(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				b.Start(t.Context())
				var rec differing
				end, err := player.Run{Dialogue: d, Line: line, Record: &rec, Secrets: secrets, Part: "proof",
					Target: engine.Target{Serial: u.Serial, Values: u.Values}}.Play(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				if end.How != test.how || strings.Join(rec.found, ", ") != test.found {
					t.Errorf("ended %s: %s; found %q, want %s and %q", end.How, end.Sentence, rec.found, test.how, test.found)
				}
				if (test.how == engine.Open) != slices.Contains(rec.open, "check of the drives") {
					t.Errorf("open are %q", rec.open)
				}
			})
		})
	}
}

// The services of a bench are on real sockets, and a stranger answers where
// the fault has put one.
func TestBenchServes(t *testing.T) {
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		t.Skip("this system has one loopback address only")
	}
	p, secrets := demo(t)
	u, err := p.Unit("deep-1")
	if err != nil {
		t.Fatal(err)
	}
	// A lane is held by this port, as visits do.
	lane := byte(201)
	for ; ; lane++ {
		l, err := net.Listen("tcp", netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, lane, 0, 1}), 10001).String())
		if err == nil {
			defer l.Close()
			break
		}
		if lane == 250 {
			t.Fatal(err)
		}
	}
	for _, inUse := range []bool{false, true} {
		b, err := New(u, secrets, Options{Settings: console.Default, InMemory: true, SetUp: !inUse, InUse: inUse, Pauses: 0.001})
		if err != nil {
			t.Fatal(err)
		}
		place := sim.Loopback(lane)
		b.Start(t.Context())
		if err := b.Serve(t.Context(), sim.ServeOptions{Place: place}); err != nil {
			t.Fatal(err)
		}
		at := place(netip.MustParseAddrPort("192.0.2.21:22")).String()
		var c net.Conn
		for range 5000 {
			if c, err = net.Dial("tcp", at); err == nil {
				break
			}
			time.Sleep(2 * time.Millisecond)
		}
		if err != nil {
			t.Fatalf("in use %v: %v", inUse, err)
		}
		c.SetReadDeadline(time.Now().Add(300 * time.Millisecond))
		n, _ := c.Read(make([]byte, 8))
		if (n > 0) == inUse { // RFC 4253 4.2: a server says who it is first
			t.Errorf("in use %v: %d bytes came", inUse, n)
		}
		c.Close()
		if err := b.Close(); err != nil {
			t.Error(err)
		}
		if _, err := net.Dial("tcp", at); err == nil {
			t.Error("it answers after the bench was closed")
		}
	}
}
