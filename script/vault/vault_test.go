package vault

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"filippo.io/age"
	"golang.org/x/crypto/scrypt"
	"pgregory.net/rapid"
)

// testWork keeps the tests quick; nobody should use it.
const testWork = 4

const hush = "Tidal-hush-4711" // the value that must not show

func phrase(t testing.TB, s string) Lock {
	t.Helper()
	l, err := Passphrase(s, testWork)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func clock() time.Time { return time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC) }

func made(t testing.TB, lock Lock) *Vault {
	t.Helper()
	v, err := Create(filepath.Join(t.TempDir(), "site.vault"), lock, WithClock(clock))
	if err != nil {
		t.Fatal(err)
	}
	must(t, v.Set("shelf-admin", hush))
	must(t, v.Set("deep-join", "join-"+hush))
	must(t, v.Save())
	return v
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	must(t, err)
	return data
}

func value(t testing.TB, v *Vault, name string) string {
	t.Helper()
	s, err := v.Secret(name)
	must(t, err)
	return s
}

func TestThereAndBack(t *testing.T) {
	key, err := NewKeyFile(filepath.Join(t.TempDir(), "site.key"), clock())
	must(t, err)
	for _, lock := range []Lock{phrase(t, "a long phrase"), key} {
		v := made(t, lock)
		later := func() time.Time { return clock().Add(time.Hour) }
		w, err := Open(v.Path(), lock, WithClock(later))
		must(t, err)
		if !slices.Equal(w.Names(), []string{"deep-join", "shelf-admin"}) || value(t, w, "shelf-admin") != hush {
			t.Errorf("%v: %v", lock, w.Names())
		}
		must(t, w.Rotate("shelf-admin", func() (string, error) { return "another", nil }))
		must(t, w.Save())
		w, err = Open(v.Path(), lock)
		must(t, err)
		want := []Entry{{"deep-join", clock(), time.Time{}, false}, {"shelf-admin", clock(), later(), true}}
		if got := w.Entries(); !reflect.DeepEqual(got, want) || value(t, w, "shelf-admin") != "another" {
			t.Errorf("%v: %+v", lock, got)
		}
		if old, ok, err := w.Previous("shelf-admin"); old != hush || !ok || err != nil {
			t.Errorf("previous: %v, %v", ok, err)
		}
		must(t, w.Forget("shelf-admin"))
		if _, ok, _ := w.Previous("shelf-admin"); ok {
			t.Error("still kept")
		}
		must(t, w.Remove("deep-join"))
		must(t, w.Save())
		if w, err = Open(v.Path(), lock); err != nil || !slices.Equal(w.Names(), []string{"shelf-admin"}) {
			t.Errorf("%v, %v", w, err)
		}
		if info, err := os.Stat(v.Path()); err != nil || readByOthers(info.Mode()) {
			t.Errorf("mode %v, %v", info.Mode(), err)
		}
	}
}

// What is after the first line is a plain age file, and the payload is as
// FORMAT.md says.
func TestFileIsAgeAndJSON(t *testing.T) {
	v := made(t, phrase(t, "a long phrase"))
	_, body, _ := bytes.Cut(read(t, v.Path()), []byte("\n"))
	identity, err := age.NewScryptIdentity("a long phrase")
	must(t, err)
	r, err := age.Decrypt(bytes.NewReader(body), identity)
	must(t, err)
	text, err := io.ReadAll(r)
	must(t, err)
	want := `{"format":"linehand.vault/1","secrets":[{"name":"deep-join","value":"join-` + hush + `","made":"2026-05-04T09:00:00Z"},{"name":"shelf-admin","value":"` + hush + `","made":"2026-05-04T09:00:00Z"}]}`
	if string(text) != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}

// RFC 7914 section 12, the vectors that a small machine can do: the function
// behind the passphrase.
func TestScryptVectors(t *testing.T) {
	for _, tt := range []struct {
		password, salt string
		n, r, p        int
		want           string
	}{
		{"", "", 16, 1, 1, "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906"},
		{"password", "NaCl", 1024, 8, 16, "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b3731622eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640"},
		{"pleaseletmein", "SodiumChloride", 16384, 8, 1, "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"},
	} {
		got, err := scrypt.Key([]byte(tt.password), []byte(tt.salt), tt.n, tt.r, tt.p, 64)
		if err != nil || hex.EncodeToString(got) != tt.want {
			t.Errorf("%q: %x, %v", tt.password, got, err)
		}
	}
}

