package reach

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/netip"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

const bom = "\ufeff"

// TestParseLog: the first two are examples of RFC 5424 section 6.5, the next
// two of RFC 3164 section 5.4.
func TestParseLog(t *testing.T) {
	at := time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		raw  string
		want LogMessage
	}{
		{"<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - " + bom + "'su root' failed for lonvick on /dev/pts/8",
			LogMessage{Format: "RFC 5424", Facility: 4, Severity: 2, Stamp: time.Date(2003, 10, 11, 22, 14, 15, 3e6, time.UTC), Host: "mymachine.example.com", App: "su", Text: "'su root' failed for lonvick on /dev/pts/8"}},
		{"<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.",
			LogMessage{Format: "RFC 5424", Facility: 20, Severity: 5, Stamp: time.Date(2003, 8, 24, 12, 14, 15, 3e3, time.UTC), Host: "192.0.2.1", App: "myproc", Text: "%% It's time to make the do-nuts."}},
		{"<34>Oct 11 22:14:15 mymachine su: 'su root' failed for lonvick on /dev/pts/8\n",
			LogMessage{Format: "RFC 3164", Facility: 4, Severity: 2, Stamp: time.Date(2026, 10, 11, 22, 14, 15, 0, time.UTC), Host: "mymachine", App: "su", Text: "'su root' failed for lonvick on /dev/pts/8"}},
		{"Use the BFG!", LogMessage{Format: "unknown", Facility: -1, Severity: -1, Text: "Use the BFG!"}},
		{"<13>test message\x1b[2J from deep-1", LogMessage{Format: "unknown", Facility: -1, Severity: -1, Text: "<13>test message?[2J from deep-1"}},
		{"<4>1", LogMessage{Format: "unknown", Facility: -1, Severity: -1, Text: "<4>1"}},
		{"", LogMessage{Format: "unknown", Facility: -1, Severity: -1}},
	} {
		test.want.At = at
		got := ParseLog([]byte(test.raw), at)
		if !got.Stamp.Equal(test.want.Stamp) {
			t.Errorf("%q: stamp %v, want %v", test.raw, got.Stamp, test.want.Stamp)
		}
		got.Stamp = test.want.Stamp
		if got != test.want {
			t.Errorf("%q:\n got %+v\nwant %+v", test.raw, got, test.want)
		}
	}
}

func TestLogAroundNewYear(t *testing.T) {
	for stamp, at := range map[time.Time]time.Time{
		time.Date(2026, 12, 31, 23, 59, 58, 0, time.UTC): time.Date(2027, 1, 1, 0, 0, 1, 0, time.UTC),
		time.Date(2027, 1, 1, 0, 0, 1, 0, time.UTC):      time.Date(2026, 12, 31, 23, 59, 58, 0, time.UTC),
	} {
		if got := ParseLog([]byte("<13>"+stamp.Format(time.Stamp)+" deep-1 log: hello"), at); !got.Stamp.Equal(stamp) {
			t.Errorf("at %v: %v, want %v", at, got.Stamp, stamp)
		}
	}
}

func logWatch(t *testing.T) *LogWatch {
	t.Helper()
	w, err := ListenForLog(LogOptions{UDP: "127.0.0.1:0", TCP: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.Close() })
	return w
}

// TestLogger has logger(1) of util-linux send in every way that it has.
func TestLogger(t *testing.T) {
	if _, err := exec.LookPath("logger"); err != nil {
		t.Skip("no logger here")
	}
	w := logWatch(t)
	udp, tcp := w.Addresses()
	for i, test := range []struct {
		format string
		port   netip.AddrPort
		how    []string
	}{
		{"RFC 5424", udp, []string{"--udp", "--rfc5424"}},
		{"RFC 3164", udp, []string{"--udp", "--rfc3164"}},
		{"RFC 5424", tcp, []string{"--tcp", "--rfc5424", "--octet-count"}},
		{"RFC 5424", tcp, []string{"--tcp", "--rfc5424"}},
		{"RFC 3164", tcp, []string{"--tcp", "--rfc3164", "--octet-count"}},
		{"RFC 3164", tcp, []string{"--tcp", "--rfc3164"}},
	} {
		text := fmt.Sprintf("test message %d of deep-1", i)
		args := append(test.how, "--server", "127.0.0.1", "--port", strconv.Itoa(int(test.port.Port())), "--priority", "local4.notice", "--tag", "linehand", text)
		if out, err := exec.Command("logger", args...).CombinedOutput(); err != nil {
			t.Fatalf("logger %v: %v: %s", args, err, out)
		}
		got, _, ok := w.Wait(t.Context(), addr("127.0.0.1"), text, time.Minute)
		if !ok || got.Format != test.format || got.Facility != 20 || got.Severity != 5 || got.App != "linehand" || got.Text != text || got.Network != test.how[0][2:] {
			t.Errorf("%v: %+v", test.how, got)
		}
	}
}

