package bench_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/orders/orderstest"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/console/pair"
	"linehand/fixtures"
	"linehand/script/engine"
	"linehand/script/secret"
	"linehand/transcript"
)

// The measurements of this file run only where resultsFile names a file, to
// which they add what they have measured.
const resultsFile = "LINEHAND_SCALE"

// childScale holds what a process with many benches in it is to do.
const childScale = "LINEHAND_TEST_SCALE"

// crowd is a number of benches in one process, each with a site of its own.
type crowd struct {
	URL    string
	Folder string
	First  int // number of the first bench
	Count  int
	Units  int // of each site
	Lines  int // of each bench
}

func siteName(n int) string { return fmt.Sprintf("site-%03d", n) }

func serialOf(site, unit int) string { return fmt.Sprintf("QX48-%03d%04d", site, unit) }

// layOut writes the site of a bench.
func layOut(dir string, n, units int) (*station.Sheet, error) {
	var text strings.Builder
	fmt.Fprintf(&text, "format: linehand.site/1\ndefaults: company.yaml\nsite: {name: %s, title: Holm, demonstration: true}\nnetworks:\n  - {name: quay, subnet: 192.0.2.0/24, gateway: 192.0.2.1, vlan: 10}\nunits:\n", siteName(n))
	for i := range units {
		fmt.Fprintf(&text, "  - {name: sw-%03d, kind: quillon-x48, serial: %s, ports: [{name: m0, network: quay, address: 192.0.2.%d}]}\n", i+1, serialOf(n, i+1), 20+i)
	}
	files := map[string]string{"site/batch.yaml": text.String()}
	for _, name := range []string{"site/company.yaml", "dialogues/quillon-x48.yaml", "dialogues/brackwater-s24.yaml"} {
		data, err := fixtures.Files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		files[name] = string(data)
	}
	for name, data := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return nil, err
		}
		if err := os.WriteFile(path, []byte(data), 0o600); err != nil {
			return nil, err
		}
	}
	return station.ReadSheet(filepath.Join(dir, "site", "batch.yaml"))
}

// scaleBenches runs a crowd until its standard input closes. It says "ready"
// when all benches have their orders, and begins to bring units when told.
func scaleBenches(text string) error {
	var c crowd
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var tasks, ready sync.WaitGroup
	begin := make(chan struct{})
	errs := make(chan error, c.Count)
	for n := c.First; n < c.First+c.Count; n++ {
		ready.Add(1)
		tasks.Go(func() {
			if err := scaleBench(ctx, c, n, ready.Done, begin); err != nil {
				errs <- fmt.Errorf("bench %d: %w", n, err)
			}
		})
	}
	all := make(chan struct{})
	go func() { ready.Wait(); close(all) }()
	select {
	case err := <-errs:
		return err
	case <-all:
	}
	fmt.Println("ready")
	in := bufio.NewReader(os.Stdin)
	if _, err := in.ReadString('\n'); err != nil {
		return err
	}
	close(begin)
	_, _ = io.Copy(io.Discard, in)
	cancel()
	tasks.Wait()
	return nil
}

