package orders

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"

	"linehand/cmd/internal/orders/orderstest"
)

// asBench is set where the test binary is a bench that files and plays orders
// until it is killed.
const asBench = "LINEHAND_TEST_FOLDER"

func TestMain(m *testing.M) {
	orderstest.Main()
	if folder := os.Getenv(asBench); folder != "" {
		os.Exit(beBench(folder))
	}
	goleak.VerifyTestMain(m,
		// Started once by the embedded server's package, and never ended.
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/ats.init.0.func1"),
		goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server/pse.periodic"),
	)
}

// cluster is the firm's three servers, each a process of its own.
type cluster struct {
	*orderstest.Cluster
	t testing.TB
}

func firmCluster(t testing.TB) *cluster {
	t.Helper()
	return &cluster{orderstest.Start(t), t}
}

// open gives a store on the cluster, once it has a leader.
func (c *cluster) open(bench string, lease time.Duration) *Store {
	c.t.Helper()
	deadline := time.Now().Add(40 * time.Second)
	for {
		s, err := Open(context.Background(), Options{Bench: bench, URL: c.URL(), FirmDomain: orderstest.Domain, Replicas: orderstest.Size, Lease: lease})
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
	return c.Leader(c.t.Context(), s.nc, ordersStream)
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
