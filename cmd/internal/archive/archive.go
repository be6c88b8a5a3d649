// Package archive is the session records of a bench, as its API and pages read
// them: found, audited against the plan, replayed, verified and handed over. It
// changes no record, and reads none outside its folder.
//
// The records are the truth; what is kept beside them is an index that can be
// thrown away.
package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"linehand/cmd/internal/station"
	"linehand/transcript"
	"linehand/transcript/audit"
	"linehand/transcript/index"
	"linehand/transcript/replay"
	"linehand/transcript/seal"
)

// ErrNone says that there is no record of this name.
var ErrNone = errors.New("there is no such record")

// Archive is a folder of session records.
type Archive struct {
	folder  string
	packs   string
	sheet   func() *station.Sheet
	trusted func() ([]seal.Public, error)

	indexing sync.Mutex // one update of the index at a time
}

// Options say what records are held against.
type Options struct {
	Folder  string                        // of the records; made when it is not there
	Packs   string                        // folder for handover packs; "": handover below Folder
	Sheet   func() *station.Sheet         // the plan; nil, or giving nil: none
	Trusted func() ([]seal.Public, error) // keys of benches; nil: those of the folder's own ring
}

// Open opens the records of a folder.
func Open(o Options) (*Archive, error) {
	if err := os.MkdirAll(o.Folder, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of records: %w", err)
	}
	a := &Archive{folder: o.Folder, packs: o.Packs, sheet: o.Sheet, trusted: o.Trusted}
	if a.packs == "" {
		a.packs = filepath.Join(o.Folder, "handover")
	}
	if a.sheet == nil {
		a.sheet = func() *station.Sheet { return nil }
	}
	if a.trusted == nil {
		a.trusted = func() ([]seal.Public, error) { return ownKeys(o.Folder) }
	}
	return a, nil
}

func ownKeys(folder string) ([]seal.Public, error) {
	list, err := seal.OpenRing(filepath.Join(folder, "keys")).List()
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var keys []seal.Public
	for _, k := range list {
		keys = append(keys, k.Key)
	}
	return keys, err
}

// indexName is the index's file, as linehand search names it.
const indexName = "index.db"

// Find finds places in records, the latest records first. A query that asks
// for nothing finds every record.
func (a *Archive) Find(ctx context.Context, q index.Query) ([]index.Hit, error) {
	if (q == index.Query{Limit: q.Limit}) {
		q.Since = time.Unix(0, 0)
	}
	a.indexing.Lock()
	defer a.indexing.Unlock()
	x, err := index.Open(ctx, filepath.Join(a.folder, indexName))
	if err != nil {
		return nil, fmt.Errorf("open the index of the records: %w", err)
	}
	defer x.Close()
	if _, err := x.Update(ctx, a.folder); err != nil {
		return nil, fmt.Errorf("bring the index of the records up to date: %w", err)
	}
	hits, err := x.Search(ctx, q)
	if err != nil {
		return nil, fmt.Errorf("search the records: %w", err)
	}
	for i, h := range hits {
		hits[i].Record = a.name(h.Record)
	}
	return hits, nil
}

// name is a record's file below the folder, with slashes.
func (a *Archive) name(path string) string {
	full, err := filepath.Abs(path)
	base, berr := filepath.Abs(a.folder)
	if rel, rerr := filepath.Rel(base, full); errors.Join(err, berr, rerr) == nil {
		return filepath.ToSlash(rel)
	}
	return filepath.Base(path)
}

// File opens a record by its name, as Find gives it. What leads out of the
// folder, or is named otherwise than a record, is ErrNone.
func (a *Archive) File(name string) (*os.File, error) {
	if !strings.HasSuffix(name, index.Extension) || strings.ContainsRune(name, 0) || !filepath.IsLocal(filepath.FromSlash(name)) {
		return nil, ErrNone
	}
	root, err := os.OpenRoot(a.folder)
	if err != nil {
		return nil, fmt.Errorf("open the folder of records: %w", err)
	}
	defer root.Close()
	f, err := root.Open(filepath.FromSlash(name))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNone, err)
	}
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		f.Close()
		return nil, ErrNone
	}
	return f, nil
}

// Read reads a record as far as it is whole.
func (a *Archive) Read(name string) (*transcript.Record, error) {
	f, err := a.File(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rec := new(transcript.Record)
	rec.Header, err = transcript.Scan(f, func(e transcript.Event) error {
		rec.Events = append(rec.Events, e)
		rec.Seal = e.Seal
		return nil
	})
	if err != nil && !errors.As(err, &rec.Fault) {
		return nil, fmt.Errorf("read the record %s: %w", name, err)
	}
	return rec, nil
}

// Audit holds a record against the plan as it is now; against the plan of its
// own header where the unit is planned no more.
func (a *Archive) Audit(name string) (audit.Report, error) {
	rec, err := a.Read(name)
	if err != nil {
		return audit.Report{}, err
	}
	return audit.Audit(rec, a.planned(rec.Header.Unit)), nil
}

// Film is the record as frames to be played.
func (a *Archive) Film(name string) (*replay.Film, error) {
	rec, err := a.Read(name)
	if err != nil {
		return nil, err
	}
	return replay.FilmOf(rec), nil
}

// Seal verifies the record's chain and signature.
func (a *Archive) Seal(name string) (*seal.Result, error) {
	f, err := a.File(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return a.verify(name, f)
}

func (a *Archive) verify(name string, r io.Reader) (*seal.Result, error) {
	keys, err := a.trusted()
	if err != nil {
		return nil, fmt.Errorf("read the keys that are trusted: %w", err)
	}
	result, err := seal.Verify(r, keys...)
	if err != nil {
		return nil, fmt.Errorf("verify the record %s: %w", name, err)
	}
	result.File = name
	return result, nil
}
