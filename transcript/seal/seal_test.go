package seal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"linehand/transcript"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	p, err := hex.DecodeString(text)
	must(t, err)
	return p
}

// The vectors of RFC 8032 section 7.1: tests 1, 2, 3 and SHA(abc).
func TestEd25519(t *testing.T) {
	for name, v := range map[string][4]string{
		"1":        {"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60", "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "", "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		"2":        {"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72", "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
		"3":        {"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7", "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82", "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"},
		"SHA(abc)": {"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42", "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf", "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f", "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704"},
	} {
		key := KeyOfSeed([ed25519.SeedSize]byte(unhex(t, v[0])))
		message, sig := unhex(t, v[2]), unhex(t, v[3])
		if key.Public().String() != v[1] {
			t.Errorf("test %s: public key %s", name, key.Public())
		}
		if got := key.Sign(message); !bytes.Equal(got, sig) {
			t.Errorf("test %s: signature %x", name, got)
		}
		if !key.Public().Verify(message, sig) || key.Public().Verify(append(message, 0), sig) {
			t.Errorf("test %s: verified wrongly", name)
		}
	}
}

func TestRing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	r := OpenRing(dir)
	plain, err := r.Make("")
	must(t, err)
	locked, err := NewKey()
	must(t, err)
	must(t, r.keep(locked, "tide table", 4))
	got, err := r.Key(plain.Public(), nil)
	must(t, err)
	if got.Public() != plain.Public() || !bytes.Equal(got.Sign([]byte("x")), plain.Sign([]byte("x"))) {
		t.Error("another key comes back")
	}
	answer := func(text string) func() (string, error) { return func() (string, error) { return text, nil } }
	if got, err = r.Key(locked.Public(), answer("tide table")); err != nil || got.Public() != locked.Public() {
		t.Errorf("with the passphrase: %v", err)
	}
	for name, ask := range map[string]func() (string, error){"wrong": answer("tide"), "empty": answer("")} {
		if _, err = r.Key(locked.Public(), ask); !errors.Is(err, ErrPassphrase) {
			t.Errorf("%s passphrase: %v", name, err)
		}
	}
	if _, err = r.Key(locked.Public(), nil); err == nil {
		t.Error("a locked key opens without a passphrase")
	}
	list, err := r.List()
	must(t, err)
	if len(list) != 2 || !list[0].Private || !list[1].Private || list[0].Locked == list[1].Locked {
		t.Errorf("%+v", list)
	}
	checkModes(t, dir)
	must(t, r.Retire(plain.Public()))
	if _, err = r.Key(plain.Public(), nil); !errors.Is(err, ErrNoKey) {
		t.Errorf("a retired key: %v", err)
	}
	if list, _ = r.List(); len(list) != 2 {
		t.Error("the public part went with it")
	}
	if text := fmt.Sprintf("%v %+v %#v %s", plain, plain, plain, plain); strings.Contains(text, hex.EncodeToString(plain.private[:8])) || !strings.Contains(text, plain.Public().String()) {
		t.Errorf("a key prints as %s", text)
	}
}

func checkModes(t *testing.T, dir string) {
	if runtime.GOOS == "windows" {
		return
	}
	names, err := os.ReadDir(dir)
	must(t, err)
	for _, entry := range names {
		info, err := entry.Info()
		must(t, err)
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v", entry.Name(), info.Mode())
		}
		if strings.Contains(entry.Name(), privateEnd) {
			must(t, os.Chmod(filepath.Join(dir, entry.Name()), 0o640))
		}
	}
	list, err := OpenRing(dir).List()
	must(t, err)
	for _, info := range list {
		if _, err := OpenRing(dir).Key(info.Key, nil); err == nil || !strings.Contains(err.Error(), "others may read it") {
			t.Errorf("a private part that others may read: %v", err)
		}
	}
}

// Another program reads our public keys and checks our signatures.
func TestKeysInOpenSSL(t *testing.T) {
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("openssl is not installed")
	}
	dir := t.TempDir()
	key := KeyOfSeed([32]byte{1, 2, 3})
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, data, 0o600))
		return path
	}
	public, text, sig := write("key.pem", key.Public().PEM()), write("text", []byte("linehand")), write("sig", key.Sign([]byte("linehand")))
	out, err := exec.Command(openssl, "pkeyutl", "-verify", "-pubin", "-inkey", public, "-rawin", "-in", text, "-sigfile", sig).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "Verified Successfully") {
		t.Errorf("%v: %s", err, out)
	}
	back, err := ReadPublic(key.Public().PEM())
	must(t, err)
	if back != key.Public() {
		t.Error("another key comes back out of PEM")
	}
}

