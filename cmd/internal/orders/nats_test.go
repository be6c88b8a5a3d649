package orders

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/goleak"
)

// Run by itself with one of these set, the test binary is another process.
const (
	asServer = "LINEHAND_TEST_NATS"   // a NATS server with this configuration file
	asBench  = "LINEHAND_TEST_FOLDER" // a bench that files and plays orders until it is killed
)

func TestMain(m *testing.M) {
	switch {
	case os.Getenv(asServer) != "":
		os.Exit(beServer(os.Getenv(asServer)))
	case os.Getenv(asBench) != "":
		os.Exit(beBench(os.Getenv(asBench)))
	}
	goleak.VerifyTestMain(m,
		// Started once by the embedded server's package, and never ended.
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/ats.init.0.func1"),
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/pse.periodic"),
	)
}

func beServer(config string) int {
	opts, err := server.ProcessConfigFile(config)
	if err == nil {
		opts.NoSigs = true
		var s *server.Server
		if s, err = server.NewServer(opts); err == nil {
			s.ConfigureLogger()
			s.Start()
			stop := make(chan os.Signal, 1)
			signal.Notify(stop, syscall.SIGTERM)
			<-stop
			s.Shutdown()
			s.WaitForShutdown()
			return 0
		}
	}
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// cluster is the firm's three servers, each a process of its own.
type cluster struct {
	t       testing.TB
	folder  string
	clients [3]int // ports
	leaves  [3]int
	routes  [3]int

	mu    sync.Mutex
	procs [3]*exec.Cmd
}

// firmCluster starts three servers and waits until they have a leader.
func firmCluster(t testing.TB) *cluster {
	t.Helper()
	c := &cluster{t: t, folder: t.TempDir()}
	ports := freePorts(t, 9)
	copy(c.clients[:], ports[0:3])
	copy(c.leaves[:], ports[3:6])
	copy(c.routes[:], ports[6:9])
	t.Cleanup(func() {
		for i := range c.procs {
			c.kill(i)
		}
	})
	for i := range c.procs {
		c.start(i)
	}
	return c
}

func freePorts(t testing.TB, n int) []int {
	t.Helper()
	var ports []int
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

func (c *cluster) start(i int) {
	c.t.Helper()
	var routes []string
	for j, port := range c.routes {
		if j != i {
			routes = append(routes, fmt.Sprintf("nats-route://127.0.0.1:%d", port))
		}
	}
	name := fmt.Sprintf("firm-%d", i+1)
	text := fmt.Sprintf(`
server_name: %s
listen: "127.0.0.1:%d"
jetstream { store_dir: %q, domain: firm, sync_interval: always, max_memory_store: 64MB, max_file_store: 4GB }
cluster { name: firm, listen: "127.0.0.1:%d", routes: [%s] }
leafnodes { listen: "127.0.0.1:%d", no_advertise: true }
ping_interval: "2s"
log_file: %q
`, name, c.clients[i], filepath.Join(c.folder, name), c.routes[i], strings.Join(routes, ", "), c.leaves[i], filepath.Join(c.folder, name+".log"))
	config := filepath.Join(c.folder, name+".conf")
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		c.t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), asServer+"="+config)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.procs[i] = cmd
}

// kill ends a server as a power cut would.
func (c *cluster) kill(i int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.procs[i] != nil {
		_ = c.procs[i].Process.Kill()
		_ = c.procs[i].Wait()
		c.procs[i] = nil
	}
}

func (c *cluster) url() string {
	var all []string
	for _, port := range c.clients {
		all = append(all, "nats://127.0.0.1:"+strconv.Itoa(port))
	}
	return strings.Join(all, ",")
}

