package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/term"

	"linehand/console"
	"linehand/fixtures/rig"
	"linehand/fixtures/sim"
	"linehand/script/engine"
)

// siteSecrets are those of the profile of siteProfile.
var siteSecrets = map[string]string{
	"S24_FACTORY": "barnacle-out-of-the-crate-1", "SHELF_ADMIN": "new-shelf-tide-table-42", "DEEP_JOIN": "deep-kelp-forest-join-7",
	"X48_FACTORY": "limpet-out-of-the-crate-2", "SWITCH_ADMIN": "new-switch-tide-table-43",
}

// siteProfile is the demo site with the bench as its log target.
const siteProfile = `format: linehand.site/1
defaults: demo/site/skerrymore.yaml
site: {name: skerrymore, log: 192.0.2.250}
visit: {steps: advisory}
secrets:
  s24-factory: {env: S24_FACTORY}
  x48-factory: {env: X48_FACTORY}
  shelf-admin: {env: SHELF_ADMIN}
  switch-admin: {env: SWITCH_ADMIN}
  deep-join: {env: DEEP_JOIN}
`

// TestVisitOnTheSitesNetwork visits units whose services are at the planned
// addresses, on a network of the test's own: this process is the site, the
// bench is another network name space behind a cable.
func TestVisitOnTheSitesNetwork(t *testing.T) {
	s := newSite(t)
	if s == nil {
		return
	}

	// Somebody has the planned addresses, and says nothing but that (RFC 826
	// and RFC 4861): they are not given out, and nothing is typed.
	line, session := s.unit(sim.NewS24(s.config("BW24-2207-0113", sim.Flaws{PortDown: "e3", CertificateChanges: true})), nil)
	s.ip("addr add 192.0.2.21/32 dev u0")
	s.ip("addr add 2001:db8:5c::9/128 dev u0 nodad")
	said := s.linehand(engine.Held.ExitCode(), "visit", "deep-1="+line, "--from", "first boot")
	for _, want := range []string{
		"Somebody already answers at 192.0.2.21, which is planned as e0 for deep-1: ", "2001:db8:5c::9", s.hardware(),
		"Free the address, or plan another one",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it does not say %q:\n%s", want, said)
		}
	}
	if got := session.Received(); len(got) > 0 {
		t.Errorf("the unit was sent %q", got)
	}
	s.ip("addr del 192.0.2.21/32 dev u0")
	s.ip("addr del 2001:db8:5c::9/128 dev u0")

	// Nobody has them any more. A port is dark, and the page's certificate is
	// another one at the second look.
	said = s.linehand(engine.Differs.ExitCode(), "visit", "deep-1="+line, "--from", "first boot")
	record := s.record("deep-1")
	for _, want := range []string{
		`"name":"address of e0","state":"free"`,
		`"text":"[^"]*seen from [^"]*192\.0\.2\.250[^"]*"[^\n]*"name":"e0 of deep-1"|"name":"e0 of deep-1"[^\n]*seen from[^\n]*192\.0\.2\.250`,
		`"name":"page of deep-1","state":"changed"`,
		`"name":"link of e3".*"got":"down"`,
		`"name":"e3 of deep-1","state":"silent"`,
		`"name":"messages at the log target","state":"answers".*192\.0\.2\.2`,
		`"name":"factory sign-in over SSH".*"got":"refused"`,
		`"name":"new sign-in over SSH".*"got":"accepted"`,
	} {
		if !regexp.MustCompile(want).MatchString(record) {
			t.Errorf("not on record: %s\n%s", want, said)
		}
	}
}

// TestVisitOverOpenSSH: the set-up and the proof of a switch are played over a
// real OpenSSH server at the planned address, whose host key the console has
// shown. Another server there gets no secret.
func TestVisitOverOpenSSH(t *testing.T) {
	s := newSite(t)
	if s == nil {
		return
	}
	const serial = "QX48-31-00482"
	unit := sim.NewX48(s.config(serial, sim.Flaws{}))
	line, _ := s.unit(unit, func(planned netip.AddrPort) netip.AddrPort {
		if planned.Port() == 22 { // OpenSSH is there
			return netip.AddrPortFrom(planned.Addr(), 2222)
		}
		return planned
	})
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	server := rig.StartOpenSSH(t, rig.OpenSSHOptions{User: "port", Secret: siteSecrets["SWITCH_ADMIN"], Shell: self, HostKey: sim.HostKey(serial)})
	s.shells(server.Home(), unit)
	door := s.door(22, server.Address())

	said := s.linehand(-1, "visit", "quay-sw1="+line, "--from", "first boot")
	record := s.record("quay-sw1")
	for _, want := range []string{
		`quillon-x48-set-up\.yaml over ssh:port@192\.0\.2\.8`,
		`quillon-x48-proof\.yaml over ssh:port@192\.0\.2\.8`,
		`"name":"factory sign-in over SSH".*"got":"refused"`,
		`"name":"new sign-in over SSH".*"got":"accepted"`,
		`"name":"test message to the log target".*"equal":true`,
	} {
		if !regexp.MustCompile(want).MatchString(record) {
			t.Errorf("not on record: %s\n%s", want, said)
		}
	}
	if log := server.Log(t); !strings.Contains(log, "Accepted password for port") || !strings.Contains(log, "Failed password for port") {
		t.Errorf("OpenSSH has not seen both sign-ins: %s", log)
	}
	if got := unit.Holds()["ports.u1.address"]; got != "198.51.100.8" {
		t.Errorf("u1 of the unit is %q: the set-up did not come through", got)
	}

	// Somebody else answers there now.
	other := rig.StartOpenSSH(t, rig.OpenSSHOptions{User: "port", Secret: siteSecrets["SWITCH_ADMIN"], Shell: self})
	door.to(other.Address())
	said = s.linehand(-1, "proof", "quay-sw1="+line)
	if !strings.Contains(said, "host key") {
		t.Errorf("the host key is not named:\n%s", said)
	}
	if log := other.Log(t); strings.Contains(log, "password") || !strings.Contains(log, "Connection") {
		t.Errorf("a secret was tried at another server: %s", log)
	}
}