func scaleBench(ctx context.Context, c crowd, n int, ready func(), begin chan struct{}) error {
	dir := filepath.Join(c.Folder, siteName(n))
	sheet, err := layOut(dir, n, c.Units)
	if err != nil {
		return err
	}
	name := fmt.Sprintf("bench-%03d", n)
	store, err := orders.Open(ctx, orders.Options{Bench: name, URL: c.URL, FirmDomain: orderstest.Domain, Replicas: orderstest.Size, Log: childLog()})
	if err != nil {
		return err
	}
	defer store.Close()
	secrets := throwaway(sheet)
	jacks := map[string]*bringer{}
	cfg := bench.Config{
		Name: name, Data: filepath.Join(dir, "data"), Records: filepath.Join(dir, "records"), Sheet: sheet,
		Secrets: func() *secret.Store { return secrets }, Mask: transcript.NewMask(), Allow: bench.PerUnit, Plays: bench.PlayFirstBoot,
		Tool: "linehand test", Log: childLog(), Orders: &firm.Orders{Store: store, Site: siteName(n), Bench: name, Log: childLog()},
		Open: func(_ context.Context, address string, set console.Settings, _ string) (console.Line, error) {
			return jacks[address].open(set), nil
		},
		Play: func(_ context.Context, j bench.Job) (station.Result, error) {
			j.Station.Line.Close()
			if err := j.Station.Begun(""); err != nil {
				return station.Result{}, err
			}
			return station.Result{Unit: j.Unit.Name, Ending: engine.Ending{How: engine.Done, Sentence: "The unit is set up."}}, nil
		},
	}
	for l := range c.Lines {
		address := fmt.Sprintf("unix:cable-%d", l+1)
		jacks[address] = &bringer{address: address}
		cfg.Lines = append(cfg.Lines, address)
	}
	d, err := bench.New(cfg)
	if err != nil {
		return err
	}
	var tasks sync.WaitGroup
	defer tasks.Wait()
	tasks.Go(func() { firm.Announce(ctx, store, d, siteName(n), "", cfg.Log) })
	tasks.Go(func() { firm.Live(ctx, store, d, cfg.Log) })
	for l := range c.Lines {
		tasks.Go(func() {
			for len(d.Lines()) < c.Lines && ctx.Err() == nil {
				time.Sleep(20 * time.Millisecond)
			}
			if l == 0 {
				ready()
			}
			<-begin
			for unit := l + 1; unit <= c.Units; unit += c.Lines {
				jacks[cfg.Lines[l]].bring(ctx, d, serialOf(n, unit))
			}
		})
	}
	return d.Run(ctx)
}

// bringer is a cable to which one unit after the other is brought.
type bringer struct {
	address string

	mu  sync.Mutex
	far *pair.Far
}

func (b *bringer) open(set console.Settings) console.Line {
	line, far := pair.New(b.address, set)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.far = far
	return line
}

// bring has a unit say who it is until the bench has played it.
func (b *bringer) bring(ctx context.Context, d *bench.Daemon, serial string) {
	for n := 0; ctx.Err() == nil; n++ {
		l, err := d.Line(b.address)
		if err == nil && l.Serial == serial && l.State == bench.Finished {
			return
		}
		if err == nil && l.Serial != serial && n%10 == 0 {
			b.mu.Lock()
			far := b.far
			b.mu.Unlock()
			if far != nil {
				_, _ = far.Write([]byte("\r\nQuillon X48 access switch, serial " + serial + "\r\nlogin: "))
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// usedOf is what processes have used: CPU time, and memory that they have now,
// in bytes.
func usedOf(t *testing.T, ids []int) (cpu time.Duration, memory int64) {
	t.Helper()
	for _, id := range ids {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", id))
		if err != nil {
			t.Skip("what a process uses is read from /proc")
		}
		fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+2:])) // proc(5): from the third on
		for _, f := range fields[11:13] {
			ticks, _ := strconv.ParseInt(f, 10, 64)
			cpu += time.Duration(ticks) * (time.Second / 100)
		}
		pages, _ := strconv.ParseInt(fields[21], 10, 64)
		memory += pages * int64(os.Getpagesize())
	}
	return cpu, memory
}

// seen is what one who watches all orders has seen.
type seen struct {
	mu    sync.Mutex
	late  []time.Duration
	done  atomic.Int64
	known map[string]bool
}

func (s *seen) take(o orders.Order) {
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.late = append(s.late, now.Sub(o.Changed.At))
	if o.State == orders.Done && !s.known[o.ID] {
		s.known[o.ID] = true
		s.done.Add(1)
	}
}

// lateness says how late changes came, and forgets it.
func (s *seen) lateness() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := percentiles(s.late)
	s.late = nil
	return text
}

func percentiles(list []time.Duration) string {
	if len(list) == 0 {
		return "none"
	}
	slices.Sort(list)
	at := func(p float64) time.Duration {
		return list[min(len(list)-1, int(p*float64(len(list))))].Round(10 * time.Microsecond)
	}
	return fmt.Sprintf("p50 %s, p99 %s, max %s (%d)", at(0.5), at(0.99), list[len(list)-1].Round(10*time.Microsecond), len(list))
}

