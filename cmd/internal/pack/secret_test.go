package pack

import (
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"linehand/script/secret"
)

// No file of a pack holds a secret that was typed, in any spelling.
func TestNoSecret(t *testing.T) {
	d := newDemo(t)
	store := secret.Throwaway(d.plan.Secrets, 7)
	values := make(map[string]string)
	for _, name := range store.Names() {
		var err error
		values[name], err = store.Secret(name)
		must(t, err)
	}
	list := files(t, d.content(t, d.played(t, "deep-1", store, values)))
	typed := 0
	for name, value := range values {
		for _, f := range list {
			if form := holds(t, f, value); form != "" {
				t.Errorf("%s holds the secret %s as %q", f.Name, name, form)
			}
		}
		if bytes.Contains(get(t, list, "handover.json"), []byte(name)) {
			typed++
		}
	}
	if typed == 0 {
		t.Error("no secret is named in the pack: this test finds nothing")
	}
	// The search itself: text on a PDF's page is found.
	if holds(t, File{"handover.pdf", get(t, list, "handover.pdf")}, "Skerrymore Acoustics Laboratory") == "" {
		t.Error("the search does not look into PDFs")
	}
}

// holds tells in which spelling a file holds a text.
func holds(t *testing.T, f File, text string) string {
	looked := [][]byte{f.Data}
	if strings.HasSuffix(f.Name, ".pdf") {
		looked = append(looked, inflated(f.Data), shown(t, f.Data))
	}
	for _, data := range looked {
		for _, form := range spellings(text) {
			if bytes.Contains(data, []byte(form)) {
				return form
			}
		}
	}
	return ""
}

var streams = regexp.MustCompile(`(?s)stream\r?\n(.*?)\r?\nendstream`)

// inflated are all streams of a PDF.
func inflated(data []byte) []byte {
	var out bytes.Buffer
	for _, m := range streams.FindAllSubmatch(data, -1) {
		r, err := zlib.NewReader(bytes.NewReader(m[1]))
		if err != nil {
			continue
		}
		_, _ = io.Copy(&out, r) // a font's bytes may hold the end mark: what could be read counts
	}
	return out.Bytes()
}

// shown is what a reader takes out of a PDF, where one is installed.
func shown(t *testing.T, data []byte) []byte {
	program, err := exec.LookPath("pdftotext")
	if err != nil {
		return nil
	}
	path := filepath.Join(t.TempDir(), "a.pdf")
	must(t, os.WriteFile(path, data, 0o600))
	return []byte(output(t, program, "-raw", path, "-"))
}

func spellings(text string) []string {
	asJSON, _ := json.Marshal(text)
	list := []string{text, string(asJSON[1 : len(asJSON)-1]), url.QueryEscape(text), url.PathEscape(text), hex.EncodeToString([]byte(text)), strings.ToUpper(hex.EncodeToString([]byte(text)))}
	for _, enc := range []*base64.Encoding{base64.RawStdEncoding, base64.RawURLEncoding} {
		for before := range 3 {
			all := enc.EncodeToString(append(make([]byte, before), text...))
			list = append(list, all[(8*before+5)/6:8*(before+len(text))/6])
		}
	}
	var little, big []byte
	for _, unit := range utf16.Encode([]rune(text)) {
		little, big = append(little, byte(unit), byte(unit>>8)), append(big, byte(unit>>8), byte(unit))
	}
	// A PDF's strings escape these (ISO 32000-1, 7.3.4.2).
	escaped := strings.NewReplacer(`\`, `\\`, `(`, `\(`, `)`, `\)`, "\r", `\r`).Replace(string(big))
	return append(list, string(little), string(big), escaped)
}
