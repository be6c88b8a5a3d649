// Package orderstest starts the NATS servers of a firm as processes of their
// own, and links to them that can be cut, for tests of what works with them.
// The servers are the test binary itself, run again: its TestMain calls Main
// first.
package orderstest

import (
	"context"
	"fmt"
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

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// asServer names the configuration file of the server that a test binary is.
const asServer = "LINEHAND_TEST_NATS"

// Main runs a server if the process was started as one, and does not return
// then.
func Main() {
	config := os.Getenv(asServer)
	if config == "" {
		return
	}
	if err := serve(config); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func serve(config string) error {
	opts, err := server.ProcessConfigFile(config)
	if err != nil {
		return err
	}
	opts.NoSigs = true
	s, err := server.NewServer(opts)
	if err != nil {
		return err
	}
	s.ConfigureLogger()
	s.Start()
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGTERM)
	<-stop
	s.Shutdown()
	s.WaitForShutdown()
	return nil
}

// Size is how many servers a firm has.
const Size = 3

// Domain is the JetStream domain of the firm's servers.
const Domain = "firm"

// Cluster is the firm's servers.
type Cluster struct {
	t       testing.TB
	folder  string
	clients [Size]int // ports
	leaves  [Size]int
	routes  [Size]int

	mu    sync.Mutex
	procs [Size]*exec.Cmd
}

// Start starts the servers. They end with the test.
func Start(t testing.TB) *Cluster {
	t.Helper()
	c := &Cluster{t: t, folder: t.TempDir()}
	ports := freePorts(t, 3*Size)
	copy(c.clients[:], ports[:Size])
	copy(c.leaves[:], ports[Size:2*Size])
	copy(c.routes[:], ports[2*Size:])
	t.Cleanup(func() {
		for i := range c.procs {
			c.Kill(i)
		}
	})
	for i := range c.procs {
		c.Run(i)
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

// Run starts a server that does not run.
func (c *Cluster) Run(i int) {
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
jetstream { store_dir: %q, domain: %s, sync_interval: always, max_memory_store: 64MB, max_file_store: 4GB }
cluster { name: firm, listen: "127.0.0.1:%d", routes: [%s] }
leafnodes { listen: "127.0.0.1:%d", no_advertise: true }
ping_interval: "2s"
log_file: %q
`, name, c.clients[i], filepath.Join(c.folder, name), Domain, c.routes[i], strings.Join(routes, ", "), c.leaves[i], filepath.Join(c.folder, name+".log"))
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

// Kill ends a server as a power cut would.
func (c *Cluster) Kill(i int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.procs[i] != nil {
		_ = c.procs[i].Process.Kill()
		_ = c.procs[i].Wait()
		c.procs[i] = nil
	}
}

// Processes are the IDs of the servers' processes that run.
func (c *Cluster) Processes() (ids []int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range c.procs {
		if p != nil {
			ids = append(ids, p.Process.Pid)
		}
	}
	return ids
}

// URL is where clients reach the servers.
func (c *Cluster) URL() string {
	var all []string
	for _, port := range c.clients {
		all = append(all, "nats://127.0.0.1:"+strconv.Itoa(port))
	}
	return strings.Join(all, ",")
}

// LeafAddress is where a leaf reaches one of the servers.
func (c *Cluster) LeafAddress(i int) string { return fmt.Sprintf("127.0.0.1:%d", c.leaves[i]) }

// Leader is the server that leads a stream.
func (c *Cluster) Leader(ctx context.Context, nc *nats.Conn, stream string) int {
	c.t.Helper()
	js, err := jetstream.NewWithDomain(nc, Domain)
	if err != nil {
		c.t.Fatal(err)
	}
	s, err := js.Stream(ctx, stream)
	if err != nil {
		c.t.Fatal(err)
	}
	name := s.CachedInfo().Cluster.Leader
	n, err := strconv.Atoi(strings.TrimPrefix(name, "firm-"))
	if err != nil {
		c.t.Fatalf("the leader is %q", name)
	}
	return n - 1
}
