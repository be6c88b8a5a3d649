package reach

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// aloneKey tells a test that it runs in a network of its own, and how.
const aloneKey = "LINEHAND_ALONE"

// alone runs the calling test once more in a network name space of its own
// that holds nothing but a loopback interface, and returns true there; what
// is set up there is gone when it ends. In the first run it returns false
// when that is over.
func alone(t *testing.T) bool {
	t.Helper()
	if os.Getenv(aloneKey) != "" {
		ip(t, "link set lo up")
		return true
	}
	need(t)
	again(t, exec.Command(self(t), runOnly(t)...), "root", unix.CLONE_NEWNET)
	return false
}

// withoutRaw runs the calling test once more, in the same network, as a
// process that may not open raw sockets, and returns true there.
func withoutRaw(t *testing.T) bool {
	t.Helper()
	if os.Getenv(aloneKey) == "without raw sockets" {
		return true
	}
	args := append([]string{"--bounding-set=-net_raw", "--inh-caps=-net_raw", self(t)}, runOnly(t)...)
	again(t, exec.Command("setpriv", args...), "without raw sockets", 0)
	return false
}

func self(t *testing.T) string {
	t.Helper()
	path, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func runOnly(t *testing.T) []string {
	return []string{"-test.run=^" + regexp.QuoteMeta(t.Name()) + "$", "-test.timeout=2m", "-test.v"}
}

func again(t *testing.T, cmd *exec.Cmd, how string, flags uintptr) {
	t.Helper()
	cmd.Env = append(os.Environ(), aloneKey+"="+how)
	// The kernel counts the death of the starting thread as the parent's.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: flags, Pdeathsig: syscall.SIGKILL}
	out, err := cmd.CombinedOutput()
	if err == nil && strings.Contains(string(out), "--- SKIP: "+t.Name()) && os.Getenv("CI") != "true" {
		t.Skipf("%s", out)
	}
	if err != nil {
		t.Errorf("in a network of its own (%s): %v\n%s", how, err, out)
	} else if !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Errorf("in a network of its own (%s) the test did not run:\n%s", how, out)
	}
}

// need skips the test where no network can be made, and fails it under CI: a
// check that is skipped unseen proves nothing.
func need(t *testing.T) {
	t.Helper()
	var faults []error
	if os.Geteuid() != 0 {
		faults = append(faults, errors.New("it needs root, to make network name spaces"))
	}
	for tool, pkg := range map[string]string{"ip": "iproute2", "setpriv": "util-linux"} {
		if _, err := exec.LookPath(tool); err != nil {
			faults = append(faults, fmt.Errorf("%s is missing: install Debian package %s", tool, pkg))
		}
	}
	if len(faults) == 0 {
		probe := exec.Command("ip", "link", "add", "probe0", "type", "veth", "peer", "name", "probe1")
		probe.SysProcAttr = &syscall.SysProcAttr{Cloneflags: unix.CLONE_NEWNET}
		if out, err := probe.CombinedOutput(); err != nil {
			faults = append(faults, fmt.Errorf("this root may not make networks: %v: %s", err, out))
		}
	}
	switch err := errors.Join(faults...); {
	case err == nil:
	case os.Getenv("CI") == "true":
		t.Fatalf("networks must be made under CI: %v", err)
	default:
		t.Skipf("no networks here: %v", err)
	}
}

// ip runs iproute2 on the calling thread's network.
func ip(t testing.TB, command string) {
	t.Helper()
	if out, err := exec.Command("ip", strings.Fields(command)...).CombinedOutput(); err != nil {
		t.Fatalf("ip %s: %v: %s", command, err, out)
	}
}

// host is another network name space: a thread that lives in it.
type host struct {
	t    testing.TB
	work chan func()
	tid  int
}

// newHost makes a host with one interface, u0, which is joined to an
// interface of the test's own network.
func newHost(t testing.TB, bench string) *host {
	t.Helper()
	h := &host{t: t, work: make(chan func())}
	made := make(chan error)
	go func() {
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		h.tid = unix.Gettid()
		made <- unix.Unshare(unix.CLONE_NEWNET)
		for f := range h.work {
			f()
		}
	}()
	if err := <-made; err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { close(h.work) })
	ip(t, fmt.Sprintf("link add %s type veth peer name u0 netns %d", bench, h.tid))
	ip(t, "link set "+bench+" up")
	h.ip("link set lo up")
	h.ip("link set u0 up")
	return h
}

// do runs f on a thread inside.
func (h *host) do(f func()) {
	done := make(chan struct{})
	h.work <- func() { defer close(done); f() }
	<-done
}

func (h *host) ip(command string) {
	h.t.Helper()
	h.do(func() { ip(h.t, command) })
}

// listen opens a TCP port inside.
func (h *host) listen(address string) net.Listener {
	h.t.Helper()
	var l net.Listener
	var err error
	h.do(func() { l, err = net.Listen("tcp", address) })
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { l.Close() })
	return l
}

// hardware is the address of u0.
func (h *host) hardware() (hw net.HardwareAddr) {
	h.do(func() {
		u0, err := net.InterfaceByName("u0")
		if err != nil {
			h.t.Error(err)
			return
		}
		hw = u0.HardwareAddr
	})
	return hw
}
