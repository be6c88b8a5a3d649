package handover

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// ManifestFile is the manifest's name in a pack.
const ManifestFile = "manifest.sha256"

// Manifest are the digests of all other files of a pack, sorted by name. As
// a file it is a line for each: the SHA-256 (FIPS 180-4) in 64 digits, two
// blanks and the name with slashes. That is what sha256sum and shasum check.
type Manifest []Listed

// Listed is one file of a manifest.
type Listed struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Digest is the SHA-256 of data as a manifest writes it.
func Digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// Add adds a file.
func (m *Manifest) Add(name string, data []byte) {
	*m = append(*m, Listed{name, Digest(data)})
}

// Bytes is the manifest as a file.
func (m Manifest) Bytes() []byte {
	sorted := slices.Clone(m)
	slices.SortFunc(sorted, func(a, b Listed) int { return strings.Compare(a.Name, b.Name) })
	var b bytes.Buffer
	for _, l := range sorted {
		fmt.Fprintf(&b, "%s  %s\n", l.SHA256, l.Name)
	}
	return b.Bytes()
}

// ReadManifest reads what Bytes writes, and nothing else.
func ReadManifest(data []byte) (Manifest, error) {
	var m Manifest
	scan := bufio.NewScanner(bytes.NewReader(data))
	for n := 1; scan.Scan(); n++ {
		sum, name, ok := strings.Cut(scan.Text(), "  ")
		raw, err := hex.DecodeString(sum)
		switch {
		case !ok, err != nil, len(raw) != sha256.Size, hex.EncodeToString(raw) != sum:
			return nil, fmt.Errorf("%s:%d: a line is a SHA-256 in 64 digits, two blanks and a file's name", ManifestFile, n)
		case !fs.ValidPath(name) || path.Clean(name) != name || strings.Contains(name, `\`) || name == ManifestFile:
			return nil, fmt.Errorf("%s:%d: %q names no file of a pack", ManifestFile, n, clean(name))
		case len(m) > 0 && m[len(m)-1].Name >= name:
			return nil, fmt.Errorf("%s:%d: the names are not in order", ManifestFile, n)
		}
		m = append(m, Listed{name, sum})
	}
	if err := scan.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", ManifestFile, err)
	}
	if !bytes.Equal(m.Bytes(), data) || len(m) == 0 {
		return nil, fmt.Errorf("%s: it is cut off, or not as it was written", ManifestFile)
	}
	return m, nil
}

// Fault is a way in which a pack is not as it was made.
type Fault struct {
	File string `json:"file"`
	What string `json:"what"` // one sentence without the file
}

// Compare compares a pack's files, the manifest aside, with the manifest.
func (m Manifest) Compare(found Manifest) []Fault {
	have := make(map[string]string, len(found))
	for _, f := range found {
		have[f.Name] = f.SHA256
	}
	var faults []Fault
	for _, want := range m {
		switch got, ok := have[want.Name]; {
		case !ok:
			faults = append(faults, Fault{want.Name, "the file is missing"})
		case got != want.SHA256:
			faults = append(faults, Fault{want.Name, "the file was altered: its digest is another"})
		}
		delete(have, want.Name)
	}
	for _, f := range found {
		if _, ok := have[f.Name]; ok {
			faults = append(faults, Fault{clean(f.Name), "the file is not in the manifest: it was added later"})
		}
	}
	return faults
}
