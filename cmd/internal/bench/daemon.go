package bench

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/gofrs/flock"

	"linehand/cmd/internal/station"
	"linehand/console/dial"
	"linehand/console/ports"
	"linehand/script/secret"
)

// Daemon is the bench. Run runs it; its other methods may be called from any
// goroutine while it runs.
//
// Each line has a goroutine of its own, which listens and plays; all of them
// end before Run returns.
type Daemon struct {
	cfg    Config
	notes  *notes
	orders Orders
	lock   *flock.Flock
	cut    bool // the bench was cut off when it ran last

	tasks sync.WaitGroup

	planned   atomic.Pointer[planned]
	rereading sync.Mutex // held while the plan is replaced
	aside     aside      // secrets that are given at holds

	mu       sync.Mutex
	seq      uint64
	lines    []*line
	work     map[string]Order // the latest order of each unit
	playing  map[string]*line // by unit
	holds    map[string]*held // raised now
	released map[string]bool  // holds that a person has released
	watchers map[chan Change]bool
	secrets  *secret.Store
}

var _ Bench = (*Daemon)(nil)

// New makes a bench, and takes its data folder for it.
func New(cfg Config) (*Daemon, error) {
	if err := cfg.complete(); err != nil {
		return nil, err
	}
	if err := cfg.Sheet.Ready(); err != nil {
		return nil, err
	}
	list, err := kindsOf(cfg.Sheet, cfg.Tune)
	if err != nil {
		return nil, err
	}
	d := &Daemon{cfg: cfg,
		work: map[string]Order{}, playing: map[string]*line{}, holds: map[string]*held{}, released: map[string]bool{}, watchers: map[chan Change]bool{}}
	d.planned.Store(&planned{sheet: cfg.Sheet, kinds: list, secrets: cfg.Secrets})
	if d.notes, err = openNotes(cfg.Data); err != nil {
		return nil, err
	}
	d.lock = flock.New(filepath.Join(cfg.Data, lockFile))
	if got, err := d.lock.TryLock(); err != nil || !got {
		return nil, errors.Join(fmt.Errorf("another bench runs in the data folder %s: stop it, or name another folder", cfg.Data), err, d.notes.close())
	}
	if d.orders = cfg.Orders; d.orders == nil {
		d.orders = newBook(d.notes, cfg.Name)
	}
	d.secrets = cfg.Secrets()
	d.learnSecrets()
	return d, nil
}

// learnSecrets fetches what the plan's units type, so that it is masked from
// the beginning and a person is asked now, and not in the middle of a batch.
// A unit whose secrets cannot be had is not played until they can.
func (d *Daemon) learnSecrets() {
	sheet := d.Sheet()
	for _, u := range sheet.Plan.Units {
		if u.Dialogue == "" {
			continue
		}
		dialogue, _, err := sheet.Dialogue(u)
		if err == nil {
			_, _, err = d.fetch(sheet, u, dialogue)
		}
		if err == nil && d.visits(u, BringUp) {
			var p *station.VisitPlan
			if p, _, err = sheet.Visit(u); err == nil {
				_, err = d.fetchNames(sheet, u, visitSecrets(p))
			}
		}
		if err != nil {
			d.cfg.Log.Warn().Str("unit", u.Name).Str("error", d.cfg.Mask.Text(err.Error())).Msg("this unit cannot be played yet")
		}
	}
}

// Run runs the bench until ctx ends. Runs that go on then are stopped
// safely, and go on when the bench runs again.
func (d *Daemon) Run(ctx context.Context) error {
	defer d.close()
	told, err := d.orders.Watch(ctx)
	if err != nil {
		return fmt.Errorf("watch the orders: %w", err)
	}
	if err := d.catchUp(ctx, told); err != nil {
		return err
	}
	d.recover(ctx)
	d.notes.read(func(s *saved) { d.cut = s.Running })
	if err := d.notes.change(func(s *saved) { s.Running = true }); err != nil {
		return err
	}
	d.tasks.Go(func() { d.follow(told) })
	d.tasks.Go(func() { d.settleLater(ctx) })
	if err := d.findLines(ctx); err != nil {
		return err
	}
	<-ctx.Done()
	d.tasks.Wait()
	return d.notes.change(func(s *saved) { s.Running = false })
}

func (d *Daemon) close() {
	d.tasks.Wait()
	if err := errors.Join(d.notes.close(), d.lock.Unlock()); err != nil {
		d.cfg.Log.Warn().Err(err).Msg("close the data folder")
	}
}

