package transcript

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"golang.org/x/crypto/scrypt"
)

// The vectors of RFC 7914 section 12, but for the one that takes a gigabyte.
func TestScrypt(t *testing.T) {
	for _, v := range []struct {
		password, salt string
		n, r, p        int
		want           string
	}{
		{"", "", 16, 1, 1, "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906"},
		{"password", "NaCl", 1024, 8, 16, "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b3731622eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640"},
		{"pleaseletmein", "SodiumChloride", 16384, 8, 1, "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"},
	} {
		got, err := scrypt.Key([]byte(v.password), []byte(v.salt), v.n, v.r, v.p, 64)
		must(t, err)
		if hex.EncodeToString(got) != v.want {
			t.Errorf("scrypt of %q: %x", v.password, got)
		}
	}
}

// typing is a run in which secrets are typed, and its commitments.
func typing(t *testing.T, c *Committer, say func(j *Journal)) []Event {
	t.Helper()
	mask := NewMask()
	mask.Add("admin", "tide-table-42")
	mask.Add("same", "tide-table-42-again")
	mask.Add("other", "deep kelp forest")
	mask.Add("two", "first value of two")
	mask.Add("two", "second value of two")
	path := filepath.Join(t.TempDir(), "a.record")
	j, err := Create(path, Header{Unit: "u"}, mask, WithCommitments(c))
	must(t, err)
	say(j)
	must(t, j.Append(Event{Kind: Ending, Code: "done"}))
	must(t, j.Close())
	rec, err := Read(path)
	must(t, err)
	if !rec.Whole {
		t.Fatal(rec.Fault)
	}
	var list []Event
	for _, e := range rec.Events {
		if e.Kind == Commitment {
			list = append(list, e)
		}
	}
	return list
}

func text(s string) []Part { return []Part{{Bytes: []byte(s)}} }

