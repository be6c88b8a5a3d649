package bench_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/station"
	"linehand/fixtures/sim"
	"linehand/script/secret"
	"linehand/transcript"
)

// childFolder names the folder of the bench that a re-executed test binary
// runs until it is killed.
const childFolder = "LINEHAND_TEST_BENCH"

// childStore says that its orders are kept in a store, and not in its notes.
const childStore = "LINEHAND_TEST_STORE"

// childMain runs a bench when the test binary was started for that.
func childMain() bool {
	dir := os.Getenv(childFolder)
	work := func() error { return childBench(dir) }
	if text := os.Getenv(childFleet); text != "" {
		work = func() error { return fleetBench(text) }
	} else if text := os.Getenv(childScale); text != "" {
		work = func() error { return scaleBenches(text) }
	} else if dir == "" {
		return false
	}
	if err := work(); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
	return true
}

func childBench(dir string) error {
	sheet, err := station.ReadSheet(filepath.Join(dir, "site", "batch.yaml"))
	if err != nil {
		return err
	}
	sockets, err := filepath.Glob(filepath.Join(dir, "cable-*"))
	if err != nil {
		return err
	}
	secrets := throwaway(sheet)
	cfg := bench.Config{
		Name: "bench-1", Data: filepath.Join(dir, "data"), Records: filepath.Join(dir, "records"), Sheet: sheet,
		Secrets: func() *secret.Store { return secrets }, Mask: transcript.NewMask(), Allow: bench.Always, Plays: bench.PlayFirstBoot, Away: time.Minute,
		Committer: transcript.NewCheapCommitter(), Tool: "linehand test", Log: childLog(),
	}
	for _, s := range sockets {
		cfg.Lines = append(cfg.Lines, "unix:"+s)
	}
	if os.Getenv(childStore) != "" {
		s, err := openOrders(dir)
		if err != nil {
			return err
		}
		defer s.Close()
		cfg.Orders = &firm.Orders{Store: s, Site: "holm", Bench: "bench-1", Log: cfg.Log}
	}
	d, err := bench.New(cfg)
	if err != nil {
		return err
	}
	return d.Run(context.Background())
}

func childLog() zerolog.Logger { return zerolog.New(os.Stderr).Level(zerolog.WarnLevel) }

func openOrders(dir string) (*orders.Store, error) {
	return orders.Open(context.Background(), orders.Options{Bench: "bench-1", Folder: filepath.Join(dir, "orders")})
}

// port is the console port of a unit as a unix socket: it outlives whoever
// has it open.
type port struct {
	*plug
	listener net.Listener
	opened   chan struct{} // closed when somebody has it open for the first time
	once     sync.Once
	mu       sync.Mutex
	conn     net.Conn
}

func listenAt(t testing.TB, path string) *port {
	t.Helper()
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	p := &port{plug: newPlug(), listener: l, opened: make(chan struct{})}
	go p.serve()
	return p
}

func (p *port) serve() {
	for {
		conn, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		if p.conn != nil {
			p.conn.Close()
		}
		p.conn = conn
		p.mu.Unlock()
		p.once.Do(func() { close(p.opened) })
		go func() {
			buf := make([]byte, 256)
			for {
				n, err := conn.Read(buf)
				if err != nil {
					return
				}
				select {
				case p.in <- append([]byte(nil), buf[:n]...):
				case <-p.closed:
					return
				}
			}
		}()
	}
}

func (p *port) Write(b []byte) (int, error) {
	p.mu.Lock()
	conn := p.conn
	p.mu.Unlock()
	if conn != nil {
		_, _ = conn.Write(b) // with nobody there it is lost
	}
	return len(b), nil
}

func (p *port) Close() error {
	p.listener.Close()
	p.mu.Lock()
	if p.conn != nil {
		p.conn.Close()
	}
	p.mu.Unlock()
	return p.plug.Close()
}

