package dial

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"testing"

	"github.com/creack/pty"
	"go.uber.org/goleak"

	"linehand/console"
	"linehand/console/pair"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func terminal(t *testing.T) string {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { slave.Close(); master.Close() })
	return slave.Name()
}

func parse(t *testing.T, text string) Address {
	t.Helper()
	a, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// opened opens and closes, and says what was opened.
func opened(t *testing.T, a Address) console.Info {
	t.Helper()
	l, err := a.Open(context.Background(), console.Default, "a test")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Info()
}

func TestOpenKinds(t *testing.T) {
	dir, err := os.MkdirTemp("", "line") // short enough for a socket address
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	path := filepath.Join(dir, "line")
	unix, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close()
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer tcp.Close()
	tty := terminal(t)
	for text, device := range map[string]string{
		tty:                          tty,
		"serial:" + tty:              tty,
		path:                         "unix:" + path,
		"unix:" + path:               "unix:" + path,
		"tcp:" + tcp.Addr().String(): "tcp:" + tcp.Addr().String(),
	} {
		if info := opened(t, parse(t, text)); info.Device != device || info.Name != text {
			t.Errorf("%s: opened %+v, want device %s", text, info, device)
		}
	}
}

func TestIdentityIsResolvedAtEachOpen(t *testing.T) {
	first, second := terminal(t), terminal(t)
	a := parse(t, "usb:1209:00f1:LC17:00")
	device := first
	a.find = func(identity string) (string, error) {
		if identity != "usb:1209:00f1:LC17:00" {
			return "", fmt.Errorf("looked for %q", identity)
		}
		return device, nil
	}
	if info := opened(t, a); info.Device != first {
		t.Errorf("opened %s, want %s", info.Device, first)
	}
	device = second // plugged in again, under another number
	if info := opened(t, a); info.Device != second {
		t.Errorf("opened %s, want %s", info.Device, second)
	}
}

func TestDevicePathIsFoundByIdentityAgain(t *testing.T) {
	first, second := terminal(t), terminal(t)
	const adapter = "usb:1209:00f1:LC17:00"
	a := parse(t, first)
	a.serial = func(ctx context.Context, path, name string, set console.Settings, owner string) (console.Line, error) {
		line, _ := pair.New(name, set)
		return identified{line, console.Info{Name: name, Device: path, Identity: adapter}}, nil
	}
	if info := opened(t, a); info.Device != first {
		t.Errorf("opened %+v, want %s", info, first)
	}
	a.find = func(identity string) (string, error) {
		if identity != adapter {
			t.Errorf("looked for %s, want %s", identity, adapter)
		}
		return second, nil
	}
	copied := a
	if info := opened(t, copied); info.Device != second || info.Name != first {
		t.Errorf("opened %+v, want %s", info, second)
	}
	a.find = func(identity string) (string, error) { return "", fmt.Errorf("not here: %w", console.ErrAbsent) }
	if _, err := a.Open(context.Background(), console.Default, "x"); !errors.Is(err, console.ErrAbsent) {
		t.Errorf("error %v: another adapter under the old number must not be taken", err)
	}
}

// identified is a line that says what a real adapter would.
type identified struct {
	console.Line
	info console.Info
}

func (l identified) Info() console.Info { return l.info }

func TestLinkIsFollowedAfresh(t *testing.T) {
	first, second := terminal(t), terminal(t)
	link := filepath.Join(t.TempDir(), "console")
	a := parse(t, link)
	for _, tty := range []string{first, second} {
		os.Remove(link)
		if err := os.Symlink(tty, link); err != nil {
			t.Fatal(err)
		}
		if info := opened(t, a); info.Device != tty {
			t.Errorf("opened %s, want %s", info.Device, tty)
		}
	}
}

func TestAbsentPath(t *testing.T) {
	if _, err := parse(t, filepath.Join(t.TempDir(), "ttyUSB0")).Open(context.Background(), console.Default, "x"); !errors.Is(err, console.ErrAbsent) {
		t.Errorf("error %v, want one that is ErrAbsent", err)
	}
}