func TestCommitments(t *testing.T) {
	list := typing(t, NewCheapCommitter(), func(j *Journal) {
		must(t, j.Say(Event{Why: "answer", Data: text("tide-table-42")}))
		must(t, j.Say(Event{Why: "answer", Data: text("tide-table-42\r")}))
		must(t, j.Say(Event{Why: "answer", Data: []Part{{Secret: "other"}}}))
		must(t, j.Say(Event{Why: "answer", Data: text("a plain answer")}))
		must(t, j.Say(Event{Why: "answer", Data: []Part{{Secret: "two"}}}))
		must(t, j.Say(Event{Why: "answer", Data: text("second value of two")}))
		for _, key := range []string{"x", "\x7f", "tide", "-table-4", "2", "\r"} {
			must(t, j.Say(Event{Why: "hand", Data: text(key)}))
		}
	})
	var got []string
	for _, e := range list {
		got = append(got, fmt.Sprintf("%s %d", e.Name, e.Of))
	}
	if want := "admin 1, admin 2, other 3, two 6, admin 12"; strings.Join(got, ", ") != want {
		t.Fatalf("commitments to %v, want %s", got, want)
	}
	if list[0].Text != list[1].Text || list[0].Text != list[4].Text {
		t.Error("typings of one secret differ")
	}
	if salt(list[0]) == salt(list[2]) {
		t.Error("two names share a salt")
	}
	for value, want := range map[string][]bool{
		"tide-table-42": {true, true, false, false, true}, "deep kelp forest": {false, false, true, false, false},
		"second value of two": {false, false, false, true, false}, "tide-table-43": {false, false, false, false, false},
	} {
		for i, e := range list {
			same, err := CheckCommitment(e.Text, value)
			must(t, err)
			if same != want[i] {
				t.Errorf("%q is in event %d: %v", value, e.Of, same)
			}
		}
	}
	again := typing(t, NewCheapCommitter(), func(j *Journal) { must(t, j.Say(Event{Why: "answer", Data: text("tide-table-42")})) })
	if salt(again[0]) == salt(list[0]) {
		t.Error("two records share a salt")
	}
	for _, bad := range []string{"", "$scrypt$ln=40,r=8,p=1$AAAAAAAAAAAAAAAAAAAAAA$AA", "$scrypt$ln=4,r=9,p=1$$", list[0].Text + "$", strings.Replace(list[0].Text, "scrypt", "argon2id", 1)} {
		if _, err := CheckCommitment(bad, "x"); !errors.Is(err, ErrCommitment) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func salt(e Event) string { return strings.Split(e.Text, "$")[3] }

// The commitment is what FORMAT.md says, checked in another language.
func TestCommitmentInPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("python3 is not installed")
	}
	list := typing(t, NewCommitter(), func(j *Journal) { must(t, j.Say(Event{Why: "answer", Data: text("tide-table-42")})) })
	program := `import base64,hashlib,sys
_,name,cost,salt,digest=sys.argv[1].split("$")
d=dict(x.split("=") for x in cost.split(","))
raw=lambda s:base64.b64decode(s+"="*(-len(s)%4))
assert name=="scrypt" and d=={"ln":"16","r":"8","p":"1"} and len(raw(salt))==16
assert hashlib.scrypt(b"tide-table-42",salt=raw(salt),n=2**16,r=8,p=1,dklen=32,maxmem=2**27)==raw(digest)`
	if out, err := exec.Command(python, "-c", program, list[0].Text).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

func BenchmarkCommitment(b *testing.B) {
	c := NewCommitter()
	s, err := c.salt()
	must(b, err)
	for b.Loop() {
		if _, err := c.commit("tide-table-42", s); err != nil {
			b.Fatal(err)
		}
	}
}

// spellings are the ways in which a secret may show, made here without the
// package's own list: plain, URL (RFC 3986), JSON (RFC 8259), base 64 and base
// 16 (RFC 4648), UTF-16.
func spellings(secret string) map[string][]byte {
	quoted, _ := json.Marshal(secret)
	var little, big, percent, escaped []byte
	for _, u := range utf16.Encode([]rune(secret)) {
		little, big = append(little, byte(u), byte(u>>8)), append(big, byte(u>>8), byte(u))
		escaped = fmt.Appendf(escaped, `\u%04x`, u)
	}
	for _, c := range []byte(secret) {
		percent = fmt.Appendf(percent, "%%%02X", c)
	}
	all := map[string][]byte{
		"plain": []byte(secret), "query": []byte(url.QueryEscape(secret)), "path": []byte(url.PathEscape(secret)),
		"JSON": quoted[1 : len(quoted)-1], "base 16": []byte(hex.EncodeToString([]byte(secret))),
		"base 16, upper case": []byte(strings.ToUpper(hex.EncodeToString([]byte(secret)))),
		"UTF-16LE":            little, "UTF-16BE": big, "reversed": reversed(secret),
	}
	for name, encoding := range map[string]*base64.Encoding{"base 64": base64.RawStdEncoding, "base 64 for URLs": base64.RawURLEncoding} {
		for shift := range 3 {
			text := encoding.EncodeToString(append(make([]byte, shift), secret...))
			from, to := []int{0, 2, 3}[shift], 8*(shift+len(secret))/6
			all[fmt.Sprintf("%s, shifted by %d", name, shift)] = []byte(text[from:to])
		}
	}
	_, _ = percent, escaped // every character escaped: nothing here writes that
	return all
}

func reversed(s string) []byte {
	p := []byte(s)
	for i := range len(p) / 2 {
		p[i], p[len(p)-1-i] = p[len(p)-1-i], p[i]
	}
	return p
}

// Every secret in every spelling, whole and in pieces, comes down the line and
// is typed: no file that was written, however read, holds any of them.
func TestNoSecretInAnyEncoding(t *testing.T) {
	secrets := map[string]string{"admin": "tide-table/42+\"Ærø\"", "join": "deep kelp forest & co"}
	mask := NewMask()
	for name, value := range secrets {
		mask.Add(name, value)
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "a.record")
	j, err := Create(path, Header{Unit: "u", Planned: map[string]string{"x": secrets["admin"]}}, mask, WithCommitments(NewCheapCommitter()))
	must(t, err)
	for _, value := range secrets {
		for name, form := range spellings(value) {
			if name == "reversed" {
				continue // only looked for
			}
			for split := 1; split < len(form); split += 3 {
				must(t, j.Heard(time.Now(), append([]byte("\r\necho "), form[:split]...)))
				must(t, j.Heard(time.Now(), append(bytes.Clone(form[split:]), "\r\n"...)))
				must(t, j.Flush())
			}
			must(t, j.Append(Event{Kind: Note, Text: "in a note: " + string(form)}))
		}
		must(t, j.Say(Event{Why: "answer", Data: text(value)}))
	}
	must(t, j.Append(Event{Kind: Ending, Text: "Ended with " + secrets["join"]}))
	must(t, j.Close())
	rec, err := Read(path)
	must(t, err)
	raw, err := os.ReadFile(path)
	must(t, err)
	views := map[string][]byte{"file": raw, "heard": []byte(plainText(rec.Events, Heard)), "said": []byte(plainText(rec.Events, Said))}
	var decoded bytes.Buffer
	for _, e := range rec.Events {
		fmt.Fprintf(&decoded, "%s\n%s\n", e.Text, Typed(e.Data))
	}
	views["texts"] = decoded.Bytes()
	for secret, value := range secrets {
		for name, form := range spellings(value) {
			for view, data := range views {
				if bytes.Contains(data, form) {
					t.Errorf("the secret %s stands in the %s: %s", secret, view, name)
				}
			}
		}
	}
	if !bytes.Contains(views["heard"], []byte("‹secret admin›")) {
		t.Error("nothing was masked: the test shows nothing")
	}
}
