package orders

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// beBench files and plays orders, and says on standard output what was
// acknowledged, right after it was.
func beBench(folder string) int {
	ctx := context.Background()
	s, err := Open(ctx, Options{Bench: "bench-1", Folder: folder})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	say := func(id string, o Order, err error) bool {
		if err != nil {
			fmt.Fprintln(os.Stderr, id, err)
			os.Exit(1)
		}
		fmt.Printf("%s %d %s\n", o.ID, o.rev, strings.ReplaceAll(string(o.State), " ", "-"))
		return true
	}
	old, err := s.List(ctx, Filter{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	todo := func(yield func(string) bool) {
		for _, o := range old {
			if o.State.Open() && !yield(o.ID) {
				return
			}
		}
		for i := len(old); ; i++ {
			id := fmt.Sprintf("o-%05d", i)
			o, err := s.File(ctx, Filing{ID: id, Site: "skerrymore", Unit: id, Allowance: Always})
			say(id, o, err)
			if !yield(id) {
				return
			}
		}
	}
	for id := range todo {
		run, err := s.Begin(ctx, id, Start{Line: "one"})
		if err != nil {
			say(id, Order{}, err)
		}
		say(id, run.Order, nil)
		o, err := run.Finish(ctx, Ending{How: "done", Good: true}, nil)
		say(id, o, err)
	}
	return 0
}

// A bench's process is killed at random moments. After each restart every
// change that was acknowledged is there, and what it played goes on.
func TestKilled(t *testing.T) {
	t.Parallel()
	kills := 30
	if n, err := strconv.Atoi(os.Getenv("LINEHAND_KILLS")); err == nil {
		kills = n
	}
	folder := filepath.Join(t.TempDir(), "work")
	said := map[string]string{} // order -> state that was acknowledged last
	revs := map[string]int{}
	for n := range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), asBench+"="+folder)
		var errs strings.Builder
		cmd.Stderr = &errs
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Any moment, that of starting up included: a multiplicative sequence
		// spreads the kills evenly over it.
		after := time.Duration(20+(n*7919)%400) * time.Millisecond
		timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			var id, state string
			var rev int
			if _, err := fmt.Sscan(lines.Text(), &id, &rev, &state); err != nil {
				continue // torn by the kill
			}
			said[id], revs[id] = strings.ReplaceAll(state, "-", " "), rev
		}
		_ = cmd.Wait()
		timer.Stop()
		if errs.Len() > 0 {
			t.Fatalf("start %d: %s", n+1, errs.String())
		}
	}
	s := alone(t, folder)
	defer s.Close()
	list, err := s.List(t.Context(), Filter{})
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]Order{}
	for _, o := range list {
		have[o.ID] = o
	}
	for id, state := range said {
		o, ok := have[id]
		if !ok || int(o.rev) < revs[id] || o.State != State(state) && int(o.rev) == revs[id] {
			t.Errorf("order %s was acknowledged as %s by change %d; it is %q by change %d", id, state, revs[id], o.State, o.rev)
		}
		if o.Attempts > 1 {
			t.Errorf("order %s was begun %d times", id, o.Attempts)
		}
	}
	if len(said) < kills/2 {
		t.Fatalf("only %d orders were acknowledged in %d lives: the kills prove nothing", len(said), kills)
	}
	t.Logf("%d orders were acknowledged over %d kills", len(said), kills)
}
