package secret

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// fromFile reads a secret from a regular file that only its owner can read.
// The open file is looked at, not its name, so that it cannot be changed in
// between.
func (s *Store) fromFile(path string) (string, error) {
	f, err := openAtOnce(path)
	if err != nil {
		return "", fmt.Errorf("reading it from %s: %w", path, bare(err))
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", fmt.Errorf("reading it from %s: %w", path, bare(err))
	}
	if !info.Mode().IsRegular() {
		return "", fmt.Errorf("%s is not a regular file; name one", path)
	}
	if err := guarded(path, info, s.options.Note); err != nil {
		return "", err
	}
	data, err := io.ReadAll(io.LimitReader(f, MaxBytes+3))
	if err != nil {
		return "", fmt.Errorf("reading it from %s: %w", path, bare(err))
	}
	value := trimLineEnd(string(data))
	if err := fit(value); err != nil {
		return "", fmt.Errorf("in %s: %w", path, err)
	}
	return value, nil
}

// modeFault refuses a file that others than its owner can read or change.
func modeFault(path string, mode fs.FileMode) error {
	if mode.Perm()&0o077 == 0 {
		return nil
	}
	return fmt.Errorf("%s can be read or changed by others (its mode is %04o); run: chmod 600 %s, and change the secret if others may have read it", path, mode.Perm(), path)
}

// bare leaves out the path, which the sentence names already.
func bare(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
