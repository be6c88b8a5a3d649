package ports

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.uber.org/goleak"

	"linehand/console"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// tree lays out the files and links that testdata/sysfs.txt lists; names
// with colons could not be kept in a repository as they are.
func tree(t *testing.T) string {
	t.Helper()
	root := t.TempDir()
	text, err := os.ReadFile("testdata/sysfs.txt")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		path, content, isFile := strings.Cut(line, " = ")
		from, target, isLink := strings.Cut(line, " -> ")
		switch {
		case line == "" || line[0] == '#':
		case isFile:
			place(t, filepath.Join(root, path), func(p string) error { return os.WriteFile(p, []byte(content+"\n"), 0o644) })
		case isLink:
			place(t, filepath.Join(root, from), func(p string) error { return os.Symlink(target, p) })
		default:
			t.Fatalf("testdata/sysfs.txt: %q is neither a file nor a link", line)
		}
	}
	return root
}

func place(t *testing.T, path string, write func(string) error) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := write(path); err != nil {
		t.Fatal(err)
	}
}

func fake(t *testing.T, root string) []Port {
	t.Helper()
	list, err := fromSysfs(root)
	if err != nil {
		t.Fatal(err)
	}
	return arrange(list)
}

func TestList(t *testing.T) {
	want := []Port{
		{Device: "/dev/ttyACM0", Driver: "cdc_acm", Vendor: "1209", Product: "00f3", SerialNumber: "0001", Interface: "01", USBPath: "2-1"},
		{Device: "/dev/ttyACM1", Vendor: "1209", Product: "00f3", SerialNumber: "0001", Interface: "01", USBPath: "2-2"},
		{Device: "/dev/ttyS0", Driver: "serial"},
		{Device: "/dev/ttyUSB0", Driver: "lowmoor", Vendor: "1209", Product: "00f1", Maker: "Lowmoor Cables", Model: "Console Cable", SerialNumber: "LC 00:17", Interface: "00", USBPath: "1-2.3"},
		{Device: "/dev/ttyUSB2", Vendor: "1209", Product: "00f2", Interface: "00", USBPath: "1-4"},
		{Device: "/dev/ttyUSB10", Vendor: "1209", Product: "00f2", Interface: "00.1", USBPath: "1-4"},
	}
	for i := range want {
		want[i].Name = strings.TrimPrefix(want[i].Device, "/dev/")
	}
	if d := cmp.Diff(want, fake(t, tree(t)), cmpopts.IgnoreUnexported(Port{})); d != "" {
		t.Error(d)
	}
}

func TestIdentity(t *testing.T) {
	list := fake(t, tree(t))
	want := map[string]string{
		"/dev/ttyACM0":  "usbpath:2-1:01",
		"/dev/ttyACM1":  "usbpath:2-2:01",
		"/dev/ttyS0":    "platform:ttyS0",
		"/dev/ttyUSB0":  "usb:1209:00f1:LC_00_17:00",
		"/dev/ttyUSB2":  "usbpath:1-4:00",
		"/dev/ttyUSB10": "usbpath:1-4:00.1",
	}
	got := make(map[string]string)
	for _, p := range list {
		got[p.Device] = p.Identity()
		if device, err := find(list, p.Identity()); device != p.Device || err != nil {
			t.Errorf("find %s = %q, %v, want %s", p.Identity(), device, err, p.Device)
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestFindBySocketThoughNumbered(t *testing.T) {
	if device, err := find(fake(t, tree(t)), "usbpath:1-2.3:00"); device != "/dev/ttyUSB0" || err != nil {
		t.Errorf("got %q, %v, want /dev/ttyUSB0", device, err)
	}
}

func TestFindAbsent(t *testing.T) {
	list := fake(t, tree(t))
	for identity, hint := range map[string]string{
		"usb:1209:00f1:OTHER:00": "there is",
		"usb:1209:00f3:0001:01":  "name the socket instead",
	} {
		_, err := find(list, identity)
		if !errors.Is(err, console.ErrAbsent) || !strings.Contains(err.Error(), hint) {
			t.Errorf("%s: error %v, want one that is ErrAbsent and says %q", identity, err, hint)
		}
	}
	if _, err := find(nil, "platform:ttyS0"); !errors.Is(err, console.ErrAbsent) {
		t.Errorf("no ports: error %v", err)
	}
}

func TestNoSysfs(t *testing.T) {
	list, err := fromSysfs(t.TempDir())
	if len(list) != 0 || err != nil {
		t.Errorf("got %v, %v, want nothing", list, err)
	}
}

func TestSystemListOpensNothing(t *testing.T) {
	list, err := List()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range list {
		if p.Device == "" || p.Identity() == "" {
			t.Errorf("port without device or identity: %+v", p)
		}
	}
}

func TestWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		usb := Port{Device: "/dev/ttyUSB0", Name: "ttyUSB0", Vendor: "1209", Product: "00f1", SerialNumber: "LC1", Interface: "00", USBPath: "1-2"}
		moved := usb
		moved.Device, moved.Name = "/dev/ttyUSB1", "ttyUSB1"
		states := [][]Port{{usb}, {usb}, {}, {moved}}
		list := func() ([]Port, error) {
			now := states[0]
			if len(states) > 1 {
				states = states[1:]
			}
			return now, nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		start := time.Now()
		changes := watch(ctx, list, nil)
		if c := <-changes; c.Plugged || c.Port.Device != usb.Device || time.Since(start) != 2*time.Second {
			t.Errorf("after %v: %+v, want ttyUSB0 pulled out after 2 s", time.Since(start), c)
		}
		if c := <-changes; !c.Plugged || c.Port.Device != moved.Device || c.Port.Identity() != usb.Identity() {
			t.Errorf("got %+v, want the same adapter as ttyUSB1", c)
		}
		cancel()
		if c, open := <-changes; open {
			t.Errorf("after the end: %+v", c)
		}
	})
}

// What the kernel tells is looked at at once, not at the next second.
func TestWatchIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		usb := Port{Device: "/dev/ttyUSB0", Name: "ttyUSB0", Vendor: "1209", Product: "00f1", SerialNumber: "LC1", Interface: "00", USBPath: "1-2"}
		here := false
		list := func() ([]Port, error) {
			if here {
				return []Port{usb}, nil
			}
			return nil, nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		told := make(chan struct{}, 1)
		start := time.Now()
		changes := watch(ctx, list, told)
		time.Sleep(300 * time.Millisecond)
		here = true
		told <- struct{}{}
		if c := <-changes; !c.Plugged || time.Since(start) != 300*time.Millisecond {
			t.Errorf("after %v: %+v, want ttyUSB0 plugged in at once", time.Since(start), c)
		}
		cancel()
		for range changes {
		}
	})
}

// The messages are as the kernel's lib/kobject_uevent.c makes them.
func TestMessagesAboutTerminals(t *testing.T) {
	message := func(fields ...string) []byte { return []byte(strings.Join(fields, "\x00") + "\x00") }
	for want, list := range map[bool][][]byte{
		true:  {message("add@/devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0", "ACTION=add", "SUBSYSTEM=tty", "DEVNAME=ttyUSB0")},
		false: {message("add@/devices/x", "ACTION=add", "SUBSYSTEM=usb"), message("add@/x", "NOTSUBSYSTEM=tty"), nil},
	} {
		for _, m := range list {
			if isTerminal(m) != want {
				t.Errorf("%q: %v", m, !want)
			}
		}
	}
}

func TestEventsEnd(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	if events(ctx) == nil {
		t.Log("the kernel's events cannot be heard here")
	}
	cancel() // TestMain sees to it that nothing stays behind
}
