package ledger

import (
	"archive/tar"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"time"

	"linehand/transcript"
	"linehand/transcript/internal/durable"
	"linehand/transcript/internal/link"
	"linehand/transcript/seal"
)

// PackFormat is the name and version of a pack.
const PackFormat = "linehand.pack/1"

const packFile = "pack.json"

// A pack is a tar file (POSIX.1-2001) that holds pack.json and then the
// records of one site, in the order of the log. The same log gives the same
// bytes.
type pack struct {
	Format     string      `json:"format"`
	Bench      string      `json:"bench"`
	Site       string      `json:"site"`
	Checkpoint string      `json:"checkpoint"`
	Keys       []packedKey `json:"keys"`    // that the log began with and went over to
	Records    []packed    `json:"records"` // in the order in which they follow
}

// packedKey is an entry of a key, with the link before it, which its
// signature is over.
type packedKey struct {
	Before string `json:"before"`
	Proof  Proof  `json:"proof"`
}

type packed struct {
	Name  string `json:"name"`
	Size  int64  `json:"size"`
	Proof Proof  `json:"proof"`
}

// ErrPack says that an archive is no pack, or not one that can be trusted.
var ErrPack = errors.New("the archive cannot be taken in")

// Pack writes the records of a site as one archive, with what it takes to
// verify them elsewhere, and without what the log has of other sites. Each
// record is verified on the way.
func Pack(w io.Writer, dir, site string) error {
	if err := writePack(w, dir, site); err != nil {
		return fmt.Errorf("pack the records of site %s: %w", transcript.Printable(site), err)
	}
	return nil
}

func writePack(w io.Writer, dir, site string) error {
	log, fault, err := Read(dir)
	if err != nil {
		return err
	}
	if fault != nil {
		return errors.New(fault.String())
	}
	text, err := os.ReadFile(filepath.Join(dir, CheckpointFile))
	if err != nil {
		return err
	}
	c, err := ReadCheckpoint(text)
	if err != nil {
		return err
	}
	p, paths, err := log.pack(site, c)
	if err != nil {
		return err
	}
	body, err := json.Marshal(p)
	if err != nil {
		return err
	}
	t := tar.NewWriter(w)
	if err := addFile(t, packFile, int64(len(body)), bytes.NewReader(body)); err != nil {
		return err
	}
	for i, one := range p.Records {
		if err := addRecord(t, filepath.Join(dir, filepath.FromSlash(paths[i])), one, log.Keys()); err != nil {
			return err
		}
	}
	return t.Close()
}

// pack gathers what goes into a pack, and where the records are.
func (l *Log) pack(site string, c Checkpoint) (p pack, paths []string, err error) {
	p = pack{Format: PackFormat, Bench: l.Bench(), Site: site, Checkpoint: c.String()}
	removed := make(map[int64]bool)
	for _, e := range l.entries {
		removed[e.Of] = removed[e.Of] || e.Kind == Removed
	}
	for _, e := range l.entries[:min(c.Size, int64(l.Size()))] {
		isKey := e.Kind == Begun || e.Kind == KeyChanged
		if !isKey && (e.Kind != Sealed || e.Site != site || removed[e.Entry]) {
			continue
		}
		proof, err := l.Prove(e.Entry, c)
		if err != nil {
			return p, nil, err
		}
		if isKey {
			p.Keys = append(p.Keys, packedKey{l.before(e.Entry), proof})
			continue
		}
		p.Records = append(p.Records, packed{path.Base(e.Record), e.Size + int64(len(e.Seal)) + 1, proof})
		paths = append(paths, e.Record)
	}
	if len(paths) == 0 {
		return p, nil, errors.New("the log has no sealed record of this site")
	}
	return p, paths, nil
}

