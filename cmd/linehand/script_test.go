package main

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"linehand/cmd/internal/rehearsal"
	"linehand/console"
	"linehand/fixtures"
	"linehand/fixtures/sim"
)

// TestMain is also the login shell of a unit at a real SSH server: its name
// then begins with a hyphen, as that of every login shell (sshd(8)).
func TestMain(m *testing.M) {
	if strings.HasPrefix(os.Args[0], "-") {
		loginShell()
		return
	}
	testscript.Main(m, map[string]func(){"linehand": main})
}

// Secrets that the scripts use. None of them may show anywhere.
var scriptSecrets = map[string]string{
	"S24_FACTORY": "barnacle-out-of-the-crate-1",
	"SHELF_ADMIN": "new-shelf-tide-table-42",
	"DEEP_JOIN":   "deep-kelp-forest-join-7",
}

// TestScripts runs the command as a person would. Each script has the demo
// site under demo/ and these commands besides testscript's own:
//
//	exits CODE PROGRAM ARGS…        run it and compare its exit code
//	unit NAME KIND LINE [K=V…]      switch a simulated unit on; LINE is pty or socket
//	holds NAME KEY VALUE            compare what the unit holds
//	received NAME none|some         compare what came to the unit
//	inpack PACK RECORDS             every tick, wait, proof and sign-off of the records is in the pack
//	points PACK FILE                compare the points of visits on a pack's punch list
//	nosecret                        no file but those named secret* and no output holds a secret
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		Setup:               setUpScript,
		Condition: func(cond string) (bool, error) {
			if cond == "nonet" { // a command can be run without any network
				return exec.Command("unshare", "-rn", "true").Run() == nil, nil
			}
			return false, errors.New("unknown condition " + cond)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": cmdExits, "unit": cmdUnit, "holds": cmdHolds, "received": cmdReceived, "nosecret": cmdNoSecret,
			"spoil": cmdSpoil, "inpack": cmdInPack, "points": cmdPoints,
		},
	})
}

// units are the simulated units of one script.
type units struct {
	mu   sync.Mutex
	all  map[string]sim.Unit
	runs map[string]*sim.Session
}

type unitsKey struct{}

func setUpScript(env *testscript.Env) error {
	env.Values[unitsKey{}] = &units{all: map[string]sim.Unit{}, runs: map[string]*sim.Session{}}
	for name, value := range scriptSecrets {
		env.Setenv(name, value)
	}
	return layOut(filepath.Join(env.WorkDir, "demo"))
}

// layOut writes the demo site into a folder.
func layOut(folder string) error {
	return fs.WalkDir(fixtures.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fixtures.Files.ReadFile(path)
		if err != nil {
			return err
		}
		to := filepath.Join(folder, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		return os.WriteFile(to, data, 0o644)
	})
}

func unitsOf(ts *testscript.TestScript) *units { return ts.Value(unitsKey{}).(*units) }

func cmdExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGS…")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("%s exits with %d, want %d", args[1], got, want)
	}
}