// refused opens a file that must not open, and looks that nothing changed.
func refused(t testing.TB, path string, lock Lock, data []byte) error {
	t.Helper()
	must(t, os.WriteFile(path, data, 0o600))
	_, err := Open(path, lock)
	if err == nil {
		t.Fatalf("%d bytes: opened", len(data))
	}
	if !bytes.Equal(read(t, path), data) {
		t.Fatal("opening changed the file")
	}
	if strings.Contains(err.Error(), hush) || strings.Contains(err.Error(), "a long phrase") {
		t.Fatalf("a secret shows: %v", err)
	}
	files, err2 := os.ReadDir(filepath.Dir(path))
	must(t, err2)
	for _, f := range files {
		if n := f.Name(); n != filepath.Base(path) && n != filepath.Base(path)+".lock" {
			t.Fatalf("opening left %s", n)
		}
	}
	return err
}

func TestWrongKey(t *testing.T) {
	v := made(t, phrase(t, "a long phrase"))
	key, err := NewKeyFile(filepath.Join(t.TempDir(), "k"), clock())
	must(t, err)
	for _, lock := range []Lock{phrase(t, "A long phrase"), key} {
		err := refused(t, v.Path(), lock, read(t, v.Path()))
		want := fmt.Sprintf("open the vault %s: the passphrase or key does not open it, and the file is whole: try again, with %v that it was saved with", v.Path(), lock)
		if !errors.Is(err, ErrWrongKey) || err.Error() != want {
			t.Errorf("got %v", err)
		}
	}
}

func TestEveryByteChanged(t *testing.T) {
	lock := phrase(t, "a long phrase")
	v := made(t, lock)
	whole := read(t, v.Path())
	for i := range whole {
		for _, flip := range []byte{1, 0x80, whole[i] ^ '\n'} {
			if flip == 0 {
				continue
			}
			data := bytes.Clone(whole)
			data[i] ^= flip
			err := refused(t, v.Path(), lock, data)
			version := i < len(Format) && errors.Is(err, ErrVersion) // then it says that it is of another version
			if !errors.Is(err, ErrChanged) && !version {
				t.Fatalf("byte %d of %d: %v", i, len(whole), err)
			}
		}
	}
}

func TestEveryTruncation(t *testing.T) {
	lock := phrase(t, "a long phrase")
	v := made(t, lock)
	whole := read(t, v.Path())
	for i := range whole {
		if err := refused(t, v.Path(), lock, whole[:i]); !errors.Is(err, ErrCutShort) {
			t.Fatalf("cut to %d of %d: %v", i, len(whole), err)
		}
	}
	if err := refused(t, v.Path(), lock, append(bytes.Clone(whole), 'x')); !errors.Is(err, ErrChanged) {
		t.Errorf("longer: %v", err)
	}
}

// Who changes the body and works out the first line anew is caught by the
// encryption.
func TestForgery(t *testing.T) {
	lock := phrase(t, "a long phrase")
	v := made(t, lock)
	_, body, _ := bytes.Cut(read(t, v.Path()), []byte("\n"))
	for i := 0; i < len(body); i++ {
		forged := bytes.Clone(body)
		forged[i] ^= 1
		data, _ := wrap(forged)
		if err := refused(t, v.Path(), lock, data); !errors.Is(err, ErrChanged) && !errors.Is(err, ErrWrongKey) {
			t.Fatalf("byte %d: %v", i, err)
		}
	}
	data, _ := wrap(body[:len(body)-5])
	if err := refused(t, v.Path(), lock, data); !errors.Is(err, ErrChanged) {
		t.Errorf("cut: %v", err)
	}
}