// TestLogOfAnother: a message of somebody else does not prove that the unit
// sends, but is told of.
func TestLogOfAnother(t *testing.T) {
	w := logWatch(t)
	udp, _ := w.Addresses()
	conn, err := net.Dial("udp", udp.String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprint(conn, "<13>Nov 25 16:00:00 shallow-1 log: hello")
	if _, _, ok := w.Wait(t.Context(), addr("127.0.0.1"), "hello", time.Minute); !ok {
		t.Fatal("the message did not come")
	}
	for address, text := range map[string]string{"127.0.0.21": "hello", "127.0.0.1": "other"} {
		_, others, ok := w.Wait(t.Context(), addr(address), text, 10*time.Millisecond)
		if ok || (address == "127.0.0.21") != (len(others) == 1 && others[0] == addr("127.0.0.1")) {
			t.Errorf("%s %q: %v, others %v", address, text, ok, others)
		}
	}
	if got := w.Messages(); len(got) != 1 {
		t.Errorf("%d messages", len(got))
	}
}

func TestLogStops(t *testing.T) {
	w := logWatch(t)
	_, tcp := w.Addresses()
	conn, err := net.Dial("tcp", tcp.String()) // held open by a unit
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, ok := w.Wait(ctx, addr("127.0.0.1"), "", time.Hour); ok {
		t.Error("something came from nowhere")
	}
	done := make(chan bool)
	go func() {
		_, _, ok := w.Wait(t.Context(), addr("127.0.0.1"), "", time.Hour)
		done <- ok
	}()
	w.Close()
	if <-done {
		t.Error("something came from nowhere")
	}
	w.Close()
}

func TestLogPortTaken(t *testing.T) {
	w := logWatch(t)
	udp, tcp := w.Addresses()
	for _, o := range []LogOptions{{UDP: udp.String(), TCP: "-"}, {UDP: "-", TCP: tcp.String()}, {UDP: "127.0.0.1:0", TCP: tcp.String()}} {
		if _, err := ListenForLog(o); err == nil || !strings.Contains(err.Error(), "another program listens there") {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// TestFraming: any run of messages comes out as it went in, whichever way
// each is framed and however the stream is cut (RFC 6587 section 3.4).
func TestFraming(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stream strings.Builder
		var want []string
		for range rapid.IntRange(0, 8).Draw(t, "messages") {
			text := "<13>" + rapid.StringMatching(`[ -~\n]{0,40}`).Draw(t, "text")
			if rapid.Bool().Draw(t, "counted") {
				fmt.Fprintf(&stream, "%d %s", len(text), text)
			} else {
				text = strings.ReplaceAll(text, "\n", " ") + "\n"
				stream.WriteString(text)
			}
			want = append(want, text)
		}
		r := bufio.NewReaderSize(&pieces{stream.String(), rapid.IntRange(1, 50).Draw(t, "piece")}, longestMessage)
		for i := 0; ; i++ {
			got, err := nextMessage(r)
			if err != nil {
				if i != len(want) {
					t.Fatalf("%d messages, want %d: %v", i, len(want), err)
				}
				return
			}
			if i >= len(want) || string(got) != want[i] {
				t.Fatalf("message %d is %q, want %q", i, got, want)
			}
		}
	})
}

// pieces is a reader that gives few bytes at a time.
type pieces struct {
	text string
	n    int
}

func (p *pieces) Read(b []byte) (int, error) {
	n := copy(b, p.text[:min(p.n, len(p.text))])
	p.text = p.text[n:]
	if n == 0 {
		return 0, fmt.Errorf("the end")
	}
	return n, nil
}

func FuzzLog(f *testing.F) {
	for _, seed := range []string{"<34>1 2003-10-11T22:14:15.003Z a su - ID47 - x", "<34>Oct 11 22:14:15 a su: x", "5 <1>ab7 x", "99999999 x", "<13>x\n", "0 ", "<4>1"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r := bufio.NewReaderSize(&pieces{string(data), 7}, longestMessage)
		for err := error(nil); err == nil; {
			var raw []byte
			if raw, err = nextMessage(r); len(raw) > longestMessage {
				t.Errorf("a message of %d bytes", len(raw))
			}
			m := ParseLog(raw, time.Unix(0, 0))
			for _, text := range []string{m.Host, m.App, m.Text} {
				if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
					t.Errorf("%q would move a terminal", text)
				}
			}
		}
	})
}

// TestLogPause: a listener that fails does not spin.
func TestLogPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &LogWatch{done: make(chan struct{})}
		started := time.Now()
		if !w.pause() || time.Since(started) != 100*time.Millisecond {
			t.Errorf("paused for %v", time.Since(started))
		}
		close(w.done)
		if w.pause() {
			t.Error("it goes on after the end")
		}
	})
}
