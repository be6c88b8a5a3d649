package main

import (
	"context"
	_ "embed"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"linehand/cmd/internal/bench"
)

// notify tells systemd that the bench is ready, that it lives, and that it is
// stopping (sd_notify(3)). Where nobody listens it does nothing.
// alive comes back only while the bench is in order.
func (b *benching) notify(ctx context.Context, alive func()) {
	b.tellService(daemon.SdNotifyReady)
	defer b.tellService(daemon.SdNotifyStopping)
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil || every == 0 {
		<-ctx.Done()
		return
	}
	tick := time.NewTicker(every / 3)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			alive()
			b.tellService(daemon.SdNotifyWatchdog)
		}
	}
}

// rereadOnSignal has the bench read its profile again at each SIGHUP. What is
// wrong with it is in the log; the bench goes on with the plan that it has.
func (b *benching) rereadOnSignal(ctx context.Context) {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	for {
		select {
		case <-asked:
			_, _ = b.bench.Reread(ctx, bench.Person{Name: "signal HUP"}) // the bench logs it
		case <-ctx.Done():
			return
		}
	}
}

func (b *benching) tellService(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		b.log.Debug().Err(err).Str("state", state).Msg("tell the service's keeper")
	}
}

//go:embed service/linehand-bench.service
var unitFile string

//go:embed service/70-linehand.rules
var udevRule string

func (a *app) unitFileCommand() *cobra.Command {
	return &cobra.Command{
		Use: "unit-file", Short: "Print a systemd unit that runs the bench",
		Long: `unit-file prints a unit for systemd. Put it into /etc/systemd/system, settings
into /etc/linehand/linehand.yaml, and make the user: useradd --system linehand.`,
		Args: cobra.NoArgs,
		Run:  func(*cobra.Command, []string) { fmt.Fprint(a.out, unitFile) },
	}
}

func (a *app) udevRuleCommand() *cobra.Command {
	return &cobra.Command{
		Use: "udev-rule", Short: "Print a udev rule that gives people the serial adapters without root",
		Long: `udev-rule prints a rule for udev. Put it into /etc/udev/rules.d/70-linehand.rules,
and have it read with: udevadm control --reload.`,
		Args: cobra.NoArgs,
		Run:  func(*cobra.Command, []string) { fmt.Fprint(a.out, udevRule) },
	}
}