// The bench is killed at random moments of a batch. Each unit ends up right,
// no question of its set-up is answered twice, no order is lost or doubled,
// and every record can be read as far as it goes.
func TestKilled(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no unix sockets between processes here")
	}
	kills := 20
	if n, err := strconv.Atoi(os.Getenv("LINEHAND_KILLS")); err == nil {
		kills = n
	}
	seed := uint64(time.Now().UnixNano())
	if n, err := strconv.ParseUint(os.Getenv("LINEHAND_SEED"), 10, 64); err == nil {
		seed = n
	}
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 1))
	var total tally
	for n := 0; total.kills < kills; n++ {
		total.add(killedBatch(t, chance, kills-total.kills, n%2 == 1))
		if t.Failed() {
			return
		}
	}
	t.Logf("%d kills in %d batches: %d units, %d records, %d of them cut, %d holds", total.kills, total.batches, total.units, total.records, total.cut, total.holds)
}

type tally struct{ kills, batches, units, records, cut, holds int }

func (t *tally) add(o tally) {
	t.kills, t.batches, t.units = t.kills+o.kills, t.batches+o.batches, t.units+o.units
	t.records, t.cut, t.holds = t.records+o.records, t.cut+o.cut, t.holds+o.holds
}

// killedBatch brings a batch of four shelves up, and kills the bench at most
// so many times meanwhile. Its orders are in its notes, or in a store.
func killedBatch(t *testing.T, chance *rand.Rand, kills int, store bool) tally {
	const shelves = 4
	dir, err := os.MkdirTemp("", "bench") // short: the name of a socket has a limit
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if !t.Failed() {
			os.RemoveAll(dir)
		} else {
			t.Logf("kept: %s", dir)
		}
	}()
	sheet := batch(t, dir, shelves)
	secrets := throwaway(sheet)
	sessions := map[string]*sim.Session{}
	units := map[string]sim.Unit{}
	var starts []func()
	for n, u := range sheet.Plan.Units[:shelves] {
		unit := simulated(t, u, secrets, 0.1)
		p := listenAt(t, filepath.Join(dir, fmt.Sprintf("cable-%d", n+1)))
		units[u.Name] = unit
		starts = append(starts, func() {
			<-p.opened // somebody is there to hear it boot
			sessions[u.Name] = sim.Start(t.Context(), unit, p, sim.Options{Seed: chance.Uint64()})
		})
	}
	defer func() {
		for _, s := range sessions {
			s.Stop()
		}
	}()
	got := tally{batches: 1, units: shelves}
	for {
		child := startChild(t, dir, store)
		for _, start := range starts {
			start()
		}
		starts = nil
		limit := time.Minute
		if got.kills < kills {
			limit = time.Duration(chance.Int64N(int64(3 * time.Second)))
		}
		over := allOver(dir, shelves, limit)
		kill(child)
		if over {
			break
		}
		if got.kills++; got.kills > kills {
			t.Errorf("the batch did not come to its end; notes: %+v", notesOf(dir))
			return got
		}
	}
	checkBatch(t, dir, sheet, units, sessions, store, &got)
	return got
}

func startChild(t *testing.T, dir string, store bool) *exec.Cmd {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childFolder+"="+dir)
	if store {
		child.Env = append(child.Env, childStore+"=1")
	}
	child.Stderr = os.Stderr
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	return child
}

func kill(child *exec.Cmd) {
	_ = child.Process.Signal(syscall.SIGKILL)
	_ = child.Wait()
}

// kept is what the test reads of the bench's notes.
type kept struct {
	Runs map[string]struct {
		Record  string
		Ending  *bench.Ending
		Settled bool
		Cut     []string
	}
	Orders []bench.Order
}

func notesOf(dir string) (k kept) {
	data, err := os.ReadFile(filepath.Join(dir, "data", "bench.json"))
	if err == nil {
		_ = json.Unmarshal(data, &k)
	}
	return k
}

