//go:build unix

package player_test

import (
	"context"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"linehand/console"
	"linehand/console/pair"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// BenchmarkBootLog plays a unit that prints a boot log in 16-byte pieces
// before it asks, with ten alternatives watched, and reports the CPU time
// that a run takes (user and system, the unit's side included).
func BenchmarkBootLog(b *testing.B) {
	for _, size := range []int{256 << 10, 1 << 20, 4 << 20} {
		b.Run(fmt.Sprintf("%dKiB", size>>10), func(b *testing.B) { bootLog(b, size) })
	}
}

func bootLog(b *testing.B, size int) {
	var ask strings.Builder
	for i := range 10 {
		fmt.Fprintf(&ask, "      - {prompt: 'Question %d:', answer: 'a', sometimes: true}\n", i)
	}
	d, err := script.Parse("bench.yaml", []byte(`format: linehand.dialogue/1
name: bench
facts: {serial: 'Serial no\. (\S+)'}
chatter: ['\[ *\d+\.\d+\] [^\n]*\n?']
stop-on: [{text: self-test failed, because: it did}]
stages:
  - stage: all
    looks: true
    exchanges:
`+ask.String()+"    until: 'ready'\n    finish: true\n"))
	if err != nil {
		b.Fatal(err)
	}
	var log strings.Builder
	for i := 0; log.Len() < size; i++ {
		fmt.Fprintf(&log, "[%12.6f] device %d: probing Question %d: found at 0x%08x, waiting for it\r\n", float64(i)/1000, i, i%10, i*4096)
	}
	text := log.String()
	before := cpuTime(b)
	for b.Loop() {
		line, far := pair.New("bench", console.Settings{})
		go func() {
			for at := 0; at < len(text); at += 16 {
				far.Write([]byte(text[at:min(at+16, len(text))]))
			}
			far.Write([]byte("Question 7: "))
			buf := make([]byte, 64)
			for {
				n, err := far.Read(buf)
				if err != nil {
					return
				}
				far.Write(buf[:n])
				if buf[n-1] == '\r' {
					far.Write([]byte("\nready\r\n"))
				}
			}
		}()
		end, err := player.Run{
			Dialogue: d, Line: line, Record: discard{}, Target: engine.Target{Values: script.Values{}},
		}.Play(context.Background())
		if err != nil || end.How != engine.Already {
			b.Fatalf("%v %+v", err, end)
		}
		far.Close()
	}
	b.SetBytes(int64(len(text)))
	b.ReportMetric((cpuTime(b)-before).Seconds()/float64(b.N), "cpu-s/op")
}

// discard is a recorder that keeps nothing: the record's cost is measured by
// its own benchmarks.
type discard struct{}

func (discard) Heard(time.Time, []byte) error { return nil }
func (discard) Say(transcript.Event) error    { return nil }
func (discard) Append(transcript.Event) error { return nil }
func (discard) Window(string) error           { return nil }
func (discard) EndWindow() error              { return nil }
func (discard) Sync() error                   { return nil }

func cpuTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
