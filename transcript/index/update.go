package index

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"linehand/transcript"
)

// Change is what an update did.
type Change struct {
	Added, Changed, Moved, Removed, Same int
	Unread                               []string // files that are named like a record and are none, with the reason
}

// Extension is what the names of records end in.
const Extension = ".record"

// tailSize is enough for the end of a line with its link.
const tailSize = 80

// file is a record on disk, as far as it tells without being read.
type file struct {
	path, identity, link string
	size                 int64
}

// Update brings the index up to date with the records in folders and below
// them. A record whose file, size and last link are those of before is not
// read again.
func (x *Index) Update(ctx context.Context, folders ...string) (Change, error) {
	var c Change
	found, err := find(folders, &c)
	if err != nil {
		return c, fmt.Errorf("look for records: %w", err)
	}
	tx, err := x.db.BeginTx(ctx, nil)
	if err != nil {
		return c, fmt.Errorf("update the index: %w", err)
	}
	defer func() { _ = tx.Rollback() }() // nothing once it is committed
	u := &updater{ctx: ctx, tx: tx, change: &c}
	if err := u.all(found, folders); err != nil {
		return c, fmt.Errorf("update the index: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return c, fmt.Errorf("update the index: %w", err)
	}
	return c, nil
}

// find lists the records in folders. A folder that is not there has none.
func find(folders []string, c *Change) ([]file, error) {
	var found []file
	for _, folder := range folders {
		err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
			switch {
			case errors.Is(err, fs.ErrNotExist):
				return nil
			case err != nil:
				c.Unread = append(c.Unread, err.Error())
				return nil
			case !d.Type().IsRegular() || filepath.Ext(path) != Extension:
				return nil
			}
			f, err := look(path)
			if err != nil {
				c.Unread = append(c.Unread, err.Error())
				return nil
			}
			found = append(found, f)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return found, nil
}

// look takes what tells a record from what it was before.
func look(path string) (file, error) {
	r, err := os.Open(path)
	if err != nil {
		return file{}, err
	}
	defer r.Close()
	info, err := r.Stat()
	if err != nil {
		return file{}, err
	}
	f := file{path: path, size: info.Size(), identity: identity(path, info)}
	tail := make([]byte, min(tailSize, f.size))
	if _, err := r.ReadAt(tail, f.size-int64(len(tail))); err != nil && err != io.EOF {
		return file{}, err
	}
	f.link = string(tail)
	if i := strings.LastIndex(f.link, `"link":"`); i >= 0 {
		f.link = f.link[i+len(`"link":"`):]
	}
	return f, nil
}

// updater writes in one transaction.
type updater struct {
	ctx    context.Context
	tx     *sql.Tx
	change *Change
	known  map[string]known  // by path
	moved  map[string]string // identity, size and link -> path of before
	put    *sql.Stmt
}

type known struct {
	id   int64
	file file
}

func (f file) key() string { return fmt.Sprintf("%s %d %s", f.identity, f.size, f.link) }

func (u *updater) all(found []file, folders []string) error {
	if err := u.load(folders); err != nil {
		return err
	}
	var err error
	if u.put, err = u.tx.PrepareContext(u.ctx, "INSERT INTO lines (text, record, event, at) VALUES (?, ?, ?, ?)"); err != nil {
		return err
	}
	defer u.put.Close()
	there := make(map[string]bool, len(found))
	for _, f := range found {
		there[f.path] = true
	}
	for _, f := range found {
		if err := u.one(f, there); err != nil {
			return err
		}
	}
	for path, k := range u.known {
		if !there[path] {
			u.change.Removed++
			if err := u.remove(k.id); err != nil {
				return err
			}
		}
	}
	return nil
}

// load reads what the index has of folders.
func (u *updater) load(folders []string) error {
	rows, err := u.tx.QueryContext(u.ctx, "SELECT id, path, identity, size, link FROM records")
	if err != nil {
		return err
	}
	defer rows.Close()
	u.known, u.moved = map[string]known{}, map[string]string{}
	for rows.Next() {
		var k known
		if err := rows.Scan(&k.id, &k.file.path, &k.file.identity, &k.file.size, &k.file.link); err != nil {
			return err
		}
		if within(k.file.path, folders) {
			u.known[k.file.path] = k
			u.moved[k.file.key()] = k.file.path
		}
	}
	return rows.Err()
}

func within(path string, folders []string) bool {
	for _, folder := range folders {
		if rel, err := filepath.Rel(folder, path); err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
			return true
		}
	}
	return false
}

func (u *updater) one(f file, there map[string]bool) error {
	if err := u.ctx.Err(); err != nil {
		return err
	}
	k, old := u.known[f.path]
	if old && k.file == f {
		u.change.Same++
		return nil
	}
	if from, ok := u.moved[f.key()]; ok && !old && !there[from] {
		u.change.Moved++
		id := u.known[from].id
		delete(u.known, from)
		_, err := u.tx.ExecContext(u.ctx, "UPDATE records SET path = ? WHERE id = ?", f.path, id)
		return err
	}
	if old {
		delete(u.known, f.path)
		if err := u.remove(k.id); err != nil {
			return err
		}
	}
	err := u.add(f)
	switch {
	case unreadable(err):
		u.change.Unread = append(u.change.Unread, err.Error())
		if old {
			u.change.Removed++
		}
		return nil
	case old:
		u.change.Changed++
	default:
		u.change.Added++
	}
	return err
}

// unreadable tells whether a file is passed over: it is no record of this
// version, or went away meanwhile.
func unreadable(err error) bool {
	for _, is := range []error{transcript.ErrNotRecord, transcript.ErrOtherVersion, fs.ErrNotExist, fs.ErrPermission} {
		if errors.Is(err, is) {
			return true
		}
	}
	return false
}

func (u *updater) remove(id int64) error {
	if _, err := u.tx.ExecContext(u.ctx, "DELETE FROM lines WHERE rowid BETWEEN (SELECT low FROM spans WHERE record = ?) AND (SELECT high FROM spans WHERE record = ?)", id, id); err != nil {
		return err
	}
	_, err := u.tx.ExecContext(u.ctx, "DELETE FROM records WHERE id = ?", id)
	return err
}