// allOver waits until all runs are over, at most for so long.
func allOver(dir string, units int, limit time.Duration) bool {
	for until := time.Now().Add(limit); ; time.Sleep(20 * time.Millisecond) {
		over := 0
		for _, r := range notesOf(dir).Runs {
			if r.Settled {
				over++
			}
		}
		if over >= units {
			return true
		}
		if time.Now().After(until) {
			return false
		}
	}
}

func checkBatch(t *testing.T, dir string, sheet *station.Sheet, units map[string]sim.Unit, sessions map[string]*sim.Session, store bool, got *tally) {
	t.Helper()
	k := notesOf(dir)
	if store {
		k.Orders = ordersOf(t, dir)
	}
	orders := map[string]int{}
	for _, o := range k.Orders {
		orders[o.Unit]++
		if o.State != bench.OrderDone {
			t.Errorf("order %s of %s is %s: %+v", o.ID, o.Unit, o.State, o.Ending)
		}
	}
	for name, s := range sessions {
		if orders[name] != 1 {
			t.Errorf("%s has %d orders", name, orders[name])
		}
		u, err := sheet.Plan.Unit(name)
		if err != nil {
			t.Fatal(err)
		}
		holds := units[name].Holds()
		if holds["configured"] != "yes" || holds["name"] != name || holds["ports.e0.address"] != u.Planned["ports.e0.address"] {
			t.Errorf("%s holds %v", name, holds)
		}
		for prompt, n := range asked(s) {
			if n != 1 {
				t.Errorf("%s: %q was answered %d times", name, prompt, n)
			}
		}
		for _, a := range s.Answers() {
			if !a.Accepted && a.Prompt != "Pass phrase:" && a.Prompt != "Press Enter to begin" {
				t.Errorf("%s did not take %q at %q", name, a.Text, a.Prompt)
			}
		}
	}
	checkRecords(t, dir, k, got)
}

func ordersOf(t *testing.T, dir string) (list []bench.Order) {
	t.Helper()
	s, err := openOrders(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	all, err := s.List(t.Context(), orders.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range all {
		one := bench.Order{ID: o.ID, Unit: o.Unit, State: bench.OrderNotDone}
		if o.State == orders.Done {
			one.State = bench.OrderDone
		}
		list = append(list, one)
	}
	return list
}

// checkRecords reads every record, and sees to it that each belongs to a run.
func checkRecords(t *testing.T, dir string, k kept, got *tally) {
	t.Helper()
	known := map[string]bool{}
	for _, r := range k.Runs {
		known[filepath.Base(r.Record)] = true
		for _, c := range r.Cut {
			known[c] = true
		}
	}
	paths, _ := filepath.Glob(filepath.Join(dir, "records", "*.record"))
	for _, path := range paths {
		rec, err := transcript.Read(path)
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		if rec.Fault != nil && rec.Fault.Kind != transcript.FaultUnended && rec.Fault.Kind != transcript.FaultCut {
			t.Errorf("%s is not whole as far as it goes: %v", path, rec.Fault)
		}
		if !known[filepath.Base(path)] {
			t.Errorf("%s belongs to no run", path)
		}
		got.records++
		ended := false
		for _, e := range rec.Events {
			ended = ended || e.Kind == transcript.Ending
			if e.Kind == transcript.Hold && e.State == "raised" {
				got.holds++
				t.Logf("%s: held: %s", filepath.Base(path), e.Text)
			}
		}
		if !ended {
			got.cut++
		}
		file, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		secrets := throwaway(sheetOf(t, dir))
		for _, name := range sheetOf(t, dir).Plan.Secrets {
			if v, err := secrets.Secret(name); err == nil && strings.Contains(string(file), v) {
				t.Errorf("%s holds secret %s", path, name)
			}
		}
	}
}

func sheetOf(t *testing.T, dir string) *station.Sheet {
	t.Helper()
	sheet, err := station.ReadSheet(filepath.Join(dir, "site", "batch.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}
