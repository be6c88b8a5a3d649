package vault

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"
)

// Format names the version of the file and of the payload inside.
const Format = "linehand.vault/1"

// longest bounds what is read: a vault is small.
const longest = 16 << 20

// longestHead is more than the first line has.
const longestHead = 128

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil {
		return nil, bare(err)
	} else if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("it is not a regular file; name one")
	}
	data, err := io.ReadAll(io.LimitReader(f, longest+1))
	if err != nil {
		return nil, bare(err)
	}
	if len(data) > longest {
		return nil, fmt.Errorf("it is larger than %d MiB, which no vault is; name another file", longest>>20)
	}
	return data, nil
}

// wrap puts the first line before an encrypted body.
func wrap(body []byte) (data []byte, digest string) {
	sum := sha256.Sum256(body)
	digest = hex.EncodeToString(sum[:])
	return append([]byte(fmt.Sprintf("%s %d sha256:%s\n", Format, len(body), digest)), body...), digest
}

// unwrap takes the first line off, and says whether the body is the one that
// it was written with.
func unwrap(data []byte) (body []byte, digest string, err error) {
	const mend = "nothing was changed by this; take the last copy that is whole"
	if len(data) == 0 {
		return nil, "", fmt.Errorf("%w: it is empty; %s", ErrCutShort, mend)
	}
	head, body, whole := bytes.Cut(data, []byte("\n"))
	if !whole && len(data) < longestHead && isHead(string(data)) {
		return nil, "", fmt.Errorf("%w: it ends within its first line; %s", ErrCutShort, mend)
	}
	version, rest, _ := strings.Cut(string(head[:min(len(head), longestHead)]), " ")
	length, sum, _ := strings.Cut(rest, " ")
	actual := sha256.Sum256(body)
	digest = hex.EncodeToString(actual[:])
	agrees := sum == "sha256:"+digest
	switch n, err := strconv.Atoi(length); {
	case version != Format && strings.HasPrefix(version, "linehand.vault/") && agrees:
		return nil, "", fmt.Errorf("%w, %s; open it with the version that wrote it", ErrVersion, Format)
	case version != Format && !agrees && !isHead(string(head)+"\n"):
		if bytes.HasPrefix(head, []byte("linehand.v")) || strings.Contains(rest, "sha256:") {
			return nil, "", fmt.Errorf("%w: its first line is not as it was written; %s", ErrChanged, mend)
		}
		return nil, "", fmt.Errorf("%w, %s; name a vault", ErrVersion, Format)
	case version != Format || err != nil || strconv.Itoa(n) != length || len(sum) != len("sha256:")+len(digest):
		return nil, "", fmt.Errorf("%w: its first line is not as it was written; %s", ErrChanged, mend)
	case agrees && n == len(body):
		return body, digest, nil
	case !agrees && len(body) < n:
		return nil, "", fmt.Errorf("%w: %d of %d bytes are there; %s", ErrCutShort, len(body), n, mend)
	}
	return nil, "", fmt.Errorf("%w: it is not what was written, by its SHA-256; %s", ErrChanged, mend)
}

// isHead says whether a text is the beginning of a first line.
func isHead(s string) bool {
	return strings.HasPrefix(s, Format+" ") || strings.HasPrefix(Format+" ", s)
}

// payload is what is encrypted.
type payload struct {
	Format  string   `json:"format"`
	Secrets []secret `json:"secrets"`
}

type secret struct {
	Name     string     `json:"name"`
	Value    string     `json:"value"`
	Previous *string    `json:"previous,omitempty"`
	Made     time.Time  `json:"made"`
	Rotated  *time.Time `json:"rotated,omitempty"`
}

func encode(entries []entry) ([]byte, error) {
	p := payload{Format: Format, Secrets: make([]secret, len(entries))}
	for i, e := range entries {
		s := secret{Name: e.name, Value: e.value(), Made: e.made}
		if e.previous != nil {
			value := e.previous()
			s.Previous = &value
		}
		if !e.rotated.IsZero() {
			s.Rotated = &e.rotated
		}
		p.Secrets[i] = s
	}
	return json.Marshal(p)
}

// decode reads a payload. It repeats nothing of what it cannot read, and so
// drops the reader's own error, which may quote a value.
func decode(text []byte) ([]entry, error) {
	var p payload
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil || d.More() {
		return nil, fmt.Errorf("%w: what is encrypted in it cannot be read; open it with the version that wrote it", ErrVersion)
	}
	if p.Format != Format {
		return nil, fmt.Errorf("%w, %s; open it with the version that wrote it", ErrVersion, Format)
	}
	entries := make([]entry, len(p.Secrets))
	for i, s := range p.Secrets {
		if fitName(s.Name) != nil || fit(s.Value) != nil || i > 0 && s.Name <= p.Secrets[i-1].Name {
			return nil, fmt.Errorf("%w: entry %d of what is encrypted in it is not as this program writes it; open it with the version that wrote it", ErrVersion, i+1)
		}
		entries[i] = entry{name: s.Name, value: held(s.Value), made: s.Made}
		if s.Previous != nil {
			entries[i].previous = held(*s.Previous)
		}
		if s.Rotated != nil {
			entries[i].rotated = *s.Rotated
		}
	}
	return entries, nil
}
