package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/bench/firm"
	"linehand/cmd/internal/network"
	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
	"linehand/transcript/ledger"
)

// benching is a bench that runs, with what stands on it.
type benching struct {
	*app
	sheet *station.Sheet
	store *orders.Store
	bench *bench.Daemon
	gate  *access.Gate
	meter *api.Meter
	base  chan string // address of the pages, for other benches; holds one, once they are served
	sim   simulatedBench
}

func (a *app) benchCommand() *cobra.Command {
	b := &benching{app: a, meter: api.NewMeter(), base: make(chan string, 1)}
	cmd := &cobra.Command{
		Use:   "bench",
		Short: "Watch the lines, and bring up each unit that turns up",
		Long: `bench runs until it is stopped. It listens on its lines, recognises the unit
that wakes on one by its serial number, finds its plan, and plays its dialogue
once a person has allowed it. A cable that is moved to the next unit starts the
next one. Holds wait for a person.

USB adapters are taken as they are plugged in. Ports that are part of the
machine, sockets and addresses of the network are taken when --line names them.

The profile is read again when the process gets the signal HUP: units that are
being played stay as they were, and a profile with a fault changes nothing.

What must last is in the data folder. A bench that was stopped, or has lost its
power, goes on where it was.

--allow says what a person may allow: "unit" one unit at a time, "batch" also
several or all at once; with "always" every unit of the plan is played as it
turns up, and nobody is asked.

Where a unit's kind names a set-up or a proof, the bench plays first boot,
waiting, set-up and proof in one go. What needs hands, and what a unit is still
at work on, stays open; a proof order closes it later.

--simulated N needs no hardware: it is a rehearsal with simulated units and
made-up secrets on N lines.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return b.begin(cmd) },
	}
	f := cmd.Flags()
	f.String("profile", "", "site profile `FILE`")
	f.String("records", "", "put session records into `FOLDER` (default records)")
	f.String("data", "", "keep what must last in `FOLDER` (default bench-data)")
	f.String("bench", "", "`NAME` of the bench (default: of this machine)")
	f.String("listen", "", "`HOST:PORT` of the pages and the API (default 127.0.0.1:8470)")
	f.String("tls-cert", "", "`FILE` of a certificate chain (PEM): serve with TLS, as must be beyond loopback")
	f.String("tls-key", "", "`FILE` of the certificate's key")
	f.StringArray("host", nil, "`NAME` that browsers ask the bench by, besides those of the certificate; may be given again")
	f.StringArray("line", nil, "`ADDRESS` of a line that is always there; may be given again")
	f.String("allow", "", "what a person may allow: unit, batch or always (default unit)")
	f.String("play", "", "how much of a unit's visit is played: visit, which is all that needs no hands, or first boot (default visit)")
	f.Bool("hot-plug", true, "take USB adapters as they are plugged in")
	f.String("knock", "", "how often a quiet line is asked who is there, with the key that accepts nothing (default: only when text has come or a person asks)")
	f.String("orders-url", "", "`URL` of the firm's NATS servers, which keep the orders")
	f.StringArray("orders-leaf", nil, "`URL` of the firm's NATS servers, which the bench joins as a leaf; may be given again")
	f.String("orders-listen", "", "`HOST:PORT` where other programs reach the orders that this bench keeps")
	f.String("orders-credentials", "", "`FILE` with NATS credentials")
	f.Duration("away", 0, "how long a lost line may stay away during a run (default 5m)")
	b.sim.flags(cmd)
	addLineFlags(cmd)
	addVaultFlags(cmd)
	cmd.AddCommand(a.unitFileCommand(), a.udevRuleCommand(), a.peopleCommand(), a.tokensCommand(), a.linkCommand())
	return cmd
}

// begin runs a real bench, or a rehearsal.
func (b *benching) begin(cmd *cobra.Command) error {
	if cmd.Flags().Changed("simulated") {
		done, err := b.sim.settle(b.app, cmd)
		if err != nil {
			return err
		}
		defer done()
	}
	return b.run(cmd.Context())
}

func (b *benching) run(ctx context.Context) error {
	if b.set.Profile == "" {
		return usage("name the site's file with --profile FILE, or try the bench without hardware: linehand bench --simulated 4", "no site profile was named")
	}
	// Before anything is opened, or a secret asked for: may it be served there?
	var err error
	if b.gate, err = b.openGate(); err != nil {
		return err
	}
	defer b.gate.Close()
	if b.sheet, err = station.ReadSheet(b.set.Profile); err != nil {
		return err
	}
	if _, err := b.lineSettings(console.Default); err != nil {
		return err
	}
	name, err := benchName(b.set.Bench.Name)
	if err != nil {
		return err
	}
	if b.sim.lines > 0 {
		if err := b.sim.prepare(b); err != nil {
			return err
		}
	}
	if err := b.unlockSeal(); err != nil {
		return err
	}
	if b.store, err = b.openStore(ctx, name); err != nil {
		return err
	}
	defer b.store.Close()
	if b.bench, err = bench.New(b.config(ctx, name)); err != nil {
		return err
	}
	return b.runAll(ctx)
}

// runAll runs the bench and what stands on it. The bench ends last: who looks
// sees it stop.
func (b *benching) runAll(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var tasks sync.WaitGroup
	tasks.Go(func() {
		if err := b.serve(ctx); err != nil {
			cancel(fmt.Errorf("serve the pages: %w", err))
		}
	})
	tasks.Go(func() {
		select {
		case base := <-b.base:
			firm.Announce(ctx, b.store, b.bench, b.sheet.Plan.Site.Name, base, b.log)
		case <-ctx.Done():
		}
	})
	tasks.Go(func() { firm.Live(ctx, b.store, b.bench, b.log) })
	tasks.Go(func() { b.rereadOnSignal(ctx) })
	if b.sim.lines > 0 {
		tasks.Go(func() {
			if err := b.sim.run(ctx, b.bench); err != nil {
				cancel(fmt.Errorf("simulate the units: %w", err))
			}
		})
	}
	tasks.Go(func() { b.notify(ctx, func() { b.bench.Lines() }) })
	b.log.Info().Str("bench", b.bench.Name()).Msg("the bench runs")
	err := b.bench.Run(ctx)
	cancel(nil)
	tasks.Wait()
	if cause := context.Cause(ctx); err == nil && cause != nil && !errors.Is(cause, context.Canceled) {
		err = cause
	}
	return err
}

func (b *benching) config(ctx context.Context, name string) bench.Config {
	answers := &remembered{ask: b.asker(ctx), known: map[string]string{}}
	cfg := bench.Config{
		Name: name, Data: b.set.Bench.Data, Records: b.set.Records, Sheet: b.sheet, Lines: b.set.Bench.Lines,
		Allow: bench.Allowance(b.set.Bench.Allow), Plays: bench.Plays(b.set.Bench.Play), Knock: b.set.Bench.Knock, Away: b.set.Away,
		Orders:  &firm.Orders{Store: b.store, Site: b.sheet.Plan.Site.Name, Bench: name, Log: b.log},
		Secrets: b.secretsOf(b.sheet, answers),
		Network: func(u *plan.Unit) bench.Network { return &network.Network{Older: u.SSH.Older} },
		Reread: func() (*station.Sheet, func() *secret.Store, error) {
			sheet, err := station.ReadSheet(b.set.Profile)
			if err != nil {
				return nil, nil, err
			}
			return sheet, b.secretsOf(sheet, answers), nil
		},
		Mask: &b.mask, Tune: func(set console.Settings) console.Settings {
			set, _ = b.lineSettings(set) // they were looked at when the bench began
			return set
		},
		Play:      b.play,
		Committer: transcript.NewCommitter(), Head: b.beginSeal, Seal: b.sealOne(), Tool: tool(), Log: b.log,
	}
	if b.set.Bench.HotPlug {
		cfg.Ports = bench.SystemPorts{}
	}
	if b.sim.lines > 0 {
		b.sim.configure(&cfg)
	}
	return cfg
}

func (b *benching) secretsOf(sheet *station.Sheet, answers *remembered) func() *secret.Store {
	return func() *secret.Store { return secret.Open(sheet.Site.Secrets, b.benchSecrets(sheet.Site, answers)) }
}

// benchSecrets ask at the terminal, where there is one, and keep the answers
// as long as the bench runs.
func (b *benching) benchSecrets(s *site.Site, answers *remembered) secret.Options {
	o := secret.Options{Note: func(text string) { b.log.Warn().Str("note", text).Msg("secret") }}
	if answers.ask != nil {
		o.Ask = answers.answer
	}
	o.Vault = b.entries(s, o.Ask)
	return o
}

// remembered asks for each secret once.
type remembered struct {
	ask func(prompt string) (string, error)

	mu    sync.Mutex
	known map[string]string
}

func (r *remembered) answer(prompt string) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if text, ok := r.known[prompt]; ok {
		return text, nil
	}
	text, err := r.ask(prompt)
	if err == nil {
		r.known[prompt] = text
	}
	return text, err
}

// unlockSeal opens the bench's log once, so that a passphrase is asked for
// now and not at the end of each run.
func (b *benching) unlockSeal() error {
	if _, err := os.Stat(filepath.Join(b.set.Records, ledger.File)); err != nil {
		return nil // this bench has no key
	}
	b.unlock = sync.OnceValues(func() (string, error) { return b.askHidden("Passphrase of the bench's key: ") })
	l, err := b.openLedger()
	if err != nil {
		return err
	}
	return l.Close()
}

// sealOne seals the records of runs that end together one after the other.
func (b *benching) sealOne() func(string) {
	var turn sync.Mutex
	return func(record string) {
		turn.Lock()
		defer turn.Unlock()
		b.sealRun(record)
	}
}

func (b *benching) openStore(ctx context.Context, name string) (*orders.Store, error) {
	set := b.set.Bench
	return orders.Open(ctx, orders.Options{
		Bench: name, URL: set.OrdersURL, Leaf: set.OrdersLeaf, Listen: set.OrdersListen, Credentials: set.OrdersCredentials,
		Folder: filepath.Join(set.Data, "orders"), Log: b.log,
	})
}

var notInName = regexp.MustCompile(`[^A-Za-z0-9_-]+`)

// benchName is the name that a person has given the bench, or that of the
// machine.
func benchName(given string) (string, error) {
	if given != "" {
		return given, nil
	}
	host, err := os.Hostname()
	if err != nil {
		return "", usage("name it with --bench NAME", "the bench has no name, and neither has this machine: %v", err)
	}
	host, _, _ = strings.Cut(host, ".")
	return notInName.ReplaceAllString(host, "-"), nil
}
