// Package index finds session records among many: by text, unit, serial
// number, stage, fact and time, and by parts, steps, looks and points of visits.
//
// The index is one file beside the records that can be thrown away at any
// moment: the records are the truth, and Update makes it anew from them. It
// says where something stands, and proves nothing; whether a record is whole
// is for package audit to say.
//
// It holds what the records hold, so no secret, and is made for its owner
// only. Several programs may use one index at the same time.
package index

import (
	"context"
	"database/sql"
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver
)

// schema is what stands in a new index.
//
//go:embed schema.sql
var schema string

// version changes with the schema: an index of another version is made anew.
const version = 2

// Index is an open index.
type Index struct {
	db   *sql.DB
	path string
}

// Open opens the index at path. One that is missing, damaged or of another
// version is begun anew, and empty until Update.
func Open(ctx context.Context, path string) (*Index, error) {
	x, err := open(ctx, path)
	if err == nil {
		return x, nil
	}
	if err := remove(path); err != nil {
		return nil, fmt.Errorf("make the index anew: %w", err)
	}
	if x, err = open(ctx, path); err != nil {
		return nil, fmt.Errorf("make the index anew: %w", err)
	}
	return x, nil
}

// Anew opens an index that is begun from nothing, whatever is there.
func Anew(ctx context.Context, path string) (*Index, error) {
	if err := remove(path); err != nil {
		return nil, fmt.Errorf("make the index anew: %w", err)
	}
	return Open(ctx, path)
}

// remove throws an index away.
func remove(path string) error {
	for _, end := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

var errVersion = errors.New("the index is of another version")

func open(ctx context.Context, path string) (*Index, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) // for its owner only, before anything stands in it
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", dataSource(path))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	x := &Index{db: db, path: path}
	if err := x.prepare(ctx, info.Size() == 0); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return x, nil
}

func dataSource(path string) string {
	query := url.Values{"_pragma": {"busy_timeout(10000)", "journal_mode(WAL)", "synchronous(NORMAL)", "foreign_keys(ON)", "cache_size(-16000)"}}
	return (&url.URL{Scheme: "file", Opaque: filepath.ToSlash(url.PathEscape(path)), RawQuery: query.Encode()}).String()
}

func (x *Index) prepare(ctx context.Context, empty bool) error {
	if empty {
		if _, err := x.db.ExecContext(ctx, schema); err != nil {
			return err
		}
		_, err := x.db.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version))
		return err
	}
	var got int
	if err := x.db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&got); err != nil {
		return err
	}
	if got != version {
		return errVersion
	}
	var sound string
	if err := x.db.QueryRowContext(ctx, "SELECT name FROM sqlite_master WHERE name = 'lines'").Scan(&sound); err != nil {
		return err
	}
	return nil
}

// Close closes the index.
func (x *Index) Close() error { return x.db.Close() }
