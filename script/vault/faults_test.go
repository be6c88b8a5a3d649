package vault

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

var errFault = errors.New("no space left")

// faulty fails at one step of a save; dead means that the program ends there,
// so that nothing after it is done either.
type faulty struct {
	system
	step, at int
	dead     bool
	steps    []string
}

func (d *faulty) fails(what string) bool {
	d.steps = append(d.steps, what)
	d.step++
	return d.step == d.at || d.dead && d.step > d.at && d.at > 0
}

func (d *faulty) Create(path string) (file, error) {
	if d.fails("create") {
		return nil, errFault
	}
	f, err := d.system.Create(path)
	return &faultyFile{f, d}, err
}

func (d *faulty) Rename(from, to string) error {
	if d.fails("rename") {
		return errFault
	}
	return d.system.Rename(from, to)
}

func (d *faulty) SyncFolder(path string) error {
	if d.fails("sync folder") {
		return errFault
	}
	return d.system.SyncFolder(path)
}

func (d *faulty) Remove(path string) error {
	if d.dead && d.step >= d.at {
		return errFault
	}
	return d.system.Remove(path)
}

type faultyFile struct {
	file
	d *faulty
}

func (f *faultyFile) Write(p []byte) (int, error) {
	if f.d.fails("write") {
		n, _ := f.file.Write(p[:len(p)/2])
		return n, errFault
	}
	return f.file.Write(p)
}

func (f *faultyFile) Sync() error {
	if f.d.fails("sync") {
		return errFault
	}
	return f.file.Sync()
}

func (f *faultyFile) Close() error {
	failed := f.d.fails("close")
	if err := f.file.Close(); err != nil {
		return err
	}
	if failed {
		return errFault
	}
	return nil
}

// At each step the save fails, once with the program going on and once with it
// ending there: the old file or the new one is there, whole, and the error
// says which.
func TestFaultAtEveryStep(t *testing.T) {
	lock := phrase(t, "a long phrase")
	const steps = 6 // create, write, sync, close, rename, sync folder
	for at := 1; at <= steps; at++ {
		for _, dead := range []bool{false, true} {
			t.Run(fmt.Sprintf("step %d, dead %v", at, dead), func(t *testing.T) {
				v := made(t, lock)
				d := &faulty{at: at, dead: dead}
				v.disk = d
				must(t, v.Rotate("shelf-admin", func() (string, error) { return "fresh", nil }))
				err := v.Save()
				if !errors.Is(err, errFault) || strings.Contains(err.Error(), "fresh") {
					t.Fatalf("error %v", err)
				}
				w, openErr := Open(v.Path(), lock)
				must(t, openErr)
				want := hush
				if at == steps {
					want = "fresh"
				}
				if value(t, w, "shelf-admin") != want {
					t.Errorf("after %v: the other value is there", d.steps)
				}
				if says := strings.Contains(err.Error(), "the old file stands"); says != (at < steps) {
					t.Errorf("it says %v", err)
				}
				if _, err := os.Lstat(v.Path() + ".new"); !dead && err == nil {
					t.Error("the unfinished file was left")
				}
				v.disk = system{} // the disk is well again: the next save does it
				must(t, v.Save())
				w, openErr = Open(v.Path(), lock)
				must(t, openErr)
				if value(t, w, "shelf-admin") != "fresh" {
					t.Error("the next save did not mend it")
				}
			})
		}
	}
	d := &faulty{}
	v := made(t, lock)
	v.disk = d
	must(t, v.Save())
	if len(d.steps) != steps {
		t.Errorf("a save has the steps %v, and %d were tried", d.steps, steps)
	}
}

// A re-encryption that fails leaves the old lock, on disk and in memory.
func TestFaultsOfReencrypt(t *testing.T) {
	old, fresh := phrase(t, "a long phrase"), phrase(t, "another phrase")
	for at := 1; at <= 6; at++ {
		v := made(t, old)
		v.disk = &faulty{at: at}
		if err := v.Reencrypt(fresh); !errors.Is(err, errFault) {
			t.Fatal(err)
		}
		now := old
		if at == 6 {
			now = fresh
		}
		_, err := Open(v.Path(), now)
		must(t, err)
		v.disk = system{}
		must(t, v.Save())
		_, err = Open(v.Path(), now)
		must(t, err)
	}
}

const childVariable = "VAULT_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childVariable); dir != "" {
		if err := rotateForEver(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// rotateForEver counts up in one secret and saves each number; it tells of a
// number when it is on disk.
func rotateForEver(dir string) error {
	lock, err := KeyFile(filepath.Join(dir, "key"))
	if err != nil {
		return err
	}
	v, err := Open(filepath.Join(dir, "vault"), lock)
	if err != nil {
		return err
	}
	for {
		now, err := v.Secret("counter")
		if err != nil {
			return err
		}
		n, err := strconv.Atoi(now)
		if err != nil {
			return err
		}
		if err := v.Rotate("counter", func() (string, error) { return strconv.Itoa(n + 1), nil }); err != nil {
			return err
		}
		if err := v.Save(); err != nil {
			return err
		}
		fmt.Println(n + 1)
	}
}

// A program that rotates without end is killed again and again, after a random
// number of rotations and a random while: each time the last number that it
// told of is there, or the next one, and the vault is whole.
func TestKilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	lock, err := NewKeyFile(filepath.Join(dir, "key"), clock())
	must(t, err)
	v, err := Create(filepath.Join(dir, "vault"), lock)
	must(t, err)
	must(t, v.Set("counter", "0"))
	must(t, v.Save())
	r := rand.New(rand.NewPCG(1, 2))
	last, ahead, unfinished := 0, 0, 0
	for range 40 {
		told := killed(t, dir, 1+r.IntN(4), time.Duration(r.IntN(3000))*time.Microsecond)
		w, err := Open(v.Path(), lock)
		must(t, err)
		n, err := strconv.Atoi(value(t, w, "counter"))
		must(t, err)
		if n != told && n != told+1 || told <= last {
			t.Fatalf("told of %d, and the vault has %d; before it was %d", told, n, last)
		}
		if n != told {
			ahead++
		}
		if old, ok, err := w.Previous("counter"); !ok || err != nil || old != strconv.Itoa(n-1) {
			t.Fatalf("the value before %d is %q, %v", n, old, err)
		}
		if _, err := os.Lstat(v.Path() + ".new"); err == nil {
			unfinished++
		}
		last = n
	}
	t.Logf("of 40 kills %d hit between the rename and the telling, %d left an unfinished file", ahead, unfinished)
}

// killed runs the child and gives the last number that it told of.
func killed(t *testing.T, dir string, after int, more time.Duration) (told int) {
	t.Helper()
	self, err := os.Executable()
	must(t, err)
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), childVariable+"="+dir)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	for i := 0; lines.Scan(); i++ {
		told, err = strconv.Atoi(lines.Text())
		must(t, err)
		if i == after {
			time.AfterFunc(more, func() { _ = cmd.Process.Kill() })
		}
	}
	_ = cmd.Wait() // killed
	if stderr.Len() > 0 {
		t.Fatalf("the child failed: %s", stderr.String())
	}
	return told
}