// results adds to the file that the measurements go to.
type results struct {
	t    *testing.T
	file *os.File
}

func openResults(t *testing.T, what string) *results {
	t.Helper()
	path := os.Getenv(resultsFile)
	if path == "" {
		t.Skip("a measurement of several minutes: " + resultsFile + " names the file for its results")
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	r := &results{t, f}
	revision, _ := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	load, _ := os.ReadFile("/proc/loadavg")
	r.say("\n%s\n%s, revision %s, %s, %s, %s; load before (1, 5, 15 min.): %.15s", what, time.Now().UTC().Format("2006-01-02 15:04 MST"), strings.TrimSpace(string(revision)), machine(), runtime.Version(), runtime.GOARCH, load)
	return r
}

// machine is what measurements were made on.
func machine() string {
	model := "unknown processor"
	if data, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(data)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	return fmt.Sprintf("%s, %d processors", model, runtime.NumCPU())
}

func (r *results) say(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	r.t.Log(text)
	if _, err := fmt.Fprintln(r.file, text); err != nil {
		r.t.Fatal(err)
	}
}

func setting(name string, otherwise int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return otherwise
}

// TestManyBenches plays the units of many benches against a firm's three
// servers, and measures. Servers and benches are processes; units and their
// playing are in memory, so what is measured is the work on orders.
func TestManyBenches(t *testing.T) {
	benches, units := setting("LINEHAND_SCALE_BENCHES", 100), setting("LINEHAND_SCALE_UNITS", 10000)
	r := openResults(t, fmt.Sprintf("%d units over %d benches, three NATS servers, streams with three copies, each write synced", units, benches))
	per, lines, processes := units/benches, 4, 4
	cluster := orderstest.Start(t)
	var desk *orders.Store
	for until := time.Now().Add(time.Minute); desk == nil; time.Sleep(100 * time.Millisecond) {
		var err error
		if desk, err = orders.Open(t.Context(), orders.Options{URL: cluster.URL(), FirmDomain: orderstest.Domain, Replicas: orderstest.Size}); err != nil && time.Now().After(until) {
			t.Fatal(err)
		}
	}
	defer desk.Close()
	ctx, cancel := context.WithCancel(t.Context())
	watcher := &seen{known: map[string]bool{}}
	news, err := desk.Watch(ctx)
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		for u := range news {
			if !u.Current {
				watcher.take(u.Order)
			}
		}
	}()

	began := time.Now()
	fileAll(t, desk, benches, per)
	took := time.Since(began)
	cpu, memory := usedOf(t, cluster.Processes())
	r.say("filing, 64 at a time: %.0f orders/s (%s); a change reaches one who watches all: %s", float64(benches*per)/took.Seconds(), took.Round(time.Second/10), watcher.lateness())
	r.say("  servers: %.1f s of CPU, %d MB", cpu.Seconds(), memory>>20)

	began = time.Now()
	crowds := startCrowds(t, crowd{URL: cluster.URL(), Folder: t.TempDir(), Units: per, Lines: lines}, benches, processes)
	r.say("starting: %d benches in %d processes have their orders after %s", benches, processes, time.Since(began).Round(time.Second/10))
	ids := make([]int, len(crowds))
	for i, c := range crowds {
		ids[i] = c.cmd.Process.Pid
	}
	serversBefore, _ := usedOf(t, cluster.Processes())
	benchesBefore, idle := usedOf(t, ids)
	watcher.lateness()
	began = time.Now()
	for _, c := range crowds {
		fmt.Fprintln(c.in)
	}
	limit := time.Duration(setting("LINEHAND_SCALE_SECONDS", 420)) * time.Second
	last := int64(0)
	for tick := began; watcher.done.Load() < int64(benches*per) && time.Since(began) < limit; {
		time.Sleep(100 * time.Millisecond)
		if time.Since(tick) >= 30*time.Second {
			tick = time.Now()
			t.Logf("%s: %d done, %.0f/s", time.Since(began).Round(time.Second), watcher.done.Load(), float64(watcher.done.Load()-last)/30)
			last = watcher.done.Load()
		}
	}
	took = time.Since(began)
	done := watcher.done.Load()
	servers, serverMemory := usedOf(t, cluster.Processes())
	all, benchMemory := usedOf(t, ids)
	r.say("playing, %d lines a bench: %d of %d done in %s, %.1f orders/s; a change reaches one who watches all: %s", lines, done, benches*per, took.Round(time.Second/10), float64(done)/took.Seconds(), watcher.lateness())
	r.say("  servers: %.2f processors, %d MB; benches: %.2f processors, %d MB (%d MB before), %.1f MB a bench", (servers-serversBefore).Seconds()/took.Seconds(), serverMemory>>20,
		(all-benchesBefore).Seconds()/took.Seconds(), benchMemory>>20, idle>>20, float64(benchMemory>>10)/1024/float64(benches))
	r.say("  CPU for an order: servers %.1f ms, benches %.1f ms", float64((servers-serversBefore).Milliseconds())/float64(max(1, done)), float64((all-benchesBefore).Milliseconds())/float64(max(1, done)))
	cancel()
	checkScale(t, r, desk, benches*per, done)
}