func cmdUnit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: unit NAME KIND pty|socket [KEY=VALUE…]")
	}
	name, kind := args[0], args[1]
	cfg := sim.Config{FactorySecret: scriptSecrets["S24_FACTORY"], Scale: 0.02}
	opts := sim.Options{Paced: true, Settings: console.Default}
	opts.Settings.Speed = 115200
	before := opts.Settings.Speed
	for _, arg := range args[3:] {
		key, value, _ := strings.Cut(arg, "=")
		switch key {
		case "serial":
			cfg.Serial = value
		case "cluster":
			cfg.Clusters = []sim.Cluster{{Name: value, Address: "192.0.2.20", Members: 1, Secret: scriptSecrets["DEEP_JOIN"]}}
		case "fault":
			o := rehearsal.Options{}
			ts.Check(o.SetFault(value))
			opts.Faults = o.Faults
		case "configured":
			cfg.Configured = true
		case "drives": // and a network of its own
			cfg.DriveSize, cfg.World = value, sim.NewWorld()
		case "before":
			n, err := strconv.Atoi(value)
			ts.Check(err)
			before = n
		default:
			ts.Fatalf("unit: unknown %q", key)
		}
	}
	var unit sim.Unit = sim.NewS24(cfg)
	if kind == "quillon-x48" {
		cfg.BootLog = 1 << 10
		unit = sim.NewX48(cfg)
	}
	u := unitsOf(ts)
	u.all[name] = unit
	switch args[2] {
	case "pty":
		port, err := sim.OpenPTY(ts.MkAbs(name))
		ts.Check(err)
		// What the unit prints before the line is opened is heard at the speed
		// that the device has then: the unit's, unless before= says another.
		ts.Check(exec.Command("stty", "-F", port.Path(), strconv.Itoa(before), "raw", "-echo").Run())
		u.runs[name] = sim.Start(context.Background(), unit, port, opts)
		ts.Defer(u.runs[name].Stop)
	case "socket":
		u.listen(ts, name, unit, opts)
	default:
		ts.Fatalf("unit: %q is neither pty nor socket", args[2])
	}
}

// listen switches the unit on when somebody connects.
func (u *units) listen(ts *testscript.TestScript, name string, unit sim.Unit, opts sim.Options) {
	l, err := net.Listen("unix", ts.MkAbs(name))
	ts.Check(err)
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := l.Accept()
		if err != nil {
			return
		}
		u.mu.Lock()
		defer u.mu.Unlock()
		u.runs[name] = sim.Start(context.Background(), unit, conn, opts)
	}()
	ts.Defer(func() {
		l.Close()
		<-done
		if s := u.session(name); s != nil {
			s.Stop()
		}
	})
}

func (u *units) session(name string) *sim.Session {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.runs[name]
}

func cmdHolds(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 3 {
		ts.Fatalf("usage: holds NAME KEY VALUE")
	}
	unit, ok := unitsOf(ts).all[args[0]]
	if !ok {
		ts.Fatalf("no unit %s", args[0])
	}
	if got := unit.Holds()[args[1]]; (got == args[2]) == neg {
		ts.Fatalf("unit %s holds %q as its %s", args[0], got, args[1])
	}
}

func cmdReceived(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: received NAME none|some")
	}
	var got []byte
	if s := unitsOf(ts).session(args[0]); s != nil {
		got = s.Received()
	}
	if (len(got) > 0) != (args[1] == "some") {
		ts.Fatalf("unit %s received %q", args[0], got)
	}
}

func cmdNoSecret(ts *testscript.TestScript, neg bool, args []string) {
	look := func(name string, data []byte) {
		for secret, value := range scriptSecrets {
			if bytes.Contains(data, []byte(value)) {
				ts.Fatalf("%s holds the secret %s", name, secret)
			}
		}
	}
	look("stdout", []byte(ts.ReadFile("stdout")))
	look("stderr", []byte(ts.ReadFile("stderr")))
	ts.Check(filepath.WalkDir(ts.Getenv("WORK"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || strings.HasPrefix(d.Name(), "secret") {
			return err
		}
		data, err := os.ReadFile(path)
		look(path, data)
		return err
	}))
}

// cmdSpoil alters a record: spoil FROM TO cut|edit|version|drop.
func cmdSpoil(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: spoil FROM TO cut|edit|version|unended")
	}
	data := []byte(ts.ReadFile(args[0]))
	lines := bytes.SplitAfter(data, []byte("\n"))
	switch args[2] {
	case "cut":
		data = data[:len(data)/2]
	case "unended":
		data = bytes.Join(lines[:20], nil)
	case "edit":
		data = bytes.Replace(data, []byte("192.0.2.22"), []byte("192.0.2.23"), 1)
	case "version":
		data = bytes.Replace(data, []byte("linehand.record/1"), []byte("linehand.record/9"), 1)
	default:
		ts.Fatalf("spoil: unknown %q", args[2])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), data, 0o600))
}