// siteKey tells a test that it runs in a network of its own.
const siteKey = "LINEHAND_SITE"

// realSite is the site's network and a bench at it.
type realSite struct {
	t     *testing.T
	dir   string // where the bench works
	bench int    // a process in the bench's network
}

// newSite runs the calling test once more in a network of its own; in the
// first run it returns nil when that is over.
func newSite(t *testing.T) *realSite {
	t.Helper()
	if os.Getenv(siteKey) == "" {
		siteApart(t)
		return nil
	}
	s := &realSite{t: t, dir: t.TempDir()}
	holder := exec.Command("sleep", "300")
	holder.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET}
	if err := holder.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { holder.Process.Kill(); holder.Wait() })
	s.bench = holder.Process.Pid
	s.ip("link set lo up")
	s.ip(fmt.Sprintf("link add u0 type veth peer name b0 netns %d", s.bench))
	s.ip("link set u0 up")
	s.ip("addr add 203.0.113.1/32 dev u0") // without any address a link loses its routes
	for _, net := range []string{"192.0.2.0/24", "198.51.100.0/24", "2001:db8:5c::/64"} {
		s.ip("route add " + net + " dev u0")
	}
	for _, command := range []string{"link set lo up", "link set b0 up",
		"addr add 192.0.2.250/24 dev b0", "addr add 198.51.100.250/24 dev b0", "addr add 2001:db8:5c::250/64 dev b0 nodad"} {
		s.run(exec.Command("nsenter", append([]string{"-t", strconv.Itoa(s.bench), "-n", "ip"}, strings.Fields(command)...)...))
	}
	if err := layOut(filepath.Join(s.dir, "demo")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.dir, "site.yaml"), []byte(siteProfile), 0o600); err != nil {
		t.Fatal(err)
	}
	s.linehand(exitFine, "lock", "site.yaml")
	return s
}

// siteApart is the first run.
func siteApart(t *testing.T) {
	t.Helper()
	err := rig.OpenSSHAvailable()
	for _, tool := range []string{"ip", "nsenter"} {
		if _, missing := exec.LookPath(tool); missing != nil {
			err = missing
		}
	}
	if os.Geteuid() != 0 {
		err = os.ErrPermission
	}
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("networks must be made under CI: %v", err)
		}
		t.Skipf("no network of its own: %v", err)
	}
	t.Parallel() // each has its own network
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "-test.run=^"+regexp.QuoteMeta(t.Name())+"$", "-test.timeout=3m", "-test.v")
	cmd.Env = append(os.Environ(), siteKey+"=yes")
	runtime.LockOSThread() // the kernel counts the death of the starting thread as the parent's
	defer runtime.UnlockOSThread()
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET, Pdeathsig: syscall.SIGKILL}
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("--- PASS: "+t.Name())) {
		t.Errorf("in a network of its own: %v\n%s", err, out)
	}
}

func (s *realSite) run(cmd *exec.Cmd) string {
	s.t.Helper()
	out, err := cmd.CombinedOutput()
	if err != nil {
		s.t.Fatalf("%s: %v: %s", cmd, err, out)
	}
	return string(out)
}

func (s *realSite) ip(command string) {
	s.t.Helper()
	s.run(exec.Command("ip", strings.Fields(command)...))
}

// hardware is the address on the link that all at the site share.
func (s *realSite) hardware() string {
	u0, err := net.InterfaceByName("u0")
	if err != nil {
		s.t.Fatal(err)
	}
	return u0.HardwareAddr.String()
}

