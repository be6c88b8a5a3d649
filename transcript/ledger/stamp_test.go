package ledger

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"linehand/transcript/seal"
)

// authority is a time-stamp authority, made with another program.
func authority(t *testing.T) (reply func(request []byte) []byte) {
	t.Helper()
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("openssl is not installed")
	}
	dir := t.TempDir()
	run := func(args ...string) {
		t.Helper()
		cmd := exec.Command(openssl, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("openssl %s: %v\n%s", args[0], err, out)
		}
	}
	must(t, os.WriteFile(filepath.Join(dir, "tsa.cnf"), []byte("[req]\ndistinguished_name=dn\nx509_extensions=ext\nprompt=no\n[dn]\nCN=tsa.example.net\n"+
		"[ext]\nextendedKeyUsage=critical,timeStamping\n[own]\nserial=serial\nsigner_digest=sha256\ndefault_policy=1.2.3.4\ndigests=sha256\n"), 0o600))
	must(t, os.WriteFile(filepath.Join(dir, "serial"), []byte("0A\n"), 0o600))
	run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "tsa.key", "-out", "tsa.pem", "-days", "2", "-config", "tsa.cnf")
	return func(request []byte) []byte {
		must(t, os.WriteFile(filepath.Join(dir, "q"), request, 0o600))
		run("ts", "-reply", "-queryfile", "q", "-inkey", "tsa.key", "-signer", "tsa.pem", "-config", "tsa.cnf", "-section", "own", "-out", "r")
		data, err := os.ReadFile(filepath.Join(dir, "r"))
		must(t, err)
		return data
	}
}

func TestAttach(t *testing.T) {
	reply := authority(t)
	b := newBench(t, "bench-7")
	b.sealed("a.record", "x")
	state := b.checkpoint()
	request, err := seal.StampRequest([]byte(state.String()))
	must(t, err)
	answer := reply(request)
	b.sealed("b.record", "x") // work goes on until the reply is there
	_, err = b.l.Attach(request, answer)
	must(t, err)
	last := b.l.Log().entries[b.l.Log().Size()-1]
	if last.Kind != Stamped || last.Checkpoint != state.String() || last.SHA256 != digestOf(answer) {
		t.Errorf("%+v", last)
	}
	kept, err := os.ReadFile(filepath.Join(b.dir, "stamps", last.SHA256[:16]+".tsr"))
	must(t, err)
	if digestOf(kept) != last.SHA256 {
		t.Error("another reply was kept")
	}
	if _, found := b.verify(b.trust()); found != "" {
		t.Error(found)
	}
	other, err := seal.StampRequest([]byte("another log"))
	must(t, err)
	size := b.l.Log().Size()
	if _, err := b.l.Attach(other, reply(other)); !errors.Is(err, seal.ErrOther) || b.l.Log().Size() != size {
		t.Errorf("a stamp for another log: %v", err)
	}
}
