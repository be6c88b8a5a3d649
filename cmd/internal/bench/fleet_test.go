package bench_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/orders/orderstest"
	"linehand/cmd/internal/station"
	"linehand/fixtures/sim"
	"linehand/script/secret"
	"linehand/transcript"
)

// childFleet holds the member of a firm that a re-executed test binary is.
const childFleet = "LINEHAND_TEST_FLEET"

// long has a link cut for a minute.
var long = os.Getenv("LINEHAND_LONG") != ""

// member is one bench of a firm, a process of its own.
type member struct {
	Name  string
	Site  string // folder of the site
	URL   string // of the firm's servers
	Leaf  string // where it joins them; "": it is no leaf
	Lines []string
}

func (m member) folder() string { return filepath.Join(m.Site, m.Name) }

// fleetBench is what the process runs.
func fleetBench(text string) error {
	var m member
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		return err
	}
	sheet, err := station.ReadSheet(filepath.Join(m.Site, "site", "batch.yaml"))
	if err != nil {
		return err
	}
	ctx := context.Background()
	o := orders.Options{Bench: m.Name, URL: m.URL, FirmDomain: orderstest.Domain, Replicas: orderstest.Size, Folder: filepath.Join(m.folder(), "orders"), Log: childLog()}
	if m.Leaf != "" {
		o.URL, o.Leaf = "", []string{"nats-leaf://" + m.Leaf}
	}
	store, err := orders.Open(ctx, o)
	if err != nil {
		return err
	}
	defer store.Close()
	secrets := throwaway(sheet)
	cfg := bench.Config{
		Name: m.Name, Data: filepath.Join(m.folder(), "data"), Records: filepath.Join(m.folder(), "records"), Sheet: sheet,
		Secrets: func() *secret.Store { return secrets }, Mask: transcript.NewMask(), Allow: bench.PerUnit, Plays: bench.PlayFirstBoot, Away: time.Minute,
		Committer: transcript.NewCheapCommitter(), Tool: "linehand test", Log: childLog(),
		Orders: &firm.Orders{Store: store, Site: "holm", Bench: m.Name, Log: childLog()},
	}
	for _, line := range m.Lines {
		cfg.Lines = append(cfg.Lines, "unix:"+line)
	}
	d, err := bench.New(cfg)
	if err != nil {
		return err
	}
	go firm.Announce(ctx, store, d, "holm", "", cfg.Log)
	go firm.Live(ctx, store, d, cfg.Log)
	return d.Run(ctx)
}

// fleet is a firm with several benches, and a unit on each of their lines.
type fleet struct {
	t        *testing.T
	dir      string
	cluster  *orderstest.Cluster
	desk     *orders.Store
	sheet    *station.Sheet
	units    map[string]sim.Unit
	sessions map[string]*sim.Session
	lines    map[string]string // by unit
	children []*exec.Cmd
	members  []member
}

// newFleet starts the firm's servers, and files an order for each unit, to be
// played by whoever has it, or by the bench that is named.
func newFleet(t *testing.T, shelves int) *fleet {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("no unix sockets between processes here")
	}
	dir, err := os.MkdirTemp("", "fleet") // short: the name of a socket has a limit
	if err != nil {
		t.Fatal(err)
	}
	f := &fleet{t: t, dir: dir, cluster: orderstest.Start(t), units: map[string]sim.Unit{}, sessions: map[string]*sim.Session{}, lines: map[string]string{}}
	f.sheet = batchOf(t, dir, shelves, 1)
	t.Cleanup(func() {
		for _, c := range f.children {
			kill(c)
		}
		for _, s := range f.sessions {
			s.Stop()
		}
		if f.desk != nil {
			f.desk.Close()
		}
		if !t.Failed() {
			os.RemoveAll(dir)
		}
	})
	f.eventually("the firm's servers have a leader", 40*time.Second, func() bool {
		f.desk, err = orders.Open(t.Context(), orders.Options{URL: f.cluster.URL(), FirmDomain: orderstest.Domain, Replicas: orderstest.Size})
		return err == nil
	})
	return f
}

