package seal

import (
	"bufio"
	"crypto/sha256"
	"encoding/asn1"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"linehand/transcript"
)

func rawValue(t *testing.T, der []byte) (v asn1.RawValue) {
	t.Helper()
	_, err := asn1.Unmarshal(der, &v)
	must(t, err)
	return v
}

// bigRecord writes a sealed record of about the given size, after FORMAT.md,
// with events like those of a boot log.
func bigRecord(b *testing.B, size int, key Key) string {
	path := filepath.Join(b.TempDir(), "big.record")
	f, err := os.Create(path)
	must(b, err)
	w := bufio.NewWriterSize(f, 1<<20)
	before := fmt.Sprintf("%064d", 0)
	line := func(body string) int {
		sum := sha256.Sum256([]byte(before + "\n" + body))
		before = hex.EncodeToString(sum[:])
		n, err := fmt.Fprintf(w, "%s,\"link\":\"%s\"}\n", body, before)
		must(b, err)
		return n
	}
	const wall = "2026-03-04T09:30:00.000000000Z"
	done := line(`{"format":"linehand.record/1","kind":"record","started":"` + wall + `","tool":"linehand","unit":"u","line":{"name":"l"},"mode":"byhand","zone":"UTC"`)
	n := 1
	for ; done < size; n++ {
		done += line(`{"n":` + strconv.Itoa(n) + `,"at":` + strconv.Itoa(n*40e6) + `,"wall":"` + wall + `","kind":"heard","data":["[    1.204113] usb 1-1: new high-speed device number 2\r\n[    1.310021] scsi 0:0:0:0: direct\r\n"]`)
	}
	line(`{"n":` + strconv.Itoa(n) + `,"at":` + strconv.Itoa(n*40e6) + `,"wall":"` + wall + `","kind":"ending","exit":0`)
	when, err := time.Parse(time.RFC3339Nano, wall)
	must(b, err)
	e := transcript.Event{N: n + 1, At: time.Duration(n) * 40e6, Wall: when, Kind: transcript.Sealed, Seal: &transcript.Seal{Bench: "b", Key: key.Public().String()}}
	e.Seal.Signature = key.Sign(transcript.SealText(before, e))
	last, _ := transcript.SealLine(before, e)
	_, err = w.Write(last)
	must(b, err)
	must(b, w.Flush())
	must(b, f.Close())
	return path
}

// BenchmarkVerifyFile verifies a sealed record on disk, 64 MiB or as many MiB
// as LINEHAND_RECORD_MIB says. In the same run it measures SHA-256 alone in one
// thread over the same file.
func BenchmarkVerifyFile(b *testing.B) {
	mib := 64
	if text := os.Getenv("LINEHAND_RECORD_MIB"); text != "" {
		var err error
		mib, err = strconv.Atoi(text)
		must(b, err)
	}
	key := KeyOfSeed([32]byte{1})
	path := bigRecord(b, mib<<20, key)
	var alone time.Duration
	var memory uint64
	b.SetBytes(int64(mib) << 20)
	for b.Loop() {
		start := time.Now()
		hashFile(b, path)
		alone += time.Since(start)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		res, err := VerifyFile(path, key.Public())
		must(b, err)
		if !res.Sealed || !res.Trusted || !res.Whole() {
			b.Fatal(res.Findings)
		}
		runtime.ReadMemStats(&after)
		memory = max(memory, after.TotalAlloc-before.TotalAlloc)
	}
	own := b.Elapsed() - alone
	mb := float64(mib<<20) * float64(b.N) / 1e6
	b.ReportMetric(mb/own.Seconds(), "verify-MB/s")
	b.ReportMetric(mb/alone.Seconds(), "sha256-MB/s")
	b.ReportMetric(alone.Seconds()/own.Seconds(), "of-sha256")
	b.ReportMetric(float64(memory)/1024, "KiB-allocated")
}

func hashFile(b *testing.B, path string) {
	f, err := os.Open(path)
	must(b, err)
	defer f.Close()
	_, err = io.CopyBuffer(struct{ io.Writer }{sha256.New()}, struct{ io.Reader }{f}, make([]byte, 1<<18))
	must(b, err)
}