// checkScale sees to it that no order was lost or played twice.
func checkScale(t *testing.T, r *results, desk *orders.Store, want int, done int64) {
	t.Helper()
	began := time.Now()
	list, err := desk.List(t.Context(), orders.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	twice, over := 0, 0
	for _, o := range list {
		if o.Attempts > 1 {
			twice++
		}
		if o.State == orders.Done {
			over++
		}
	}
	r.say("  listing all takes %s; %d orders, %d done, %d played twice", time.Since(began).Round(10*time.Millisecond), len(list), over, twice)
	if len(list) != want || twice > 0 || int64(over) < done {
		t.Errorf("%d orders of %d, %d done, %d played twice", len(list), want, over, twice)
	}
}

func fileAll(t *testing.T, desk *orders.Store, benches, per int) {
	t.Helper()
	var next atomic.Int64
	var tasks sync.WaitGroup
	for range 64 {
		tasks.Go(func() {
			for n := int(next.Add(1)) - 1; n < benches*per; n = int(next.Add(1)) - 1 {
				site, unit := n%benches, n/benches+1
				_, err := desk.File(t.Context(), orders.Filing{
					ID: fmt.Sprintf("s%03d-%04d", site, unit), Site: siteName(site), Unit: fmt.Sprintf("sw-%03d", unit), Serial: serialOf(site, unit), Kind: "quillon-x48",
					Bench: fmt.Sprintf("bench-%03d", site), Allowance: orders.Always, Person: "Robin",
				})
				if err != nil {
					t.Errorf("file an order: %v", err)
					return
				}
			}
		})
	}
	tasks.Wait()
}

type crowdProcess struct {
	cmd *exec.Cmd
	in  io.WriteCloser
}

func startCrowds(t *testing.T, c crowd, benches, processes int) []*crowdProcess {
	t.Helper()
	var list []*crowdProcess
	var outs []*bufio.Reader
	for n := range processes {
		c.First = n * benches / processes
		c.Count = (n+1)*benches/processes - c.First
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		p := &crowdProcess{cmd: exec.Command(os.Args[0])}
		p.cmd.Env = append(os.Environ(), childScale+"="+string(text))
		p.cmd.Stderr = os.Stderr
		out, err := p.cmd.StdoutPipe()
		if err == nil {
			p.in, err = p.cmd.StdinPipe()
		}
		if err == nil {
			err = p.cmd.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { kill(p.cmd) })
		list, outs = append(list, p), append(outs, bufio.NewReader(out))
	}
	for _, out := range outs {
		if line, err := out.ReadString('\n'); err != nil || line != "ready\n" {
			t.Fatalf("a process with benches said %q: %v", line, err)
		}
	}
	return list
}