// addFile adds a file whose header depends on its name and size alone.
func addFile(t *tar.Writer, name string, size int64, r io.Reader) error {
	h := &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: time.Unix(0, 0), Format: tar.FormatPAX}
	if err := t.WriteHeader(h); err != nil {
		return err
	}
	_, err := io.Copy(t, r)
	return err
}

func addRecord(t *tar.Writer, name string, one packed, keys []seal.Public) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || info.Size() != one.Size {
		return errors.Join(err, fmt.Errorf("%s has another size than the log says: verify the folder", name))
	}
	// Verified as it goes into the archive: what is read twice can differ.
	pr, pw := io.Pipe()
	type outcome struct {
		res *seal.Result
		err error
	}
	verified := make(chan outcome, 1)
	go func() {
		res, err := seal.Verify(pr, keys...)
		io.Copy(io.Discard, pr)
		verified <- outcome{res, err}
	}()
	err = addFile(t, one.Name, one.Size, io.TeeReader(f, pw))
	pw.CloseWithError(err)
	got := <-verified
	switch {
	case err != nil:
		return err
	case got.err != nil:
		return fmt.Errorf("%s: %w", name, got.err)
	}
	return sameSeal(name, one, got.res)
}

// sameSeal tells whether a record that was verified is the one that the entry
// is about.
func sameSeal(name string, one packed, res *seal.Result) error {
	if !res.Whole() {
		return fmt.Errorf("%s: %s", name, res.Findings[len(res.Findings)-1].Text)
	}
	var e Entry
	if err := json.Unmarshal([]byte(one.Proof.Line), &e); err != nil || res.Outline.Link != e.Link() {
		return fmt.Errorf("%s bears another seal than the log says", name)
	}
	return nil
}

var recordName = regexp.MustCompile(`^[A-Za-z0-9_-][A-Za-z0-9._-]*\.record$`)

// Unpack takes a pack in: each record is verified on the way, with the given
// keys of the bench that made the pack, and put into the folder
// imported/BENCH below the log's; the log gets an entry for each. One that is
// there already, the same, is passed over. It returns what came in.
func (l *Ledger) Unpack(r io.Reader, by string, keys ...seal.Public) ([]Entry, error) {
	list, err := l.unpack(tar.NewReader(r), by, keys)
	if err != nil {
		return list, fmt.Errorf("%w: %w", ErrPack, err)
	}
	return list, nil
}

func (l *Ledger) unpack(t *tar.Reader, by string, keys []seal.Public) (list []Entry, err error) {
	h, err := t.Next()
	if err != nil || h.Name != packFile || h.Size > 1<<30 {
		return nil, fmt.Errorf("it is no pack of records: it does not begin with %s", packFile)
	}
	var p pack
	body, err := io.ReadAll(t)
	if err != nil {
		return nil, err
	}
	err = json.Unmarshal(body, &p)
	if again, _ := json.Marshal(p); err != nil || !bytes.Equal(again, body) || p.Format != PackFormat || !rightName(p.Bench) {
		return nil, fmt.Errorf("%s cannot be read, or is of another version", packFile)
	}
	keys, err = p.keys(keys)
	if err != nil {
		return nil, err
	}
	folder := filepath.Join(l.dir, "imported", p.Bench)
	if err := durable.MakeFolder(folder); err != nil {
		return nil, err
	}
	for _, one := range p.Records {
		h, err := t.Next()
		if err != nil || h.Name != one.Name || h.Size != one.Size || !recordName.MatchString(one.Name) {
			return list, fmt.Errorf("%s does not follow where it should", transcript.Printable(one.Name))
		}
		e, fresh, err := l.takeIn(t, folder, p, one, keys, by)
		if err != nil {
			return list, err
		}
		if fresh {
			list = append(list, e)
		}
	}
	if _, err := t.Next(); err != io.EOF {
		return list, errors.New("more follows than it says")
	}
	return list, nil
}

