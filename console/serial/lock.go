package serial

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"unicode"

	"github.com/gofrs/flock"

	"linehand/console"
)

// lock is the advisory lock on a device. The file stays: taking it away
// would let two openers lock two files of one name.
type lock struct{ file *flock.Flock }

// take locks the device for owner, or says who has it.
func take(d device, name, owner string) (*lock, error) {
	path, err := lockFile(d.key)
	if err != nil {
		return nil, fmt.Errorf("line %s: no place for its lock file: %w", name, err)
	}
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("line %s: lock file %s is not a plain file; somebody has put something else there: remove it", name, path)
	}
	file := openLock(path)
	got, err := file.TryLock()
	if err != nil {
		return nil, fmt.Errorf("line %s: lock %s: %w", name, path, err)
	}
	if !got {
		_ = file.Close()
		if who := written(path); who != "" {
			return nil, &console.BusyError{Name: name, Holder: who}
		}
		return nil, &console.BusyError{Name: name, Holder: holder(d)}
	}
	l := &lock{file}
	if who := holder(d); who != "" {
		l.release()
		return nil, &console.BusyError{Name: name, Holder: who}
	}
	if owner == "" {
		owner = filepath.Base(os.Args[0])
	}
	l.write(fmt.Sprintf("process %d (%s)\n", os.Getpid(), strings.Join(strings.Fields(owner), " ")))
	return l, nil
}

// openLock opens an existing file without creating it: the kernel may refuse
// even root to "create" what another user made in a folder open to all.
func openLock(path string) *flock.Flock {
	flags := os.O_RDWR | noFollow
	if _, err := os.Lstat(path); err != nil {
		flags |= os.O_CREATE
	}
	return flock.New(path, flock.SetFlag(flags), flock.SetPermissions(0o666))
}

// write puts text into the file, which we hold. When that fails, the next
// opener still learns that the line is busy, only not by whom.
func (l *lock) write(text string) {
	f, err := os.OpenFile(l.file.Path(), os.O_WRONLY|os.O_TRUNC|noFollow, 0)
	if err != nil {
		return
	}
	defer f.Close()
	_ = f.Chmod(0o666) // whatever the umask: the next opener may be another user
	_, _ = f.WriteString(text)
}

// written is what the holder has left in the file. Anybody may have written
// it, and it goes to a terminal: one short line of plain text is taken.
func written(path string) string {
	f, err := os.OpenFile(path, os.O_RDONLY|noFollow, 0)
	if err != nil {
		return ""
	}
	defer f.Close()
	text := make([]byte, 200)
	n, _ := f.Read(text)
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, string(text[:n])))
}

func (l *lock) release() {
	l.write("")
	_ = l.file.Close()
}

// lockFile names the lock file of a device. All users must arrive at the
// same one.
func lockFile(key string) (string, error) {
	if dir := systemLocks; dir != "" && openToAll(dir) {
		return filepath.Join(dir, "linehand-"+key+".lock"), nil
	}
	dir := filepath.Join(os.TempDir(), "linehand-locks")
	if err := os.Mkdir(dir, 0o777); err == nil {
		_ = os.Chmod(dir, 0o777|os.ModeSticky)
	} else if !os.IsExist(err) {
		return "", err
	}
	return filepath.Join(dir, key+".lock"), nil
}

// openToAll tells whether every user may make files in dir.
func openToAll(dir string) bool {
	info, err := os.Stat(dir)
	return err == nil && info.IsDir() && info.Mode().Perm()&0o002 != 0
}

// cleaned makes a file name out of a path.
func cleaned(path string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '.' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return '_'
	}, path)
}
