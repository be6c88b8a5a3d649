package bench_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/orders/orderstest"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/fixtures"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/transcript"
)

func TestMain(m *testing.M) {
	orderstest.Main()
	if done := childMain(); done {
		return
	}
	goleak.VerifyTestMain(m,
		// Started once by the embedded server's package, and never ended.
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/ats.init.0.func1"),
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/pse.periodic"),
	)
}

var robin = bench.Person{Name: "Robin", Role: "play"}

// batch lays out a site of so many shelves, in clusters of eight at the most,
// and reads it. The first of each cluster starts it.
func batch(t testing.TB, dir string, shelves int) *station.Sheet { return batchOf(t, dir, shelves, 8) }

// batchOf is batch with so many shelves in a cluster.
func batchOf(t testing.TB, dir string, shelves, per int) *station.Sheet {
	t.Helper()
	var text strings.Builder
	text.WriteString("format: linehand.site/1\ndefaults: company.yaml\nsite: {name: holm, title: Holm, demonstration: true}\n")
	text.WriteString("networks:\n  - {name: quay, subnet: 192.0.2.0/24, gateway: 192.0.2.1, vlan: 10}\nclusters:\n")
	for c := range (shelves + per - 1) / per {
		fmt.Fprintf(&text, "  - {name: deep-%c, address: 192.0.2.%d, network: quay, join-secret: join-%c}\n", 'a'+c, 200+c, 'a'+c)
	}
	text.WriteString("secrets:\n")
	for c := range (shelves + per - 1) / per {
		fmt.Fprintf(&text, "  join-%c: {env: LINEHAND_JOIN_%c}\n", 'a'+c, 'A'+c)
	}
	text.WriteString("units:\n")
	for n := range shelves {
		how := "join"
		if n%per == 0 {
			how = "start"
		}
		fmt.Fprintf(&text, "  - {name: shelf-%02d, kind: brackwater-s24, serial: BW24-%04d, cluster: {%s: deep-%c}, ports: [{name: e0, network: quay, address: 192.0.2.%d}]}\n", n+1, n+1, how, 'a'+n/per, 20+n)
	}
	text.WriteString("  - {name: sw-1, kind: quillon-x48, serial: QX48-0001, ports: [{name: m0, network: quay, address: 192.0.2.9}]}\n")
	files := map[string]string{"site/batch.yaml": text.String()}
	for _, name := range []string{"site/company.yaml", "dialogues/brackwater-s24.yaml", "dialogues/brackwater-s24-set-up.yaml", "dialogues/brackwater-s24-proof.yaml", "dialogues/quillon-x48.yaml"} {
		data, err := fixtures.Files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = string(data)
	}
	for name, data := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	sheet, err := station.ReadSheet(filepath.Join(dir, "site", "batch.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}

// throwaway are made-up secrets for a site; the same for the same seed.
func throwaway(sheet *station.Sheet) *secret.Store { return secret.Throwaway(sheet.Plan.Secrets, 11) }

// simulated is the unit that the plan speaks of, fresh from the factory.
func simulated(t testing.TB, u *plan.Unit, secrets *secret.Store, scale float64) sim.Unit {
	t.Helper()
	return simulatedIn(t, u, secrets, scale, nil)
}

// simulatedIn is a unit among others that see each other; nil: it is alone.
func simulatedIn(t testing.TB, u *plan.Unit, secrets *secret.Store, scale float64, world *sim.World) sim.Unit {
	t.Helper()
	value := func(name string) string {
		v, err := secrets.Secret(name)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	f := u.Values["factory"].(script.FactoryValues)
	c := sim.Config{Serial: u.Serial, FactoryUser: f.User, FactorySecret: value(f.Secret.Name), Scale: scale, World: world}
	if s, ok := u.Values["storage"].(script.StorageValues); ok {
		c.Drives, c.DriveSize = s.Drives, s.Size
	}
	if u.Kind == "quillon-x48" {
		c.BootLog = 20000
		return sim.NewX48(c)
	}
	if k := u.Values["cluster"].(script.ClusterValues); k.Mode == "join" && world == nil {
		refs := u.Values["secret"].(map[string]script.SecretRef)
		c.Clusters = []sim.Cluster{{Name: k.Name, Address: k.Address, Members: 1, Secret: value(refs[plan.JoinRole].Name)}}
	}
	return sim.NewS24(c)
}

// cable is one cable of the bench: its near end stays plugged in, its far end
// goes from unit to unit.
type cable struct {
	jack *sim.Jack

	mu sync.Mutex
	at *plug
}

func newCable(name string) *cable {
	c := &cable{jack: sim.NewJack(name, console.Default)}
	go func() {
		buf := make([]byte, 256)
		for {
			n, err := c.jack.Read(buf)
			if err != nil {
				return
			}
			c.mu.Lock()
			at := c.at
			c.mu.Unlock()
			if at != nil {
				select {
				case at.in <- append([]byte(nil), buf[:n]...):
				case <-at.closed:
				}
			}
		}
	}()
	return c
}

// to moves the far end to another unit; nil: it hangs free.
func (c *cable) to(p *plug) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.at != nil {
		c.at.move(nil)
	}
	c.at = p
	if p != nil {
		p.move(c)
	}
}

// plug is a unit's console port.
type plug struct {
	in     chan []byte
	closed chan struct{}
	once   sync.Once
	rest   []byte

	mu sync.Mutex
	on *cable
}

func newPlug() *plug { return &plug{in: make(chan []byte, 64), closed: make(chan struct{})} }

func (p *plug) move(c *cable) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.on = c
}

func (p *plug) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		select {
		case p.rest = <-p.in:
		case <-p.closed:
			return 0, io.EOF
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *plug) Write(b []byte) (int, error) {
	p.mu.Lock()
	on := p.on
	p.mu.Unlock()
	if on == nil {
		return len(b), nil
	}
	_, _ = on.jack.Write(b) // with nobody there it is lost
	return len(b), nil
}

func (p *plug) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

// rig is a bench with cables in memory.
type rig struct {
	t       testing.TB
	sheet   *station.Sheet
	secrets *secret.Store
	cables  map[string]*cable
	world   *sim.World // nil: units see nothing of each other
	d       *bench.Daemon
	cfg     bench.Config
	stop    context.CancelFunc
	ended   chan error
}

// newRig makes a bench; start runs it.
func newRig(t testing.TB, shelves, cables int, change func(*bench.Config)) *rig {
	t.Helper()
	dir := t.TempDir()
	r := &rig{t: t, sheet: batch(t, dir, shelves), cables: map[string]*cable{}}
	r.secrets = throwaway(r.sheet)
	r.cfg = bench.Config{
		Name: "bench-1", Data: filepath.Join(dir, "data"), Records: filepath.Join(dir, "records"), Sheet: r.sheet,
		Secrets: func() *secret.Store { return r.secrets }, Mask: transcript.NewMask(), Allow: bench.Always, Plays: bench.PlayFirstBoot, Away: time.Minute,
		Committer: transcript.NewCheapCommitter(), Tool: "linehand test", Log: zerolog.Nop(),
		Open: func(_ context.Context, address string, _ console.Settings, _ string) (console.Line, error) {
			return r.cables[address].jack.Open()
		},
	}
	for n := range cables {
		name := fmt.Sprintf("unix:cable-%d", n+1)
		r.cables[name] = newCable(name)
		r.cfg.Lines = append(r.cfg.Lines, name)
	}
	if change != nil {
		change(&r.cfg)
	}
	return r
}

func (r *rig) start() {
	r.t.Helper()
	var err error
	if r.d, err = bench.New(r.cfg); err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.stop, r.ended = cancel, make(chan error, 1)
	go func() { r.ended <- r.d.Run(ctx) }()
	for range 100 {
		if len(r.d.Lines()) == len(r.cfg.Lines) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	r.t.Fatal("the lines never came")
}

func (r *rig) finish() {
	r.t.Helper()
	r.stop()
	if err := <-r.ended; err != nil {
		r.t.Errorf("the bench ended with: %v", err)
	}
}

func (r *rig) close() {
	for _, c := range r.cables {
		c.jack.Close()
	}
}

// boot switches a unit on at the end of a cable.
func (r *rig) boot(ctx context.Context, name, cable string, faults sim.Faults) *sim.Session {
	r.t.Helper()
	u, err := r.sheet.Plan.Unit(name)
	if err != nil {
		r.t.Fatal(err)
	}
	p := newPlug()
	r.cables[cable].to(p)
	return sim.Start(ctx, simulatedIn(r.t, u, r.secrets, 0.2, r.world), p, sim.Options{Seed: 1, Faults: faults})
}

// until waits until a line is as it should be.
func (r *rig) until(id, what string, is func(bench.Line) bool) bench.Line {
	r.t.Helper()
	var l bench.Line
	for range 6000 {
		l, _ = r.d.Line(id)
		if is(l) {
			return l
		}
		time.Sleep(100 * time.Millisecond)
	}
	r.t.Fatalf("line %s never came to be %s; it is %+v", id, what, l)
	return l
}

func in(s bench.State) func(bench.Line) bool { return func(l bench.Line) bool { return l.State == s } }

// asked counts how often the unit took an answer at each question of its
// first set-up.
func asked(s *sim.Session) map[string]int {
	count := map[string]int{}
	for _, a := range s.Answers() {
		if a.Accepted && !strings.HasPrefix(a.Prompt, "S24 ") && a.Prompt != "Sign in:" && a.Prompt != "Pass phrase:" {
			count[a.Prompt]++
		}
	}
	return count
}

func rewrite(t testing.TB, path, from, to string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), from) {
		t.Fatalf("%s does not hold %q", path, from)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(string(data), from, to, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
}

func reread(t testing.TB, dir string) *station.Sheet {
	t.Helper()
	sheet, err := station.ReadSheet(filepath.Join(dir, "site", "batch.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}
