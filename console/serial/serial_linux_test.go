package serial

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"linehand/console"
	"linehand/console/linetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// terminal makes a pseudo-terminal: the master, whose reads end when it is
// closed, and the path of the other side, kept open until the test ends.
func terminal(t testing.TB) (master *os.File, path string) {
	t.Helper()
	blocking, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer blocking.Close()
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	master = os.NewFile(uintptr(fd), "master")
	t.Cleanup(func() { master.Close(); slave.Close() })
	return master, slave.Name()
}

func open(t testing.TB, path string, set console.Settings) console.Line {
	t.Helper()
	l, err := Open(context.Background(), path, "bench", set, "a test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func TestLine(t *testing.T) {
	linetest.Run(t, func(t testing.TB) (console.Line, io.ReadWriteCloser, func()) {
		master, path := terminal(t)
		return open(t, path, console.Default), master, func() { master.Close() }
	})
}

// termios asks the kernel, past the package: TCGETS and the flags of
// termios(3).
func termios(t *testing.T, path string) *unix.Termios {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	attrs, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	return attrs
}

func TestDefaultIs9600And8N1(t *testing.T) {
	_, path := terminal(t)
	l := open(t, path, console.Default)
	attrs := termios(t, path)
	if got := attrs.Cflag & unix.CBAUD; got != unix.B9600 {
		t.Errorf("speed code %#o, want B9600", got)
	}
	if attrs.Cflag&unix.CSIZE != unix.CS8 || attrs.Cflag&(unix.PARENB|unix.CSTOPB|unix.CRTSCTS) != 0 {
		t.Errorf("control flags %#o are not 8N1 without flow control", attrs.Cflag)
	}
	if attrs.Lflag&(unix.ICANON|unix.ECHO|unix.ISIG|unix.IEXTEN) != 0 || attrs.Oflag&unix.OPOST != 0 ||
		attrs.Iflag&(unix.ICRNL|unix.INLCR|unix.IGNCR|unix.IXON|unix.IXOFF|unix.ISTRIP) != 0 {
		t.Errorf("not raw: %#o %#o %#o", attrs.Iflag, attrs.Oflag, attrs.Lflag)
	}
	if got := l.Info().Settings; got != console.Default {
		t.Errorf("read back %v, want %v", got, console.Default)
	}
}

// The speeds are those of termios(3): POSIX.1 first, then Linux beyond it
// (its manual page). 134 stands for 134.5.
func TestStandardSpeeds(t *testing.T) {
	_, path := terminal(t)
	for _, speed := range []int{
		50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400,
		57600, 115200, 230400, 460800, 500000, 576000, 921600, 1000000, 1152000, 1500000, 2000000, 2500000, 3000000, 3500000, 4000000,
	} {
		set := console.Default
		set.Speed = speed
		l := open(t, path, set)
		if got := l.Info().Settings.Speed; got != speed {
			t.Errorf("asked for %d, read back %d", speed, got)
		}
		l.Close()
	}
}

func TestOtherSettings(t *testing.T) {
	_, path := terminal(t)
	for _, flow := range []console.Flow{console.FlowHardware, console.FlowSoftware} {
		set := console.Default
		set.Flow, set.StopBits, set.Speed = flow, console.StopTwo, 12345 // not a standard speed
		l := open(t, path, set)
		if got := l.Info().Settings; got != set {
			t.Errorf("asked for %v, read back %v", set, got)
		}
		l.Close()
	}
}

// A pseudo-terminal does not keep 7 bits: what is told is what was read back.
func TestSettingsAreReadBack(t *testing.T) {
	_, path := terminal(t)
	set := console.Default
	set.DataBits, set.Parity = 7, console.ParityEven
	l := open(t, path, set)
	attrs := termios(t, path)
	if kept := attrs.Cflag&unix.CSIZE == unix.CS7; kept != (l.Info().Settings.DataBits == 7) {
		t.Errorf("the kernel has flags %#o, told were %v", attrs.Cflag, l.Info().Settings)
	}
	if kept := attrs.Cflag&unix.PARENB != 0; kept != (l.Info().Settings.Parity == console.ParityEven) {
		t.Errorf("the kernel has flags %#o, told were %v", attrs.Cflag, l.Info().Settings)
	}
}

func TestRefusedSettings(t *testing.T) {
	_, path := terminal(t)
	for name, change := range map[string]func(*console.Settings){
		"speed":     func(s *console.Settings) { s.Speed = 0 },
		"data bits": func(s *console.Settings) { s.DataBits = 9 },
		"parity":    func(s *console.Settings) { s.Parity = 'X' },
		"stop bit":  func(s *console.Settings) { s.StopBits = 7 },
		"flow":      func(s *console.Settings) { s.Flow = "sometimes" },
		"1.5 stop":  func(s *console.Settings) { s.StopBits = console.StopOneAndHalf }, // with 8 data bits
	} {
		set := console.Default
		change(&set)
		l, err := Open(context.Background(), path, "bench", set, "a test")
		if err == nil {
			l.Close()
		}
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v does not name it", name, err)
		}
	}
	open(t, path, console.Default) // nothing was left locked
}