// catchUp takes in the orders as they are.
func (d *Daemon) catchUp(ctx context.Context, told <-chan Order) error {
	for {
		select {
		case o, open := <-told:
			switch {
			case !open:
				return ctx.Err()
			case o.ID == "":
				return nil
			}
			d.heardOf(o)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// follow takes in changes of the orders until they end.
func (d *Daemon) follow(told <-chan Order) {
	for o := range told {
		if o.ID == "" {
			continue
		}
		d.heardOf(o)
		d.mu.Lock()
		d.tell(Change{What: "orders"})
		for _, l := range d.lines {
			l.stir()
		}
		d.mu.Unlock()
	}
}

// heardOf keeps the latest order of each unit.
func (d *Daemon) heardOf(o Order) {
	d.mu.Lock()
	defer d.mu.Unlock()
	have, known := d.work[o.Unit]
	if known && have.ID == o.ID && have.Rev >= o.Rev || known && have.ID != o.ID && have.Filed.After(o.Filed) {
		return
	}
	d.work[o.Unit] = o
}

// findLines makes the lines that are named, plugged in or known from before,
// and starts them.
func (d *Daemon) findLines(ctx context.Context) error {
	for _, address := range d.cfg.Lines {
		if _, err := dial.Parse(address); err != nil {
			return err
		}
		d.addLine(ctx, named(address), address, true)
	}
	if d.cfg.Ports == nil {
		return nil
	}
	changes := d.cfg.Ports.Watch(ctx) // before the list: what comes meanwhile is told
	list, err := d.cfg.Ports.List()
	if err != nil {
		return err
	}
	for _, p := range list {
		d.port(ctx, ports.Change{Port: p, Plugged: true})
	}
	var known []string
	d.notes.read(func(s *saved) {
		for id, note := range s.Lines {
			if note.Label != "" || note.Rest {
				known = append(known, id)
			}
		}
	})
	slices.Sort(known)
	for _, id := range known {
		d.addLine(ctx, id, id, false)
	}
	d.tasks.Go(func() {
		for c := range changes {
			d.port(ctx, c)
		}
	})
	return nil
}

// named is the identity of a line that a person has named by its address.
func named(address string) string {
	if p, ok := ports.ByDevice(address); ok {
		return p.Identity()
	}
	return address
}

// port takes up a serial port that has come, or lets go of one that has gone.
// Ports that are part of the machine are taken only by name: one of them may
// be the machine's own console.
func (d *Daemon) port(ctx context.Context, c ports.Change) {
	id := c.Port.Identity()
	l := d.find(id)
	if l == nil && (!c.Plugged || c.Port.Vendor == "") {
		return
	}
	if l == nil {
		l = d.addLine(ctx, id, id, true)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	l.plugged = c.Plugged
	l.shown.Device = ""
	if c.Plugged {
		l.shown.Device = c.Port.Device
	}
	l.stir()
}

// addLine makes a line, unless there is one of this identity, and starts it.
func (d *Daemon) addLine(ctx context.Context, id, address string, plugged bool) *line {
	if l := d.find(id); l != nil {
		return l
	}
	l := newLine(d, id, address, plugged)
	d.mu.Lock()
	d.lines = append(d.lines, l)
	d.mu.Unlock()
	d.tasks.Go(func() { l.live(ctx) })
	return l
}

func (d *Daemon) find(id string) *line {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, l := range d.lines {
		if l.id == id {
			return l
		}
	}
	return nil
}

// Name is the bench's name.
func (d *Daemon) Name() string { return d.cfg.Name }

// Lines are the lines as they stand.
func (d *Daemon) Lines() []Line {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([]Line, len(d.lines))
	for i, l := range d.lines {
		out[i] = l.copy()
	}
	return out
}

// Line is one line as it stands.
func (d *Daemon) Line(id string) (Line, error) {
	l := d.find(id)
	if l == nil {
		return Line{}, ErrNoLine
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return l.copy(), nil
}

// watchDepth is how many changes wait for a watcher before it misses some.
const watchDepth = 256

// Watch tells of changes until ctx ends.
func (d *Daemon) Watch(ctx context.Context) <-chan Change {
	w := make(chan Change, watchDepth)
	d.mu.Lock()
	d.watchers[w] = true
	d.mu.Unlock()
	context.AfterFunc(ctx, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.watchers, w)
		close(w)
	})
	return w
}

// tell sends a change to whoever watches; called with the lock held.
func (d *Daemon) tell(c Change) {
	d.seq++
	c.Seq = d.seq
	for w := range d.watchers {
		select {
		case w <- c:
		default: // it sees by Seq that it has missed one
		}
	}
}

// Show gives what a line shows, and each later screen, until ctx ends.
func (d *Daemon) Show(ctx context.Context, id string) (<-chan Shown, error) {
	l := d.find(id)
	if l == nil {
		return nil, ErrNoLine
	}
	return l.view.show(ctx), nil
}
