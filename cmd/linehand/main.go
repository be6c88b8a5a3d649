// Command linehand brings up rack equipment over its serial console, from a
// site profile, and keeps a record of what was heard and said.
//
// Each command has a file of its own and is thin; what runs and rehearsals
// have in common is in the packages under cmd/internal. Exit codes are in
// exit.go.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"syscall"
)

func main() {
	// Two processors' worth of threads are not enough: blocking reads of
	// serial lines would delay the timers of others.
	runtime.GOMAXPROCS(max(8, runtime.GOMAXPROCS(0)))
	ctx, stop := interruptible(os.Stderr)
	code := Main(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Main is the whole program: it runs the command that args name and returns
// its exit code.
func Main(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	a := &app{in: in, out: out, errs: errs}
	root := a.root()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	a.report(err)
	return exitCode(err)
}

// interruptible is a context that the first Ctrl-C (or SIGTERM) ends, so that
// runs stop safely. The second one ends the program at once.
func interruptible(errs io.Writer) (context.Context, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	done := make(chan struct{})
	go func() {
		select {
		case <-signals:
			fmt.Fprintln(errs, "\nlinehand: stopping safely; once more ends the program at once")
			cancel()
		case <-done:
			return
		}
		select {
		case <-signals:
			os.Exit(exitKilled)
		case <-done:
		}
	}()
	return ctx, func() { signal.Stop(signals); close(done); cancel() }
}