func TestOtherFiles(t *testing.T) {
	lock := phrase(t, "a long phrase")
	path := filepath.Join(t.TempDir(), "x")
	next := strings.Replace(string(read(t, made(t, lock).Path())), Format, "linehand.vault/2", 1)
	sealed := func(text string) string {
		body, err := lock.encrypt([]byte(text))
		must(t, err)
		data, _ := wrap(body)
		return string(data)
	}
	for _, tt := range []struct {
		data string
		want error
	}{
		{"", ErrCutShort}, {"format: linehand.site/1\n", ErrVersion}, {"\x00\x01\x02", ErrVersion}, {next, ErrVersion},
		{sealed("not JSON " + hush), ErrVersion}, {sealed(`{"format":"linehand.vault/9","secrets":[]}`), ErrVersion},
		{sealed(`{"format":"linehand.vault/1","secrets":[],"more":"` + hush + `"}`), ErrVersion},
		{sealed(`{"format":"linehand.vault/1","secrets":[{"name":"b","value":"x","made":"2026-05-04T09:00:00Z"},{"name":"a","value":"x","made":"2026-05-04T09:00:00Z"}]}`), ErrVersion},
		{sealed(`{"format":"linehand.vault/1","secrets":[{"name":"b","value":"","made":"2026-05-04T09:00:00Z"}]}`), ErrVersion},
	} {
		if err := refused(t, path, lock, []byte(tt.data)); !errors.Is(err, tt.want) {
			t.Errorf("%.40q: %v", tt.data, err)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none"), lock); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
	if _, err := Open(t.TempDir(), lock); err == nil {
		t.Error("a folder opened")
	}
	if _, err := Open(path, Lock{}); err == nil {
		t.Error("opened without a lock")
	}
}

func TestNothingPrintsAValue(t *testing.T) {
	lock := phrase(t, hush)
	v := made(t, lock)
	var all bytes.Buffer
	for _, x := range []any{v, lock, &lock, struct {
		V *Vault
		L Lock
	}{v, lock}, v.Entries(), []*Vault{v}} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d"} {
			fmt.Fprintf(&all, verb+"\n", x)
		}
		b, err := json.Marshal(x)
		must(t, err)
		all.Write(b)
		slog.New(slog.NewJSONHandler(&all, nil)).Info("x", "v", x)
		slog.New(slog.NewTextHandler(&all, nil)).Info("x", "v", x)
	}
	for _, err := range []error{v.Set("a b "+hush, "x"), v.Set("ok", hush+"\n"), v.Rotate(hush, nil), v.Remove(hush),
		v.Rotate("shelf-admin", func() (string, error) { return hush, nil }), v.Rotate("shelf-admin", func() (string, error) { return hush + "\x00", nil }), v.Forget(hush)} {
		if err == nil {
			t.Error("no error")
			continue
		}
		all.WriteString(err.Error())
	}
	if s := all.String(); strings.Contains(s, hush) || strings.Contains(s, hex.EncodeToString([]byte(hush))) || !strings.Contains(s, "vault of 2 secrets, not shown") {
		t.Errorf("a value shows in:\n%s", s)
	}
}

func TestUnknownNames(t *testing.T) {
	v := made(t, phrase(t, "a long phrase"))
	_, err := v.Secret("shelf-admon")
	if !errors.Is(err, ErrUnknown) || err.Error() != `the vault has no secret of the name asked for; did you mean "shelf-admin"?` {
		t.Error(err)
	}
	if _, err := v.Secret("zzzzzzzzz"); err == nil || err.Error() != "the vault has no secret of the name asked for; list the names, or add it" {
		t.Error(err)
	}
}

func TestTwoWriters(t *testing.T) {
	lock := phrase(t, "a long phrase")
	v := made(t, lock)
	w, err := Open(v.Path(), lock)
	must(t, err)
	must(t, w.Set("new", "x"))
	must(t, w.Save())
	must(t, v.Set("other", "y"))
	if err := v.Save(); !errors.Is(err, ErrStale) {
		t.Errorf("stale: %v", err)
	}
	unlock, err := lockFile(v.Path() + ".lock")
	must(t, err)
	if err := w.Save(); !errors.Is(err, ErrBusy) {
		t.Errorf("busy: %v", err)
	}
	unlock()
	must(t, w.Save())
	if _, err := Create(v.Path(), lock); !errors.Is(err, ErrExists) {
		t.Errorf("over another: %v", err)
	}
	if w, err = Open(v.Path(), lock); err != nil || len(w.Names()) != 3 {
		t.Errorf("%v, %v", w, err)
	}
}

