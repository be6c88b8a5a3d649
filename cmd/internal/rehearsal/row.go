package rehearsal

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"linehand/console"
	"linehand/fixtures/sim"
	"linehand/script/plan"
	"linehand/script/player"
)

// Row is units of a plan that wake one after another on a few cables in
// memory, as if a person took each cable to the next unit once one is
// finished.
type Row struct {
	secrets player.Secrets
	options func(*plan.Unit) (Options, error)
	ends    []*end // by cable

	mu     sync.Mutex
	toCome []*plan.Unit
}

// NewRow prepares a row; Run switches its units on. options are those of a
// unit. Units that start a cluster wake before those that come after them, so
// that no cable waits for a unit that has none.
func NewRow(units []*plan.Unit, cables int, secrets player.Secrets, options func(*plan.Unit) (Options, error)) *Row {
	r := &Row{secrets: secrets, options: options, toCome: inTurn(units)}
	for n := range cables {
		r.ends = append(r.ends, newEnd(fmt.Sprintf("unix:cable-%d", n+1)))
	}
	return r
}

// inTurn puts each unit behind the one that its cluster has before it.
func inTurn(units []*plan.Unit) []*plan.Unit {
	depth := func(u *plan.Unit) (n int) {
		for before := u.After(); before != "" && n <= len(units); n++ {
			i := slices.IndexFunc(units, func(o *plan.Unit) bool { return o.Name == before })
			if i < 0 {
				break
			}
			before = units[i].After()
		}
		return n
	}
	out := slices.Clone(units)
	slices.SortStableFunc(out, func(a, b *plan.Unit) int { return depth(a) - depth(b) })
	return out
}

// Lines are the addresses of the cables.
func (r *Row) Lines() []string {
	out := make([]string, len(r.ends))
	for i, e := range r.ends {
		out[i] = e.address
	}
	return out
}

// Open opens the bench's end of a cable.
func (r *Row) Open(_ context.Context, address string, _ console.Settings, _ string) (console.Line, error) {
	for _, e := range r.ends {
		if e.address == address {
			line, err := e.jack.Open()
			if err != nil {
				return nil, err
			}
			return cable{line, address}, nil
		}
	}
	return nil, fmt.Errorf("open %s: there are only simulated lines here: %w", address, console.ErrAbsent)
}

// cable is a line of the row, which is told apart by its address.
type cable struct {
	console.Line
	address string
}

// Info implements console.Line.
func (c cable) Info() console.Info {
	info := c.Line.Info()
	info.Device = strings.TrimPrefix(c.address, "unix:")
	return info
}

// Run wakes the units until ctx ends. finished tells whether a unit is done
// with on a cable; the cable then goes to the next one, after rest.
func (r *Row) Run(ctx context.Context, rest time.Duration, finished func(address, unit string) bool) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var cables sync.WaitGroup
	for _, e := range r.ends {
		cables.Go(func() {
			if err := r.along(ctx, e, rest, finished); err != nil {
				cancel(err)
			}
		})
	}
	<-ctx.Done()
	for _, e := range r.ends {
		e.jack.Close()
	}
	cables.Wait()
	if cause := context.Cause(ctx); cause != context.Canceled {
		return cause
	}
	return nil
}

// lookEvery is how often it is looked whether a unit is finished.
const lookEvery = 200 * time.Millisecond

// along takes a cable from unit to unit, as long as there are some.
func (r *Row) along(ctx context.Context, e *end, rest time.Duration, finished func(address, unit string) bool) error {
	var carrier sync.WaitGroup
	carrier.Go(e.carry)
	defer carrier.Wait()
	for u := r.next(); u != nil; u = r.next() {
		over, err := r.wake(ctx, e, u)
		if err != nil {
			return err
		}
		for !finished(e.address, u.Name) && wait(ctx, lookEvery) {
		}
		moved := wait(ctx, rest)
		over()
		if !moved {
			return nil
		}
	}
	return nil
}

func wait(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

func (r *Row) next() *plan.Unit {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.toCome) == 0 {
		return nil
	}
	u := r.toCome[0]
	r.toCome = r.toCome[1:]
	return u
}

// wake plugs a cable into a unit and switches it on; over takes the cable out
// again.
func (r *Row) wake(ctx context.Context, e *end, u *plan.Unit) (over func(), err error) {
	opts, err := r.options(u)
	if err != nil {
		return nil, err
	}
	world, err := worldOf(u, r.secrets, opts)
	if err != nil {
		return nil, err
	}
	unit, err := simulate(u, r.secrets, opts, world)
	if err != nil {
		return nil, err
	}
	p := e.plug()
	s := sim.Start(context.WithoutCancel(ctx), unit, p, sim.Options{Settings: opts.Settings, Seed: opts.Seed, Faults: opts.Faults, Paced: true})
	return s.Stop, nil
}

// end is the far end of a cable, which goes from unit to unit.
type end struct {
	address string
	jack    *sim.Jack

	mu  sync.Mutex
	now *plugged // nil: the cable is in nothing
}

func newEnd(address string) *end {
	return &end{address: address, jack: sim.NewJack(address, console.Default)}
}

func (e *end) plug() *plugged {
	p := &plugged{end: e, heard: make(chan []byte, 64), out: make(chan struct{})}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.now = p
	return p
}

// carry takes what the bench types to the unit that the cable is in, until
// the jack is closed.
func (e *end) carry() {
	for buf := make([]byte, 256); ; {
		n, err := e.jack.Read(buf)
		if err != nil {
			return
		}
		e.mu.Lock()
		p := e.now
		e.mu.Unlock()
		if p == nil {
			continue
		}
		select {
		case p.heard <- slices.Clone(buf[:n]):
		case <-p.out:
		}
	}
}

// plugged is one unit's time at a cable. Afterwards it hears and says nothing
// any more.
type plugged struct {
	end   *end
	heard chan []byte
	out   chan struct{}
	once  sync.Once
	rest  []byte
}

func (p *plugged) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		select {
		case p.rest = <-p.heard:
		case <-p.out:
			return 0, io.EOF
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *plugged) Write(b []byte) (int, error) {
	p.end.mu.Lock()
	here := p.end.now == p
	p.end.mu.Unlock()
	if here {
		_, _ = p.end.jack.Write(b) // with nobody there it is lost
	}
	return len(b), nil
}

// Close takes the cable out for good.
func (p *plugged) Close() error {
	p.once.Do(func() {
		close(p.out)
		p.end.mu.Lock()
		defer p.end.mu.Unlock()
		if p.end.now == p {
			p.end.now = nil
		}
	})
	return nil
}

// Unplug pulls the cable, as a fault does.
func (p *plugged) Unplug() error { return p.end.jack.Unplug() }

// Replug puts it back.
func (p *plugged) Replug() error { return p.end.jack.Replug() }