// linehand runs a command at the bench, unattended; want is its exit code, or
// -1 where it does not matter.
func (s *realSite) linehand(want int, args ...string) string {
	s.t.Helper()
	args = append([]string{"-t", strconv.Itoa(s.bench), "-n", "linehand"}, args...)
	if command := args[4]; command == "visit" || command == "proof" {
		args = append(args, "--profile", "site.yaml", "--speed", "115200", "--on-hold", "end", "--look-within", "1s")
	}
	ctx, cancel := context.WithTimeout(s.t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "nsenter", args...)
	cmd.Dir, cmd.Env = s.dir, os.Environ()
	for name, value := range siteSecrets {
		cmd.Env = append(cmd.Env, name+"="+value)
	}
	out, _ := cmd.CombinedOutput()
	if got := cmd.ProcessState.ExitCode(); want >= 0 && got != want {
		s.t.Fatalf("%s: exit code %d, want %d\n%s", cmd, got, want, out)
	}
	for name, value := range siteSecrets {
		if bytes.Contains(out, []byte(value)) {
			s.t.Errorf("the secret %s shows", name)
		}
	}
	return string(out)
}

// record is the latest record of a unit.
func (s *realSite) record(unit string) string {
	s.t.Helper()
	paths, _ := filepath.Glob(filepath.Join(s.dir, "records", unit+"-*.record"))
	if len(paths) == 0 {
		s.t.Fatalf("%s has no record", unit)
	}
	data, err := os.ReadFile(paths[len(paths)-1])
	if err != nil {
		s.t.Fatal(err)
	}
	return string(data)
}

func (s *realSite) config(serial string, flaws sim.Flaws) sim.Config {
	factory := siteSecrets["S24_FACTORY"]
	if strings.HasPrefix(serial, "QX48") {
		factory = siteSecrets["X48_FACTORY"]
	}
	return sim.Config{Serial: serial, FactorySecret: factory, Scale: 0.003, DriveSize: "20 TB", BootLog: 1 << 10, World: sim.NewWorld(), Flaws: flaws}
}

// unit switches a unit on at a pseudo-terminal. It has its addresses as long
// as it serves.
func (s *realSite) unit(unit sim.Unit, place func(netip.AddrPort) netip.AddrPort) (line string, session *sim.Session) {
	s.t.Helper()
	port, err := sim.OpenPTY(filepath.Join(s.dir, "line"))
	if err != nil {
		s.t.Fatal(err)
	}
	set := console.Default
	set.Speed = 115200
	s.run(exec.Command("stty", "-F", port.Path(), "115200", "raw", "-echo"))
	session = sim.Start(s.t.Context(), unit, port, sim.Options{Paced: true, Settings: set})
	s.t.Cleanup(session.Stop)
	services, err := sim.Serve(s.t.Context(), unit, sim.ServeOptions{
		Place: place, LogTo: netip.MustParseAddrPort("192.0.2.250:514"),
		Attach: func(a netip.Addr) error {
			return exec.Command("ip", "addr", "add", a.String()+"/32", "dev", "u0").Run()
		},
		Detach: func(a netip.Addr) { _ = exec.Command("ip", "addr", "del", a.String()+"/32", "dev", "u0").Run() },
		Tell:   func(err error) { s.t.Log(err) },
	})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { services.Close() })
	return port.Path(), session
}

// door leads a port of all the site's addresses on to a server.
type door struct {
	mu     sync.Mutex
	server string
}

func (d *door) to(server string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.server = server
}

func (s *realSite) door(port int, server string) *door {
	s.t.Helper()
	d := &door{server: server}
	l, err := net.Listen("tcp4", fmt.Sprintf("0.0.0.0:%d", port))
	if err != nil {
		s.t.Fatal(err)
	}
	s.serve(l, func(client net.Conn) {
		d.mu.Lock()
		behind, err := net.Dial("tcp", d.server)
		d.mu.Unlock()
		if err == nil {
			join(client, behind)
		}
	})
	return d
}

// shells serves the unit's prompt to the login shells of an account.
func (s *realSite) shells(home string, unit sim.Unit) {
	s.t.Helper()
	l, err := net.Listen("unix", filepath.Join(home, "shell"))
	if err != nil {
		s.t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(home, "shell"), 0o777); err != nil {
		s.t.Fatal(err)
	}
	s.serve(l, func(conn net.Conn) {
		if err := sim.ServeShell(s.t.Context(), unit, conn); err != nil {
			s.t.Error(err)
		}
	})
}

// serve accepts until the test ends, and waits for all that it has begun.
func (s *realSite) serve(l net.Listener, f func(net.Conn)) {
	var all sync.WaitGroup
	all.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer conn.Close()
				stop := context.AfterFunc(s.t.Context(), func() { conn.Close() })
				defer stop()
				f(conn)
			})
		}
	})
	s.t.Cleanup(func() { l.Close(); all.Wait() })
}

// join carries bytes both ways until one side has ended.
func join(a, b net.Conn) {
	var both sync.WaitGroup
	for _, pair := range [][2]net.Conn{{a, b}, {b, a}} {
		both.Go(func() {
			io.Copy(pair[0], pair[1])
			a.Close()
			b.Close()
		})
	}
	both.Wait()
}

// loginShell is what this program is as the login shell of an account at the
// OpenSSH server: it joins the terminal to the unit's prompt.
func loginShell() {
	conn, err := net.Dial("unix", filepath.Join(os.Getenv("HOME"), "shell"))
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	if _, err := term.MakeRaw(0); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	go io.Copy(conn, os.Stdin) // ends with the program
	io.Copy(os.Stdout, conn)
}