// A time-stamp authority made with another program answers our request.
func TestStamp(t *testing.T) {
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
			t.Fatalf("openssl %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	must(t, os.WriteFile(filepath.Join(dir, "tsa.cnf"), []byte(`
[req]
distinguished_name = dn
x509_extensions = ext
prompt = no
[dn]
CN = tsa.example.net
[ext]
extendedKeyUsage = critical,timeStamping
[tsa]
default_tsa = own
[own]
serial = serial
signer_digest = sha256
default_policy = 1.2.3.4
digests = sha256
ess_cert_id_alg = sha256
accuracy = secs:1
`), 0o600))
	must(t, os.WriteFile(filepath.Join(dir, "serial"), []byte("0A\n"), 0o600))
	run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "tsa.key", "-out", "tsa.pem", "-days", "2", "-config", "tsa.cnf")
	reply := func(what string) (request, answer []byte) {
		request, err := StampRequest([]byte(what))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(dir, "q.tsq"), request, 0o600))
		run("ts", "-reply", "-queryfile", "q.tsq", "-inkey", "tsa.key", "-signer", "tsa.pem", "-config", "tsa.cnf", "-section", "own", "-out", "r.tsr")
		answer, err = os.ReadFile(filepath.Join(dir, "r.tsr"))
		must(t, err)
		return request, answer
	}
	request, answer := reply("bench-7 2 root signature")
	stamp, err := CheckStamp(request, answer, []byte("bench-7 2 root signature"))
	must(t, err)
	if stamp.Policy != "1.2.3.4" || stamp.Serial == "" || time.Since(stamp.Time).Abs() > time.Hour {
		t.Errorf("%+v", stamp)
	}
	if _, err := CheckStamp(request, answer, []byte("another")); !errors.Is(err, ErrOther) {
		t.Errorf("for another text: %v", err)
	}
	again, other := reply("bench-7 2 root signature")
	if _, err := CheckStamp(request, other, []byte("bench-7 2 root signature")); err == nil || !strings.Contains(err.Error(), "nonce") {
		t.Errorf("the reply to another request: %v", err)
	}
	_ = again
	request, _ = reply("something else")
	if _, err := CheckStamp(request, answer, []byte("something else")); err == nil || !strings.Contains(err.Error(), "digest") {
		t.Errorf("the reply for another text: %v", err)
	}
	for i := range answer[:len(answer)/8] { // whatever is sent instead: an error, no panic
		_, _ = CheckStamp(request, append(bytes.Clone(answer[:i]), 0xff), []byte("something else"))
	}
}

// The times of RFC 3161 section 2.4.2: seconds, Z, no trailing zeros.
func TestStampTimes(t *testing.T) {
	for text, ok := range map[string]bool{
		"20020301143200Z": true, "19990609001326.34352Z": true, // both in the RFC
		"19990609001326.343520Z": false, "200203011432Z": false, "20020301143200": false, "20020301143200+0100": false, "20020301143200.Z": false,
	} {
		raw := append([]byte{24, byte(len(text))}, text...)
		v := rawValue(t, raw)
		if _, err := generalizedTime(v); (err == nil) != ok {
			t.Errorf("%s: %v", text, err)
		}
	}
}

func FuzzCheckStamp(f *testing.F) {
	request, err := StampRequest([]byte("x"))
	must(f, err)
	f.Add(request, []byte{0x30, 3, 2, 1, 0})
	f.Fuzz(func(t *testing.T, request, reply []byte) {
		if _, err := CheckStamp(request, reply, []byte("x")); err == nil {
			t.Skip("it would have to hold our digest")
		}
	})
}

func FuzzVerify(f *testing.F) {
	f.Add([]byte(`{"format":"linehand.record/1","kind":"record"}` + "\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		res, err := Verify(bytes.NewReader(file))
		if err == nil && res.Sealed {
			t.Error("no such file was ever sealed")
		}
	})
}

func TestVerifyFileErrors(t *testing.T) {
	if _, err := VerifyFile(filepath.Join(t.TempDir(), "absent.record")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("absent: %v", err)
	}
	path := filepath.Join(t.TempDir(), "a.record")
	must(t, os.WriteFile(path, []byte("hello\n"), 0o600))
	if _, err := VerifyFile(path); !errors.Is(err, transcript.ErrNotRecord) {
		t.Errorf("no record: %v", err)
	}
}
