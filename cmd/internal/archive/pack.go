package archive

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"

	"linehand/cmd/internal/pack"
	"linehand/script/plan/sums"
	"linehand/transcript"
	"linehand/transcript/handover"
)

// Why there is no pack.
var (
	ErrNoPlan     = errors.New("a handover pack needs the site profile, and this bench has none")
	ErrNotPlanned = errors.New("a record is of a unit that the plan does not have")
	ErrNotSound   = errors.New("nothing is known of a record whose header is not sound")
)

// Pack is a handover pack that was made.
type Pack struct {
	Document handover.Document
	Files    []pack.File // the manifest last
}

// Manifest is the digest of the pack's manifest.
func (p *Pack) Manifest() string { return handover.Digest(p.Files[len(p.Files)-1].Data) }

// Make makes the pack of some records, by their names.
func (a *Archive) Make(names []string, labels pack.LabelSize) (*Pack, error) {
	sheet := a.sheet()
	if sheet == nil {
		return nil, ErrNoPlan
	}
	records, data, err := a.forPack(names)
	if err != nil {
		return nil, err
	}
	for _, r := range records {
		if _, err := sheet.Plan.Unit(r.Header.Unit); err != nil {
			return nil, ErrNotPlanned
		}
	}
	worked, _ := sums.Work(sheet.Site, sheet.Plan, sums.Options{}) // its problems are those of a check
	doc, err := handover.Make(pack.SiteOf(sheet.Site, sheet.Plan, worked), records)
	if err != nil {
		return nil, fmt.Errorf("make the handover document: %w", err)
	}
	content := pack.Content{Document: doc, Records: make(map[string][]byte), Plan: sheet.Plan, Sums: worked, Labels: labels}
	for _, r := range doc.Runs {
		content.Records[r.File] = data[r.SHA256]
	}
	files, err := pack.Files(content)
	if err != nil {
		return nil, fmt.Errorf("lay the handover pack out: %w", err)
	}
	return &Pack{Document: doc, Files: files}, nil
}

// forPack reads records with their bytes, which go into the pack as they are.
func (a *Archive) forPack(names []string) (records []handover.Record, data map[string][]byte, err error) {
	data = make(map[string][]byte)
	for _, name := range names {
		rec, file, err := a.oneForPack(name)
		if err != nil {
			return nil, nil, err
		}
		if data[rec.SHA256] == nil {
			data[rec.SHA256] = file
			records = append(records, rec)
		}
	}
	return records, data, nil
}

func (a *Archive) oneForPack(name string) (rec handover.Record, file []byte, err error) {
	f, err := a.File(name)
	if err != nil {
		return rec, nil, fmt.Errorf("%s: %w", name, err)
	}
	defer f.Close()
	if file, err = io.ReadAll(f); err != nil {
		return rec, nil, fmt.Errorf("read the record %s: %w", name, err)
	}
	rec = handover.Record{Record: new(transcript.Record), SHA256: handover.Digest(file), Size: int64(len(file))}
	rec.Header, err = transcript.Scan(bytes.NewReader(file), func(e transcript.Event) error {
		rec.Events = append(rec.Events, e)
		rec.Record.Seal = e.Seal
		return nil
	})
	if err != nil && !errors.As(err, &rec.Fault) {
		return rec, nil, fmt.Errorf("read the record %s: %w", name, err)
	}
	if rec.Whole = err == nil; !rec.Whole && rec.Header.Unit == "" {
		return rec, nil, fmt.Errorf("%s:%d: %s: %w", name, rec.Fault.Line, rec.Fault.Text, ErrNotSound)
	}
	rec.Seal, err = a.verify(name, bytes.NewReader(file))
	return rec, file, err
}

// Zip writes the pack as one file. The same pack gives the same bytes.
func (p *Pack) Zip(w io.Writer, folder string) error {
	z := zip.NewWriter(w)
	for _, f := range p.Files {
		out, err := z.Create(folder + "/" + f.Name)
		if err == nil {
			_, err = out.Write(f.Data)
		}
		if err != nil {
			return fmt.Errorf("zip the handover pack: %w", err)
		}
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("zip the handover pack: %w", err)
	}
	return nil
}