func TestSecondOpenerLearnsTheHolder(t *testing.T) {
	_, path := terminal(t)
	first, err := Open(context.Background(), path, "bench", console.Default, "bringup of\nshelf-1")
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link") // another name changes nothing
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	_, err = Open(context.Background(), link, "second", console.Default, "x")
	var busy *console.BusyError
	if want := fmt.Sprintf("process %d (bringup of shelf-1)", os.Getpid()); !errors.As(err, &busy) || busy.Name != "second" || busy.Holder != want {
		t.Errorf("error %v, want one that names %q", err, want)
	}
	first.Close()
	open(t, path, console.Default)
}

func TestForeignProgramIsNamed(t *testing.T) {
	_, path := terminal(t)
	slave, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sleep", "600")
	cmd.Stdin = slave
	if err := cmd.Start(); err != nil {
		t.Skip("no program to start: ", err)
	}
	slave.Close()
	_, err = Open(context.Background(), path, "bench", console.Default, "x")
	var busy *console.BusyError
	if want := fmt.Sprintf("process %d (sleep)", cmd.Process.Pid); !errors.As(err, &busy) || busy.Holder != want {
		t.Errorf("error %v, want one that names %q", err, want)
	}
	cmd.Process.Kill()
	cmd.Wait()
	open(t, path, console.Default)
}

func TestAbsentAndWrong(t *testing.T) {
	dir := t.TempDir()
	_, err := Open(context.Background(), filepath.Join(dir, "ttyUSB9"), "bench", console.Default, "x")
	if !errors.Is(err, console.ErrAbsent) || !strings.Contains(err.Error(), "linehand lines") {
		t.Errorf("absent: error %v, want ErrAbsent and a hint", err)
	}
	file := filepath.Join(dir, "file")
	os.WriteFile(file, nil, 0o600)
	if _, err := Open(context.Background(), file, "bench", console.Default, "x"); err == nil || !strings.Contains(err.Error(), "not a serial port") {
		t.Errorf("a file: error %v", err)
	}
	if _, err := Open(context.Background(), os.DevNull, "bench", console.Default, "x"); err == nil || !strings.Contains(err.Error(), "not a serial port") {
		t.Errorf("/dev/null: error %v", err)
	}
	if err := forbidden("bench", "/dev/ttyUSB0"); !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), "dialout") {
		t.Errorf("forbidden: error %v", err)
	}
}

func TestNodeThatVanishesIsNoticed(t *testing.T) {
	_, path := terminal(t)
	l := open(t, path, console.Default).(*line)
	l.device.path = filepath.Join(t.TempDir(), "gone")
	if _, _, err := l.Read(make([]byte, 8)); !errors.Is(err, console.ErrLost) {
		t.Errorf("error %v, want one that is ErrLost", err)
	}
}

func TestPresent(t *testing.T) {
	_, path := terminal(t)
	d, err := resolve(path, "bench")
	if err != nil {
		t.Fatal(err)
	}
	if !d.present() {
		t.Error("the terminal is not there")
	}
	if d.rdev++; d.present() {
		t.Error("another device under the same name counts as there")
	}
	if d.path += "-none"; d.present() {
		t.Error("a name that does not exist counts as there")
	}
}

