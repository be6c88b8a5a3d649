//go:build unix

package secret

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"linehand/script/site"
)

func fileSecret(path string) (string, error) {
	return Open([]site.Secret{ref("a", site.FromFile, path)}, Options{}).Secret("a")
}

func TestFile(t *testing.T) {
	tests := []struct {
		name, text string
		mode       os.FileMode
		want       string // the value, or the error behind the secret's name
		fails      bool
	}{
		{"read and write", hidden, 0o600, hidden, false},
		{"read only", hidden, 0o400, hidden, false},
		{"one line end", hidden + "\n", 0o600, hidden, false},
		{"CR LF", hidden + "\r\n", 0o600, hidden, false},
		{"blanks stay", " " + hidden + " \n", 0o600, " " + hidden + " ", false},
		{"longest", strings.Repeat("x", MaxBytes) + "\n", 0o600, strings.Repeat("x", MaxBytes), false},
		{"two line ends", hidden + "\n\n", 0o600, "in PATH: it holds a control character, such as a line end or a tab; choose another", true},
		{"empty", "", 0o600, "in PATH: it is empty; give it a value", true},
		{"only a line end", "\n", 0o600, "in PATH: it is empty; give it a value", true},
		{"too long", strings.Repeat("x", MaxBytes+1), 0o600, "in PATH: it is longer than 1024 bytes; shorten it", true},
		{"group may read", hidden, 0o640, "PATH can be read or changed by others (its mode is 0640); run: chmod 600 PATH, and change the secret if others may have read it", true},
		{"all may read", hidden, 0o604, "PATH can be read or changed by others (its mode is 0604); run: chmod 600 PATH, and change the secret if others may have read it", true},
		{"group may write", hidden, 0o620, "PATH can be read or changed by others (its mode is 0620); run: chmod 600 PATH, and change the secret if others may have read it", true},
		{"all may run", hidden, 0o601, "PATH can be read or changed by others (its mode is 0601); run: chmod 600 PATH, and change the secret if others may have read it", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "s")
			if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(path, tt.mode); err != nil { // whatever the umask
				t.Fatal(err)
			}
			got, err := fileSecret(path)
			if !tt.fails {
				if got != tt.want || err != nil {
					t.Errorf("got %q, %v", got, err)
				}
				return
			}
			want := `secret "a" (site.yaml:7:9): ` + strings.ReplaceAll(tt.want, "PATH", path)
			if err == nil || err.Error() != want {
				t.Errorf("\ngot  %v\nwant %s", err, want)
			}
			if err != nil && strings.Contains(err.Error(), hidden) {
				t.Error("the error shows the secret")
			}
		})
	}
}

func TestFileThatIsNone(t *testing.T) {
	dir := t.TempDir()
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		dir:                       dir + " is not a regular file; name one",
		pipe:                      pipe + " is not a regular file; name one",
		filepath.Join(dir, "not"): "reading it from " + filepath.Join(dir, "not") + ": no such file or directory",
	} {
		if _, err := fileSecret(path); err == nil || !strings.HasSuffix(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

func TestFileOfAnotherUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only the superuser can give a file away")
	}
	path := filepath.Join(t.TempDir(), "s")
	if err := os.WriteFile(path, []byte(hidden), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(path, 4242, 4242); err != nil {
		t.Skipf("files cannot be given away here: %v", err)
	}
	want := fmt.Sprintf("%s belongs to another user (number 4242); run: chown 0 %s", path, path)
	if _, err := fileSecret(path); err == nil || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("got %v, want %s", err, want)
	}
}
