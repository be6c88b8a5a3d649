package page

import (
	"bytes"
	"os"
	"testing"

	"linehand/cmd/internal/station"
)

const demo = "../../../fixtures/site/skerrymore.yaml"

func write(t testing.TB, r station.Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestShow(t *testing.T) {
	if out := os.Getenv("SHOW"); out != "" {
		in := os.Getenv("PROFILE")
		if in == "" {
			in = demo
		}
		os.WriteFile(out, []byte(write(t, station.Check(in, station.Options{Secrets: station.Warning}))), 0o644)
	}
}