func (f *fleet) eventually(what string, within time.Duration, so func() bool) {
	f.t.Helper()
	for until := time.Now().Add(within); !so(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(until) {
			list, err := f.desk.List(f.t.Context(), orders.Filter{})
			for _, o := range list {
				f.t.Logf("order %s: %s at %s by %s, %+v", o.ID, o.State, o.Place, o.Player, o.Ending)
			}
			f.t.Fatalf("waited %s in vain: %s (%v)", within, what, err)
		}
	}
}

func (f *fleet) file(unit, bench string) {
	f.t.Helper()
	u, err := f.sheet.Plan.Unit(unit)
	if err == nil {
		_, err = f.desk.File(f.t.Context(), orders.Filing{ID: "o-" + unit, Site: "holm", Unit: unit, Serial: u.Serial, Kind: u.Kind, Bench: bench, Allowance: orders.PerBatch, Person: "Robin"})
	}
	if err != nil {
		f.t.Fatal(err)
	}
}

// start starts a bench with these units on its lines; boot switches them on.
func (f *fleet) start(m member, units ...string) (boot func()) {
	f.t.Helper()
	m.Site = f.dir
	if err := os.MkdirAll(m.folder(), 0o700); err != nil {
		f.t.Fatal(err)
	}
	secrets := throwaway(f.sheet)
	var starts []func()
	for n, name := range units {
		u, err := f.sheet.Plan.Unit(name)
		if err != nil {
			f.t.Fatal(err)
		}
		path := filepath.Join(m.folder(), fmt.Sprintf("c%d", n))
		m.Lines = append(m.Lines, path)
		p := listenAt(f.t, path)
		unit := simulated(f.t, u, secrets, 0.1)
		f.units[name] = unit
		starts = append(starts, func() {
			<-p.opened // somebody is there to hear it boot
			f.sessions[name] = sim.Start(f.t.Context(), unit, p, sim.Options{Seed: uint64(len(f.sessions))})
		})
	}
	text, err := json.Marshal(m)
	if err != nil {
		f.t.Fatal(err)
	}
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childFleet+"="+string(text))
	child.Stderr = os.Stderr
	if err := child.Start(); err != nil {
		f.t.Fatal(err)
	}
	f.children = append(f.children, child)
	f.members = append(f.members, m)
	return func() {
		for _, s := range starts {
			s()
		}
	}
}

// playing counts orders in a state.
func (f *fleet) count(state orders.State) int {
	list, err := f.desk.List(f.t.Context(), orders.Filter{State: state})
	if err != nil {
		return 0
	}
	return len(list)
}

// check sees to it that each unit was played once, in one go, and is right.
func (f *fleet) check() {
	t := f.t
	t.Helper()
	list, err := f.desk.List(t.Context(), orders.Filter{})
	if err != nil || len(list) != len(f.units) {
		t.Errorf("%d orders of %d: %v", len(list), len(f.units), err)
	}
	for _, o := range list {
		hist, err := f.desk.History(t.Context(), o.ID)
		count := map[orders.Act]int{}
		for _, c := range hist {
			count[c.Act]++
		}
		if err != nil || o.State != orders.Done || count[orders.Begin] != 1 || count[orders.GoOn] != 0 || count[orders.End] != 1 {
			t.Errorf("order %s is %s, and has %v: %v", o.ID, o.State, count, err)
		}
	}
	for name, s := range f.sessions {
		u, err := f.sheet.Plan.Unit(name)
		if err != nil {
			t.Fatal(err)
		}
		holds := f.units[name].Holds()
		if holds["configured"] != "yes" || holds["name"] != name || holds["ports.e0.address"] != u.Planned["ports.e0.address"] {
			t.Errorf("%s holds %v", name, holds)
		}
		for prompt, n := range asked(s) {
			if n != 1 {
				t.Errorf("%s: %q was answered %d times", name, prompt, n)
			}
		}
		records, _ := filepath.Glob(filepath.Join(f.dir, "*", "records", name+"-*.record"))
		if len(records) != 1 {
			t.Errorf("%s has %d records: its run was cut", name, len(records))
		}
	}
}