// keys are those that the trusted ones vouch for; the first of them has to be
// one of those that the log went through.
func (p pack) keys(trusted []seal.Public) ([]seal.Public, error) {
	if len(trusted) == 0 {
		return nil, errors.New("name a key of the bench that made it")
	}
	// The checkpoint is signed by the key in use when the pack was made. It is
	// trusted if a trusted key went over to it, step by step.
	known := trusted
	for _, k := range p.Keys {
		if _, ok := link.From(k.Before).Follow([]byte(k.Proof.Line)); !ok {
			return nil, fmt.Errorf("%w: an entry of a key was altered", ErrProof)
		}
		if key, ok := k.handedOver(known); ok {
			known = append(known[:len(known):len(known)], key)
		}
	}
	c, err := ReadCheckpoint([]byte(p.Checkpoint))
	if err != nil {
		return nil, err
	}
	if _, err := c.Verify(known...); err != nil {
		return nil, err
	}
	if c.Bench != p.Bench {
		return nil, errors.New("its checkpoint is of another bench")
	}
	// What a trusted key has signed the root of, it vouches for: earlier keys too.
	for _, k := range p.Keys {
		e, err := k.Proof.Check(known...)
		if err != nil || k.Proof.To != p.Checkpoint {
			return nil, errors.Join(err, ErrProof)
		}
		key, _ := seal.ParsePublic(e.Key)
		known = append(known[:len(known):len(known)], key)
	}
	return known, nil
}

// handedOver is the key that one of the known keys went over to.
func (k packedKey) handedOver(known []seal.Public) (seal.Public, bool) {
	var e Entry
	if json.Unmarshal([]byte(k.Proof.Line), &e) != nil || e.Kind != KeyChanged {
		return seal.Public{}, false
	}
	text := entryText(k.Before, unsigned([]byte(k.Proof.Line)))
	for _, key := range known {
		if key.Verify(text, e.Signature) {
			fresh, err := seal.ParsePublic(e.Key)
			return fresh, err == nil
		}
	}
	return seal.Public{}, false
}

// takeIn verifies a record, puts it into the folder and enters it.
func (l *Ledger) takeIn(r io.Reader, folder string, p pack, one packed, keys []seal.Public, by string) (Entry, bool, error) {
	source, err := one.Proof.Check(keys...)
	if err != nil || one.Proof.To != p.Checkpoint || source.Kind != Sealed || source.Site != p.Site {
		return source, false, errors.Join(err, fmt.Errorf("%s is not proved to be in the log of %s", one.Name, p.Bench))
	}
	temp, err := os.CreateTemp(folder, ".coming-in-*")
	if err != nil {
		return source, false, err
	}
	defer os.Remove(temp.Name())
	defer temp.Close()
	res, err := seal.Verify(io.TeeReader(r, temp), keys...)
	if err == nil {
		err = sameSeal(one.Name, one, res)
	}
	if err == nil {
		err = temp.Sync()
	}
	if err != nil {
		return source, false, err
	}
	path := filepath.Join(folder, one.Name)
	name, err := l.name(path)
	if err != nil {
		return source, false, err
	}
	if old := l.log.Find(name); old != nil {
		if there, err := seal.VerifyFile(path, keys...); err == nil && there.Whole() && there.Outline.Link == source.Link() {
			return source, false, nil
		}
		if old.Link() != source.Link() {
			return source, false, fmt.Errorf("%s was brought in before, and was another record", name)
		}
	}
	e := Entry{Entry: int64(l.log.Size()), Kind: Imported, Bench: p.Bench, Record: name, Unit: source.Unit, Site: source.Site, Started: source.Started, By: by, Checkpoint: p.Checkpoint, Seal: source.Seal}
	// The file comes first: until the entry is there, it is only a file that the log does not know.
	if err := os.Rename(temp.Name(), path); err != nil {
		return e, false, err
	}
	if err := durable.SyncFolder(folder); err != nil {
		return e, false, err
	}
	return e, true, l.done(e, nil)
}