// open gives a store on the cluster, once it has a leader.
func (c *cluster) open(bench string, lease time.Duration) *Store {
	c.t.Helper()
	deadline := time.Now().Add(40 * time.Second)
	for {
		s, err := Open(context.Background(), Options{Bench: bench, URL: c.url(), FirmDomain: "firm", Replicas: 3, Lease: lease})
		if err == nil {
			c.t.Cleanup(s.Close)
			return s
		}
		if time.Now().After(deadline) {
			c.t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// leader is the server that leads the stream of orders.
func (c *cluster) leader(s *Store) int {
	c.t.Helper()
	stream, err := s.firm.js.Stream(c.t.Context(), ordersStream)
	if err != nil {
		c.t.Fatal(err)
	}
	name := stream.CachedInfo().Cluster.Leader
	n, err := strconv.Atoi(strings.TrimPrefix(name, "firm-"))
	if err != nil {
		c.t.Fatalf("the leader is %q", name)
	}
	return n - 1
}

// cuttable passes connections on until it is cut: then nothing goes through,
// and nobody is told, as on a line that is dug up.
type cuttable struct {
	listener net.Listener
	target   string
	tasks    sync.WaitGroup

	mu    sync.Mutex
	cut   bool
	conns map[net.Conn]bool
}

func cuttableLink(t testing.TB, target string) *cuttable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cuttable{listener: l, target: target, conns: map[net.Conn]bool{}}
	c.tasks.Go(c.accept)
	t.Cleanup(func() {
		l.Close()
		c.setCut(true)
		c.tasks.Wait()
	})
	return c
}

func (c *cuttable) address() string { return c.listener.Addr().String() }

func (c *cuttable) accept() {
	for {
		near, err := c.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", c.target)
		if err != nil || !c.keep(near, far) {
			near.Close()
			continue
		}
		c.tasks.Go(func() { io.Copy(far, near); far.Close(); near.Close() })
		c.tasks.Go(func() { io.Copy(near, far); far.Close(); near.Close() })
	}
}

func (c *cuttable) keep(conns ...net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut {
		for _, conn := range conns {
			conn.Close()
		}
		return false
	}
	for _, conn := range conns {
		c.conns[conn] = true
	}
	return true
}

func (c *cuttable) setCut(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
	for conn := range c.conns {
		if cut {
			conn.Close()
		}
	}
	if cut {
		clear(c.conns)
	}
}

// eventually waits until what is so, and says what it was waiting for if it
// does not come.
func eventually(t testing.TB, what string, within time.Duration, so func() bool) {
	t.Helper()
	deadline := time.Now().Add(within)
	for !so() {
		if time.Now().After(deadline) {
			t.Fatalf("waited %s in vain: %s", within, what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// play plays an order to its good end, and gives the lease's token.
func play(ctx context.Context, s *Store, id, line string) error {
	run, err := s.Begin(ctx, id, Start{Line: line})
	if err != nil {
		return err
	}
	h, err := run.Hold(ctx, Hold{Reason: "look at it", Choices: []Choice{{Name: "go on"}}})
	if err != nil {
		run.Leave()
		return err
	}
	if _, err := s.Release(ctx, id, Release{Hold: h.ID, Choice: "go on", By: "ada"}); err != nil {
		run.Leave()
		return err
	}
	if _, err := run.AwaitRelease(ctx, h.ID); err != nil {
		run.Leave()
		return err
	}
	_, err = run.Finish(ctx, Ending{How: "done", Good: true, Sentence: "done"}, nil)
	return err
}

// once checks that an order was played exactly once, from its history.
func once(t testing.TB, s *Store, id string) {
	t.Helper()
	hist, err := s.History(t.Context(), id)
	if err != nil {
		t.Errorf("order %s: %v", id, err)
		return
	}
	count := map[Act]int{}
	ids := map[string]bool{}
	for _, c := range hist {
		count[c.Act]++
		if ids[c.ID] {
			t.Errorf("order %s: the change %s %q was written twice", id, c.Act, c.ID)
		}
		ids[c.ID] = true
	}
	for _, act := range []Act{Begin, Raise, Let, End} {
		if count[act] != 1 {
			t.Errorf("order %s was %s %d times: %s", id, act, count[act], told(hist))
			return
		}
	}
}

func told(hist []Change) string {
	var b bytes.Buffer
	for _, c := range hist {
		fmt.Fprintf(&b, " %s", c.Act)
	}
	return b.String()
}

func unreachable(err error) bool {
	var far *UnreachableError
	return errors.As(err, &far)
}