func TestReencrypt(t *testing.T) {
	old, fresh := phrase(t, "a long phrase"), phrase(t, "another phrase")
	v := made(t, old)
	must(t, v.Reencrypt(fresh))
	if _, err := Open(v.Path(), old); !errors.Is(err, ErrWrongKey) {
		t.Errorf("old lock: %v", err)
	}
	w, err := Open(v.Path(), fresh)
	must(t, err)
	if value(t, w, "shelf-admin") != hush {
		t.Error("lost")
	}
	if err := v.Reencrypt(Lock{}); err == nil {
		t.Error("no lock was taken")
	}
}

func TestSymbolicLinkStays(t *testing.T) {
	v := made(t, phrase(t, "a long phrase"))
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(v.Path(), link); err != nil {
		t.Skipf("no links here: %v", err)
	}
	w, err := Open(link, phrase(t, "a long phrase"))
	must(t, err)
	must(t, w.Set("x", "y"))
	must(t, w.Save())
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v, %v", info, err)
	}
}

func TestLocks(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, []byte(text), mode))
		return path
	}
	good := filepath.Join(dir, "good")
	_, err := NewKeyFile(good, clock())
	must(t, err)
	if _, err := NewKeyFile(good, clock()); !errors.Is(err, ErrExists) {
		t.Errorf("over another: %v", err)
	}
	if _, err := KeyFile(good); err != nil {
		t.Error(err)
	}
	key := string(read(t, good))
	line := key[strings.LastIndex(strings.TrimSpace(key), "\n")+1:]
	for _, path := range []string{write("empty", "# nothing\n", 0o600), write("twice", line+line, 0o600), write("bad", line[:40]+"\n", 0o600), dir, filepath.Join(dir, "none")} {
		if _, err := KeyFile(path); err == nil || strings.Contains(err.Error(), line[:40]) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if path := write("open", key, 0o644); readByOthers(0o644) {
		if _, err := KeyFile(path); err == nil || !strings.Contains(err.Error(), "run: chmod 600") {
			t.Errorf("readable by all: %v", err)
		}
	}
	for _, work := range []int{-1, MaxWork + 1} {
		if _, err := Passphrase("x", work); err == nil {
			t.Errorf("work %d taken", work)
		}
	}
	if _, err := Passphrase("", 0); err == nil {
		t.Error("an empty passphrase was taken")
	}
}

// Any values come back, whatever they hold.
func TestValuesComeBack(t *testing.T) {
	key, err := NewKeyFile(filepath.Join(t.TempDir(), "k"), clock())
	must(t, err)
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		v, err := Create(filepath.Join(dir, fmt.Sprint(n)), key, WithClock(clock))
		must(t, err)
		want := rapid.MapOfN(rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9_-]{0,10}`), rapid.String().Filter(func(s string) bool { return fit(s) == nil }), 0, 6).Draw(rt, "secrets")
		for name, s := range want {
			must(t, v.Set(name, s))
		}
		must(t, v.Save())
		w, err := Open(v.Path(), key)
		must(t, err)
		if len(w.Names()) != len(want) {
			rt.Fatalf("%d of %d", len(w.Names()), len(want))
		}
		for name, s := range want {
			if value(t, w, name) != s {
				rt.Fatalf("%s came back changed", name)
			}
		}
	})
}

func FuzzOpen(f *testing.F) {
	body := []byte("age-encryption.org/v1\n-> scrypt x 4\n")
	data, _ := wrap(body)
	f.Add(data)
	f.Add([]byte(Format + " 3 sha256:" + strings.Repeat("0", 64) + "\nabc"))
	f.Add([]byte(""))
	f.Fuzz(func(t *testing.T, data []byte) {
		body, digest, err := unwrap(data)
		if err != nil {
			return
		}
		sum := sha256.Sum256(body)
		again, d := wrap(body)
		if digest != hex.EncodeToString(sum[:]) || d != digest || !bytes.Equal(again, data) {
			t.Errorf("%q was taken and is written as %q", data, again)
		}
	})
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(`{"format":"linehand.vault/1","secrets":[{"name":"a","value":"x","previous":"y","made":"2026-05-04T09:00:00Z","rotated":"2026-05-04T09:00:01Z"}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		entries, err := decode(text)
		if err != nil {
			return
		}
		out, err := encode(entries)
		if err != nil {
			return // a time that RFC 3339 cannot write
		}
		again, err := decode(out)
		if err != nil || len(again) != len(entries) {
			t.Errorf("%s was taken, and its own form %s is not: %v", text, out, err)
		}
	})
}
