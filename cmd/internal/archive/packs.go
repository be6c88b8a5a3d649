package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

const packEnd = ".zip"

// KeptPack is a pack that is kept as one file.
type KeptPack struct {
	Name string
	Size int64
	Made time.Time
}

// KeepPack writes a pack as one file below the folder of packs. It is there
// whole or not at all.
func (a *Archive) KeepPack(p *Pack, now time.Time) (KeptPack, error) {
	if err := os.MkdirAll(a.packs, 0o700); err != nil {
		return KeptPack{}, fmt.Errorf("make the folder of handover packs: %w", err)
	}
	folder := "handover-" + now.UTC().Format("20060102T150405Z") + "-" + p.Manifest()[:8]
	f, err := os.CreateTemp(a.packs, ".pack.*")
	if err != nil {
		return KeptPack{}, fmt.Errorf("write a handover pack: %w", err)
	}
	err = p.Zip(f, folder)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(a.packs, folder+packEnd))
	}
	if err != nil {
		os.Remove(f.Name())
		return KeptPack{}, fmt.Errorf("write a handover pack: %w", err)
	}
	info, err := os.Stat(filepath.Join(a.packs, folder+packEnd))
	if err != nil {
		return KeptPack{}, fmt.Errorf("write a handover pack: %w", err)
	}
	return KeptPack{folder + packEnd, info.Size(), info.ModTime()}, nil
}

// Packs are the packs that are kept, the latest first.
func (a *Archive) Packs() ([]KeptPack, error) {
	entries, err := os.ReadDir(a.packs)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list the handover packs: %w", err)
	}
	var list []KeptPack
	for _, e := range entries {
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() && strings.HasSuffix(e.Name(), packEnd) {
			list = append(list, KeptPack{e.Name(), info.Size(), info.ModTime()})
		}
	}
	slices.SortFunc(list, func(x, y KeptPack) int { return strings.Compare(y.Name, x.Name) })
	return list, nil
}

// ErrNoPack says that there is no pack of this name.
var ErrNoPack = errors.New("there is no such handover pack")

// PackFile opens a pack by its name; the caller closes it.
func (a *Archive) PackFile(name string) (*os.File, error) {
	if !strings.HasSuffix(name, packEnd) || filepath.Base(name) != name || !filepath.IsLocal(name) || strings.ContainsRune(name, 0) {
		return nil, ErrNoPack
	}
	root, err := os.OpenRoot(a.packs)
	if err != nil {
		return nil, ErrNoPack
	}
	defer root.Close()
	f, err := root.Open(name)
	if err != nil {
		return nil, ErrNoPack
	}
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		f.Close()
		return nil, ErrNoPack
	}
	return f, nil
}