func TestStuck(t *testing.T) {
	_, path := terminal(t)
	l := open(t, path, console.Default).(*line)
	l.stuckAfter = func(int) time.Duration { return 20 * time.Millisecond }
	n, err := l.Write(make([]byte, 1<<20)) // nobody reads
	if !errors.Is(err, console.ErrStuck) || n == 0 || n == 1<<20 {
		t.Errorf("Write = %d, %v, want some bytes and ErrStuck", n, err)
	}
}

func TestCloseWakesWrite(t *testing.T) {
	_, path := terminal(t)
	l := open(t, path, console.Default)
	failed := make(chan error)
	go func() {
		_, err := l.Write(make([]byte, 1<<20)) // nobody reads
		failed <- err
	}()
	l.Close()
	if err := <-failed; !errors.Is(err, console.ErrClosed) {
		t.Errorf("error %v, want one that is ErrClosed", err)
	}
}

func TestWhatWasWrittenSurvivesClose(t *testing.T) {
	master, path := terminal(t)
	l := open(t, path, console.Default)
	l.Write([]byte("bye\r"))
	l.Close()
	got := make([]byte, 4)
	if _, err := io.ReadFull(master, got); string(got) != "bye\r" || err != nil {
		t.Errorf("the far end read %q, %v", got, err)
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	files, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(files)
}

// goleak, in TestMain, sees to the goroutines.
func TestNothingIsLeftBehind(t *testing.T) {
	_, path := terminal(t)
	before := openFiles(t)
	for range 200 {
		l, err := Open(context.Background(), path, "bench", console.Default, "x")
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			l.Read(make([]byte, 8))
		}()
		l.Close()
		<-done
	}
	if after := openFiles(t); after != before {
		t.Errorf("%d files open after 200 openings, %d before", after, before)
	}
}

// TestHighNumbers: a process that serves hundreds of lines has file numbers
// that select(2) cannot take.
func TestHighNumbers(t *testing.T) {
	master, path := terminal(t)
	var rest []*os.File
	defer func() {
		for _, f := range rest {
			f.Close()
		}
	}()
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Skip("the limit of open files is too low to try: ", err)
		}
		rest = append(rest, f)
		if f.Fd() >= firstFree {
			break
		}
	}
	l, err := Open(context.Background(), path, "bench", console.Default, "x")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := master.Write([]byte("ready")); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 8)
	if n, _, err := l.Read(got); err != nil || n == 0 || !strings.HasPrefix("ready", string(got[:n])) {
		t.Errorf("read %q, %v", got[:n], err)
	}
}

func TestLockFileThatIsALink(t *testing.T) {
	_, path := terminal(t)
	d, err := resolve(path, "bench")
	if err != nil {
		t.Fatal(err)
	}
	d.key = "test-" + cleaned(t.TempDir())
	lock, err := lockFile(d.key)
	if err != nil {
		t.Fatal(err)
	}
	victim := filepath.Join(t.TempDir(), "victim")
	os.WriteFile(victim, []byte("precious"), 0o600)
	if err := os.Symlink(victim, lock); err != nil {
		t.Fatal(err)
	}
	defer os.Remove(lock)
	if l, err := take(d, "bench", "x"); err == nil {
		l.release()
		t.Error("a planted link was taken for the lock file")
	}
	if got, _ := os.ReadFile(victim); string(got) != "precious" {
		t.Errorf("the file behind the link now holds %q", got)
	}
}

func TestWrittenIsPlainText(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	os.WriteFile(path, []byte("process 1\x1b[2J\r\n(x)"+strings.Repeat("y", 1000)), 0o600)
	got := written(path)
	if strings.ContainsAny(got, "\x1b\r\n") || len(got) > 200 || !strings.HasPrefix(got, "process 1[2J(x)") {
		t.Errorf("got %q", got)
	}
	link := path + "-link"
	os.Symlink(path, link)
	if got := written(link); got != "" {
		t.Errorf("followed a link: %q", got)
	}
}

// TestProgramsStartedMeanwhileDoNotHoldThePort: a child process that kept the
// port open would make it busy for the next opener.
func TestProgramsStartedMeanwhileDoNotHoldThePort(t *testing.T) {
	_, path := terminal(t)
	open(t, path, console.Default)
	out, err := exec.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if bytes.Contains(out, []byte(path+"\n")) {
		t.Errorf("a program started while the port was open holds it too:\n%s", out)
	}
}