func names(from, to int) (list []string) {
	for n := from; n <= to; n++ {
		list = append(list, fmt.Sprintf("shelf-%02d", n))
	}
	return list
}

// The server that leads the orders is killed in the middle of a batch that two
// benches play, and comes back.
func TestTheFirmsLeaderIsKilled(t *testing.T) {
	t.Parallel()
	f := newFleet(t, 6)
	for _, unit := range names(1, 6) {
		f.file(unit, "")
	}
	one := f.start(member{Name: "bench-1", URL: f.cluster.URL()}, names(1, 3)...)
	two := f.start(member{Name: "bench-2", URL: f.cluster.URL()}, names(4, 6)...)
	one()
	two()
	f.eventually("a batch goes on", 30*time.Second, func() bool { return f.count(orders.Playing) >= 2 })
	leader := f.cluster.Leader(t.Context(), f.desk.Conn(), "linehand-orders")
	f.cluster.Kill(leader)
	if n := f.count(orders.Done); n == 6 {
		t.Error("the batch was over before the leader was killed")
	}
	f.eventually("all are done", 90*time.Second, func() bool { return f.count(orders.Done) == 6 })
	f.cluster.Run(leader)
	f.check()
}

// A bench that is a leaf is cut off in the middle of its batch, plays it to
// its end, and is brought back; another goes on meanwhile.
func TestABenchIsCutOff(t *testing.T) {
	t.Parallel()
	f := newFleet(t, 5)
	for _, unit := range names(1, 3) {
		f.file(unit, "bench-7")
	}
	link := orderstest.NewLink(t, f.cluster.LeafAddress(0))
	leaf := f.start(member{Name: "bench-7", Leaf: link.Address()}, names(1, 3)...)
	f.eventually("the orders are the bench's", 30*time.Second, func() bool {
		list, err := f.desk.List(t.Context(), orders.Filter{Bench: "bench-7"})
		granted := 0
		for _, o := range list {
			if o.Granted {
				granted++
			}
		}
		return err == nil && granted == 3
	})
	leaf()
	f.eventually("its batch goes on", 30*time.Second, func() bool { return f.count(orders.Playing) >= 2 })
	link.Cut(true)
	cut := time.Now()
	for _, unit := range names(4, 5) {
		f.file(unit, "bench-8")
	}
	f.start(member{Name: "bench-8", URL: f.cluster.URL()}, names(4, 5)...)()
	if _, err := f.desk.Assign(t.Context(), "o-shelf-01", "bench-8", "Robin"); err == nil {
		t.Error("an order of a bench that is cut off was given to another")
	}
	f.eventually("the bench has played what it holds", 60*time.Second, func() bool { return settledAt(filepath.Join(f.dir, "bench-7")) == 3 })
	f.eventually("the other goes on", 60*time.Second, func() bool { return f.count(orders.Done) == 2 })
	if long {
		time.Sleep(time.Until(cut.Add(time.Minute)))
	}
	if n := f.count(orders.Done); n != 2 {
		t.Errorf("%d orders are done at the firm while the link is down", n)
	}
	link.Cut(false)
	f.eventually("the firm has heard of all", 3*time.Minute, func() bool { return f.count(orders.Done) == 5 })
	f.check()
	var far *orders.UnreachableError
	if _, err := f.desk.Get(t.Context(), "o-shelf-01"); errors.As(err, &far) {
		t.Errorf("after that: %v", err)
	}
}

// settledAt counts the runs of a bench whose orders hold their ending.
func settledAt(folder string) (n int) {
	for _, r := range notesOf(folder).Runs {
		if r.Settled && r.Ending != nil && !strings.HasPrefix(r.Ending.Code, "stop") {
			n++
		}
	}
	return n
}
