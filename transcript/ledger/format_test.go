package ledger

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"linehand/transcript"
	"linehand/transcript/seal"
)

// formatKey is the key of RFC 8032 section 7.1, test 1: its secret part is
// printed there, and nobody may use it for anything else than an example.
func formatKey(t *testing.T) seal.Key {
	t.Helper()
	seed, err := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	must(t, err)
	return seal.KeyOfSeed([32]byte(seed))
}

// The examples in FORMAT.md are what this package writes: the record of the
// first example, sealed as the first of a bench; its log; its checkpoint.
func TestFormatExamples(t *testing.T) {
	page, err := os.ReadFile("../FORMAT.md")
	must(t, err)
	var blocks []string
	for i, block := range strings.Split(string(page), "\n```\n") {
		if i%2 == 1 {
			blocks = append(blocks, block+"\n")
		}
	}
	if len(blocks) != 5 {
		t.Fatalf("FORMAT.md has %d examples, want the record, its seal, the log, the checkpoint and a visit", len(blocks))
	}
	b := &bench{t: t, dir: t.TempDir(), clock: &clock{time.Date(2026, 3, 4, 9, 31, 5, 0, time.FixedZone("", 3600))}}
	must(t, os.WriteFile(b.path("shelf-a1.record"), []byte(blocks[0]), 0o600))
	l, err := Begin(b.dir, "bench-7", formatKey(t), WithClock(b.clock.now))
	must(t, err)
	defer l.Close()
	_, err = l.Seal(b.path("shelf-a1.record"), SealOptions{})
	must(t, err)
	for name, want := range map[string]string{"shelf-a1.record": blocks[0] + blocks[1], File: blocks[2], CheckpointFile: blocks[3]} {
		got, err := os.ReadFile(b.path(name))
		must(t, err)
		if string(got) != want {
			t.Errorf("%s is\n%s\nand FORMAT.md has\n%s", name, bytes.TrimPrefix(got, []byte(blocks[0])), strings.TrimPrefix(want, blocks[0]))
		}
	}
	res, err := seal.VerifyFile(b.path("shelf-a1.record"), formatKey(t).Public())
	must(t, err)
	if !res.Sealed || !res.Trusted || !res.Whole() {
		t.Error(fmt.Sprint(res.Findings))
	}
	if res.Outline.Seal.Code == transcript.LateSeal {
		t.Error("the example is sealed late")
	}
}
