package pack

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"linehand/transcript"
	"linehand/transcript/handover"
	"linehand/transcript/seal"
)

// ErrInUse says that a folder holds something already.
var ErrInUse = errors.New("the folder is there already, and is not empty")

// Write writes the files into a new folder. It is there whole or not at all.
func Write(folder string, files []File) error {
	if err := free(folder); err != nil {
		return err
	}
	parent := filepath.Dir(filepath.Clean(folder))
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return fmt.Errorf("make the pack's folder: %w", err)
	}
	fresh, err := os.MkdirTemp(parent, ".handover-")
	if err != nil {
		return fmt.Errorf("make the pack's folder: %w", err)
	}
	defer os.RemoveAll(fresh)
	for _, f := range files {
		if err := put(filepath.Join(fresh, filepath.FromSlash(f.Name)), f.Data); err != nil {
			return fmt.Errorf("write %s: %w", f.Name, err)
		}
	}
	if err := os.Chmod(fresh, 0o755); err != nil {
		return fmt.Errorf("make the pack's folder: %w", err)
	}
	os.Remove(folder) // an empty one: not every system renames onto it
	if err := os.Rename(fresh, folder); err != nil {
		return fmt.Errorf("make the pack's folder: %w", err)
	}
	return nil
}

func free(folder string) error {
	list, err := os.ReadDir(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("make the pack's folder: %w", err)
	case len(list) > 0:
		return fmt.Errorf("%s: %w", folder, ErrInUse)
	}
	return nil
}

func put(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Sync(), f.Close())
}

// Report is what the verification of a pack found.
type Report struct {
	Folder   string           `json:"folder"`
	Manifest string           `json:"manifest_sha256"` // digest of the manifest itself
	Files    int              `json:"files"`           // that the manifest lists
	Faults   []handover.Fault `json:"faults"`
	Records  []*seal.Result   `json:"records"`
}

// Whole tells whether nothing is altered, missing or added.
func (r *Report) Whole() bool { return len(r.Faults) == 0 }

// Verify compares a pack with its manifest, and verifies the chain and seal
// of each record in it, by the keys that are trusted. An error is one of
// reading, or of a folder that is no pack.
func Verify(folder string, trusted ...seal.Public) (*Report, error) {
	data, err := os.ReadFile(filepath.Join(folder, handover.ManifestFile))
	if err != nil {
		return nil, fmt.Errorf("verify a handover pack: %w", err)
	}
	r := &Report{Folder: folder, Manifest: handover.Digest(data), Faults: []handover.Fault{}}
	m, err := handover.ReadManifest(data)
	if err != nil {
		r.Faults = append(r.Faults, handover.Fault{File: handover.ManifestFile, What: err.Error()})
		return r, nil
	}
	r.Files = len(m)
	found, err := r.walk(folder)
	if err != nil {
		return nil, err
	}
	r.Faults = append(r.Faults, m.Compare(found)...)
	for _, f := range found {
		if strings.HasPrefix(f.Name, "records/") {
			if err := r.record(folder, f.Name, trusted); err != nil {
				return nil, err
			}
		}
	}
	return r, nil
}

// walk gives the digests of all files but the manifest.
func (r *Report) walk(folder string) (found handover.Manifest, err error) {
	err = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(folder, path)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		if name == handover.ManifestFile {
			return nil
		}
		if !d.Type().IsRegular() {
			r.Faults = append(r.Faults, handover.Fault{File: transcript.Printable(name), What: "it is no regular file"})
			return nil
		}
		sum, err := digestFile(path)
		found = append(found, handover.Listed{Name: name, SHA256: sum})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("verify a handover pack: %w", err)
	}
	return found, nil
}

func digestFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// record verifies a record by itself. That a record bears no seal is no fault
// of the pack: it says so.
func (r *Report) record(folder, name string, trusted []seal.Public) error {
	res, err := seal.VerifyFile(filepath.Join(folder, filepath.FromSlash(name)), trusted...)
	if errors.Is(err, transcript.ErrNotRecord) || errors.Is(err, transcript.ErrOtherVersion) {
		r.Faults = append(r.Faults, handover.Fault{File: name, What: "it is no session record that can be read"})
		return nil
	}
	if err != nil {
		return fmt.Errorf("verify a handover pack: %w", err)
	}
	res.File = name
	r.Records = append(r.Records, res)
	for _, f := range res.Findings {
		known := slices.ContainsFunc(r.Faults, func(have handover.Fault) bool { return have.File == name })
		if f.Remark || f.Code == seal.Unsealed && len(trusted) == 0 || known && f.Line == 0 {
			continue
		}
		text := f.Text
		if f.Line > 0 {
			text = fmt.Sprintf("line %d: %s", f.Line, text)
		}
		r.Faults = append(r.Faults, handover.Fault{File: name, What: text})
	}
	return nil
}
