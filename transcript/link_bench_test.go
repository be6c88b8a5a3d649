package transcript

import (
	"bytes"
	"crypto/sha256"
	"io"
	"testing"
	"time"
)

// benchRecord is a record of about the given size, with events like those of
// a boot log at 9600 bits a second.
func benchRecord(tb testing.TB, size int) []byte {
	tb.Helper()
	h, events := exampleRun()
	end := events[len(events)-1]
	events = nil
	text := []byte("[    1.204113] usb 1-1: new high-speed device number 2\r\n[    1.310021] scsi 0:0:0:0: direct access\r\n")
	for n := 0; n < size; n += 260 {
		events = append(events, Event{N: len(events) + 1, At: time.Duration(n) * time.Millisecond, Wall: h.Started, Kind: Heard, Data: []Part{{Bytes: text}}})
	}
	end.N = len(events) + 1
	var file bytes.Buffer
	must(tb, Encode(&file, h, append(events, end)))
	return file.Bytes()
}

// BenchmarkCheck reports the rate at which links are checked, and beside it
// that of SHA-256 alone in one thread over the same bytes.
func BenchmarkCheck(b *testing.B) {
	file := benchRecord(b, 32<<20)
	var alone time.Duration
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		start := time.Now()
		sha256.Sum256(file)
		alone += time.Since(start)
		if _, err := Check(bytes.NewReader(file)); err != nil {
			b.Fatal(err)
		}
	}
	own := b.Elapsed() - alone
	mb := float64(len(file)) * float64(b.N) / 1e6
	b.ReportMetric(mb/own.Seconds(), "check-MB/s")
	b.ReportMetric(mb/alone.Seconds(), "sha256-MB/s")
	b.ReportMetric(alone.Seconds()/own.Seconds(), "of-sha256")
}

// repeated is a reader over a record whose heard events go on for ever.
var _ io.Reader = (*bytes.Reader)(nil)
