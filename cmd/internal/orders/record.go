package orders

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// records is the name of a place's store of sealed records.
func records(place string) string { return "linehand-records-" + place }

func (s *Store) prepareRecords(ctx context.Context, p *place) error {
	err := p.try(ctx, func(ctx context.Context) error {
		_, err := p.js.ObjectStore(ctx, records(p.name))
		if !errors.Is(err, jetstream.ErrBucketNotFound) {
			return err
		}
		_, err = p.js.CreateObjectStore(ctx, jetstream.ObjectStoreConfig{
			Bucket: records(p.name), Description: "sealed session records", Storage: jetstream.FileStorage, Replicas: s.replicas(p),
		})
		if errors.Is(err, jetstream.ErrBucketExists) {
			return nil
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("make the store of records at %s: %w", p.name, err)
	}
	return nil
}

// mirrorRecords has the firm keep a copy of this leaf's records, which catches
// up by itself.
func (s *Store) mirrorRecords(ctx context.Context) error {
	stream := "OBJ_" + records(s.home.name)
	err := ensure(ctx, s.firm.js, jetstream.StreamConfig{
		Name: stream, Storage: jetstream.FileStorage, Replicas: s.opts.Replicas, AllowDirect: true,
		Mirror: &jetstream.StreamSource{Name: stream, External: external(s.opts.Bench)},
	})
	if err != nil {
		return fmt.Errorf("have the firm copy the records of bench %s: %w", s.home.name, err)
	}
	return nil
}

// ErrRecordExists says that there is another record of this name.
var ErrRecordExists = errors.New("there is a different record of this name already")

// PutRecord keeps a sealed record under its file's name. A record is never
// replaced: the same bytes again change nothing, others are ErrRecordExists.
func (s *Store) PutRecord(ctx context.Context, name string, r io.ReadSeeker) (Record, error) {
	rec := Record{Name: name, Place: s.home.name}
	sum := sha256.New()
	var err error
	if rec.Size, err = io.Copy(sum, r); err != nil {
		return rec, fmt.Errorf("read the record %s: %w", name, err)
	}
	rec.SHA256 = hex.EncodeToString(sum.Sum(nil))
	for {
		err := s.putRecord(ctx, rec, r)
		if err == nil || errors.Is(err, ErrRecordExists) || final(err) || ctx.Err() != nil {
			return rec, err
		}
		select { // a leader may be about to be chosen
		case <-ctx.Done():
			return rec, err
		case <-time.After(pause):
		}
	}
}

// oneRecord is how long a record may take to get to its store.
const oneRecord = 10 * time.Second

func (s *Store) putRecord(ctx context.Context, rec Record, r io.ReadSeeker) error {
	ctx, cancel := context.WithTimeout(ctx, oneRecord)
	defer cancel()
	store, err := s.home.js.ObjectStore(ctx, records(s.home.name))
	if err != nil {
		return fmt.Errorf("keep the record %s: %w", rec.Name, err)
	}
	if has, err := store.GetInfo(ctx, rec.Name); err == nil {
		if has.Metadata[digestKey] != rec.SHA256 {
			return fmt.Errorf("keep the record %s: %w", rec.Name, ErrRecordExists)
		}
		return nil
	}
	if _, err = r.Seek(0, io.SeekStart); err == nil {
		_, err = store.Put(ctx, jetstream.ObjectMeta{Name: rec.Name, Metadata: map[string]string{digestKey: rec.SHA256}}, r)
	}
	if err != nil {
		return fmt.Errorf("keep the record %s: %w", rec.Name, err)
	}
	return nil
}

// digestKey is the name of the digest among an object's metadata.
const digestKey = "sha256"

// Record reads a record. The reader gives an error at the end when the bytes
// are not those that were kept. The caller closes it.
func (s *Store) Record(ctx context.Context, rec Record) (io.ReadCloser, error) {
	p := s.firm // the firm has a copy of each bench's records
	if rec.Place == s.home.name {
		p = s.home
	}
	if p.linked != nil && !p.linked() {
		return nil, fmt.Errorf("record %s: %w", rec.Name, &UnreachableError{p.name, errNoLink})
	}
	store, err := p.js.ObjectStore(ctx, records(rec.Place))
	if err != nil {
		return nil, fmt.Errorf("read the record %s: %w", rec.Name, err)
	}
	object, err := store.Get(ctx, rec.Name)
	if err != nil {
		return nil, fmt.Errorf("read the record %s: %w", rec.Name, err)
	}
	return object, nil
}

// Records are those that are kept at a place: Firm, or the name of a bench.
func (s *Store) Records(ctx context.Context, place string) ([]Record, error) {
	p := s.firm
	if place == s.home.name {
		p = s.home
	}
	if p.linked != nil && !p.linked() {
		return nil, &UnreachableError{p.name, errNoLink}
	}
	store, err := p.js.ObjectStore(ctx, records(place))
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list the records of %s: %w", place, err)
	}
	infos, err := store.List(ctx)
	if errors.Is(err, jetstream.ErrNoObjectsFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list the records of %s: %w", place, err)
	}
	list := make([]Record, 0, len(infos))
	for _, i := range infos {
		list = append(list, Record{Name: i.Name, Place: place, SHA256: i.Metadata[digestKey], Size: int64(i.Size)})
	}
	return list, nil
}
