// Package pack makes the handover pack: a folder with the documents that stay
// with the customer. Its content is worked out by package handover; this
// package lays it out on paper (PDF), as a page (HTML) and as labels, and
// writes and verifies the folder:
//
//	handover.pdf, handover.html   the same document for paper and for a screen
//	labels.pdf                    a label for each unit, with a QR code
//	handover.json                 all of it for machines
//	register/units.csv            the units, for the asset register
//	register/as-built.csv         every value
//	register/punch-list.csv       what is open, and what was closed
//	register/steps.csv, looks.csv, proof.csv   of visits, where there was one
//	drawings/*.svg                racks, networks and disk layouts
//	records/*.record              the session records, byte for byte
//	keys/*.pem                    the public keys that the records are sealed by
//	manifest.sha256               the digests of all of these
//
// The same records, profile and options give the same bytes. Text that came
// from a unit is escaped for each of the forms, and no file's name is made of
// it. The package reads no clock, and no secret: it is given none.
package pack

import (
	"bytes"
	"fmt"
	"slices"

	"linehand/cmd/internal/draw"
	"linehand/cmd/internal/page"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/transcript/handover"
)

// Content is what goes into a pack.
type Content struct {
	Document handover.Document
	Records  map[string][]byte // name in the pack -> the record's bytes
	Plan     *plan.Plan
	Sums     sums.Sums
	Labels   LabelSize
}

// File is one file of a pack.
type File struct {
	Name string // with slashes
	Data []byte
}

// Files makes all files of a pack, the manifest last.
func Files(c Content) ([]File, error) {
	w := &writer{content: c, pictures: picturesOf(c)}
	w.sections = sections(c, w.pictures)
	w.make("handover.pdf", w.pdf)
	w.make("handover.html", w.html)
	w.make("labels.pdf", w.labels)
	w.make("handover.json", func(b *bytes.Buffer) error { return c.Document.WriteJSON(b) })
	w.make("register/units.csv", func(b *bytes.Buffer) error { return c.Document.WriteUnits(b) })
	w.make("register/as-built.csv", func(b *bytes.Buffer) error { return c.Document.WriteBuilt(b) })
	w.make("register/punch-list.csv", func(b *bytes.Buffer) error { return c.Document.WritePunch(b) })
	if c.Document.Visited() {
		w.make("register/steps.csv", func(b *bytes.Buffer) error { return c.Document.WriteSteps(b) })
		w.make("register/looks.csv", func(b *bytes.Buffer) error { return c.Document.WriteLooks(b) })
		w.make("register/proof.csv", func(b *bytes.Buffer) error { return c.Document.WriteProof(b) })
	}
	w.drawings()
	for _, r := range c.Document.Runs {
		w.files = append(w.files, File{r.File, c.Records[r.File]})
	}
	w.keys()
	if w.err != nil {
		return nil, w.err
	}
	var m handover.Manifest
	for _, f := range w.files {
		m.Add(f.Name, f.Data)
	}
	return append(w.files, File{handover.ManifestFile, m.Bytes()}), nil
}

type writer struct {
	content  Content
	pictures pictures
	sections []section
	files    []File
	err      error
}

func (w *writer) make(name string, write func(*bytes.Buffer) error) {
	if w.err != nil {
		return
	}
	var b bytes.Buffer
	if err := write(&b); err != nil {
		w.err = fmt.Errorf("make %s: %w", name, err)
		return
	}
	w.files = append(w.files, File{name, b.Bytes()})
}

// keys are the public keys of all seals.
func (w *writer) keys() {
	var names []string
	for _, r := range w.content.Document.Runs {
		if r.Seal == nil {
			continue
		}
		name := "keys/" + r.Seal.Key.Short() + ".pem"
		if !slices.Contains(names, name) {
			names = append(names, name)
			w.files = append(w.files, File{name, r.Seal.Key.PEM()})
		}
	}
}

// pictures are the drawings of a pack.
type pictures struct {
	racks    []*draw.Picture
	networks [][]*draw.Picture
	disks    []*draw.Picture
}

func picturesOf(c Content) pictures {
	return pictures{page.Racks(c.Plan, c.Sums.Racks), page.Networks(c.Plan), page.DiskLayouts(c.Sums.Disks)}
}

// drawings are the drawings as files of their own.
func (w *writer) drawings() {
	add := func(name string, p *draw.Picture) {
		w.files = append(w.files, File{"drawings/" + name + ".svg", alone(p)})
	}
	for i, p := range w.pictures.racks {
		add(fmt.Sprintf("%s-%s", p.ID, handover.Slug(w.content.Sums.Racks[i].Rack.Name)), p)
	}
	for i, maps := range w.pictures.networks {
		for _, p := range maps {
			add(p.ID+"-"+handover.Slug(w.content.Plan.Networks[i].Name), p)
		}
	}
	for _, p := range w.pictures.disks {
		add(p.ID, p)
	}
}
