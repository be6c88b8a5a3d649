package bench_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/cmd/internal/bench"
	"linehand/console"
	"linehand/console/pair"
	"linehand/console/ports"
	"linehand/fixtures/sim"
)

// plugs are serial ports that a test plugs in and pulls out.
type plugs struct {
	mu      sync.Mutex
	here    []ports.Port
	changes chan ports.Change
}

func (p *plugs) List() ([]ports.Port, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.here, nil
}

func (p *plugs) Watch(ctx context.Context) <-chan ports.Change {
	p.changes = make(chan ports.Change)
	out := make(chan ports.Change)
	go func() {
		defer close(out)
		for {
			select {
			case c := <-p.changes:
				out <- c
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

var adapter = ports.Port{Device: "/dev/ttyUSB0", Name: "ttyUSB0", Vendor: "1209", Product: "00f1", SerialNumber: "LC1", Interface: "00", USBPath: "1-2"}

// An adapter is taken when it is plugged in, and known again by its identity;
// a port that is part of the machine is not taken.
func TestHotPlug(t *testing.T) {
	p := &plugs{here: []ports.Port{{Device: "/dev/ttyS0", Name: "ttyS0"}}}
	id := adapter.Identity()
	inBubble(t, 1, 0, func(c *bench.Config) { c.Ports = p }, func(t *testing.T, r *rig) {
		synctest.Wait() // it watches
		if lines := r.d.Lines(); len(lines) != 0 {
			t.Errorf("before anything is plugged in: %+v", lines)
		}
		r.cables[id] = newCable(id)
		p.changes <- ports.Change{Port: adapter, Plugged: true}
		l := r.until(id, "listening", in(bench.Listening))
		if l.Device != "/dev/ttyUSB0" {
			t.Errorf("device %q", l.Device)
		}
		s := r.boot(t.Context(), "shelf-01", id, sim.Faults{})
		defer s.Stop()
		r.until(id, "finished", in(bench.Finished))
		r.cables[id].jack.Unplug()
		p.changes <- ports.Change{Port: adapter}
		l = r.until(id, "absent", in(bench.Absent))
		if l.Unit != "" || l.Serial != "" || l.Ending != nil {
			t.Errorf("pulled out, it still has a unit: %+v", l)
		}
		r.cables[id].jack.Replug()
		moved := adapter
		moved.Device, moved.Name = "/dev/ttyUSB4", "ttyUSB4"
		p.changes <- ports.Change{Port: moved, Plugged: true}
		if l = r.until(id, "listening", in(bench.Listening)); l.Device != "/dev/ttyUSB4" {
			t.Errorf("back as %q", l.Device)
		}
		s.Reboot()
		r.until(id, "finished, as it was", in(bench.Finished))
		if n := len(r.d.Lines()); n != 1 {
			t.Errorf("%d lines for one adapter", n)
		}
	})
}

// talker is a far end that a test speaks for, at one speed; at another only
// rubbish is heard.
type talker struct {
	mu    sync.Mutex
	speed int
	far   *pair.Far
	opens []int
	got   []byte
}

func (k *talker) open(_ context.Context, address string, set console.Settings, _ string) (console.Line, error) {
	line, far := pair.New(address, set)
	k.mu.Lock()
	k.far = far
	k.opens = append(k.opens, set.Speed)
	k.mu.Unlock()
	go func() {
		buf := make([]byte, 64)
		for {
			n, err := far.Read(buf)
			k.mu.Lock()
			k.got = append(k.got, buf[:n]...)
			k.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return line, nil
}

func (k *talker) say(text string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.speed != 0 && k.opens[len(k.opens)-1] != k.speed {
		text = strings.Repeat("\xf8\x80\xe6", len(text))
	}
	k.far.Write([]byte(text))
}

func (k *talker) received() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return string(k.got)
}

// slowKind sets the switches of the batch otherwise than the shelves.
func slowKind(t *testing.T, from, to string) func(*bench.Config) {
	return func(c *bench.Config) {
		dir := filepath.Dir(c.Data)
		rewrite(t, filepath.Join(dir, "dialogues", "quillon-x48.yaml"), from, to)
		c.Sheet = reread(t, dir)
	}
}

// Where the site's kinds have several speeds, a line is listened to at each.
func TestSettingsAreTriedInTurn(t *testing.T) {
	k := &talker{speed: 115200}
	inBubble(t, 1, 1, func(c *bench.Config) {
		slowKind(t, "speed: 9600", "speed: 115200")(c)
		c.Open, c.Allow = k.open, bench.PerUnit
	}, func(t *testing.T, r *rig) {
		for range 30 {
			time.Sleep(2 * time.Second)
			k.say("\r\nQuillon X48 access switch, serial QX48-0001\r\nlogin: ")
			if l, _ := r.d.Line(cable1); l.State == bench.Matched {
				break
			}
		}
		l := r.until(cable1, "matched", in(bench.Matched))
		if l.Unit != "sw-1" {
			t.Errorf("matched with %+v", l)
		}
		if got := fmt.Sprint(k.opens[0], k.opens[len(k.opens)-1]); got != "9600 115200" {
			t.Errorf("opened at %v", k.opens)
		}
	})
}

// Where the kinds have different keys, none is pressed: what a key does to
// another kind nobody knows.
func TestNoKeyThatOneKindDoesNotKnow(t *testing.T) {
	k := &talker{}
	inBubble(t, 1, 1, func(c *bench.Config) {
		slowKind(t, "redraw: Ctrl-R", "redraw: Ctrl-L")(c)
		c.Open, c.Allow = k.open, bench.PerUnit
	}, func(t *testing.T, r *rig) {
		k.say("\r\nwho are you? ")
		l := r.until(cable1, "unmatched", in(bench.Unmatched))
		if !l.Person || l.Unit != "" {
			t.Errorf("a unit that says no serial number: %+v", l)
		}
		ok(t, "knock", r.d.Knock(t.Context(), robin, cable1))
		time.Sleep(time.Minute)
		if got := k.received(); got != "" {
			t.Errorf("%q was pressed", got)
		}
	})
}

// The wake key may take a default: it is not pressed at a question.
func TestTheWakeKeyIsNotPressedAtAQuestion(t *testing.T) {
	for text, want := range map[string]string{"Erase all? [y] ": "\x12\x12", "": "\x12\x12\r"} {
		k := &talker{}
		inBubble(t, 1, 1, func(c *bench.Config) {
			c.Open, c.Allow = k.open, bench.PerUnit
		}, func(t *testing.T, r *rig) {
			k.say(text)
			time.Sleep(time.Minute)
			if text == "" {
				ok(t, "knock", r.d.Knock(t.Context(), robin, cable1))
				time.Sleep(time.Minute)
			}
			if got := k.received(); got != want {
				t.Errorf("at %q, %q was pressed, want %q", text, got, want)
			}
		})
	}
}

// A unit that starts throws keys away. It is asked again when it has said
// more.
func TestAUnitThatStartsIsAskedAgain(t *testing.T) {
	k := &talker{}
	inBubble(t, 1, 1, func(c *bench.Config) {
		c.Open, c.Allow = k.open, bench.PerUnit
	}, func(t *testing.T, r *rig) {
		k.say("\r\nStarting.\r\n")
		r.until(cable1, "unmatched", in(bench.Unmatched))
		k.say("login: ")
		pressed := len(k.received())
		for range 300 {
			time.Sleep(100 * time.Millisecond)
			if len(k.received()) > pressed {
				k.say("\r\n[X48 serial QX48-0001]\r\nlogin: ")
				break
			}
		}
		l := r.until(cable1, "matched", in(bench.Matched))
		if l.Unit != "sw-1" || strings.Trim(k.received(), "\x12") != "" {
			t.Errorf("matched with %q after %q", l.Unit, k.received())
		}
	})
}

// A serial number on a line that is not finished may be cut short.
func TestAnUnfinishedSerialNumberCountsTheSecondTime(t *testing.T) {
	k := &talker{}
	inBubble(t, 1, 1, func(c *bench.Config) {
		c.Open, c.Allow = k.open, bench.PerUnit
	}, func(t *testing.T, r *rig) {
		k.say("Serial no. BW24-000")
		time.Sleep(1500 * time.Millisecond)
		if l, _ := r.d.Line(cable1); l.Serial != "" {
			t.Errorf("half a serial number was taken: %+v", l)
		}
		k.say("1\r\n")
		if l := r.until(cable1, "matched", in(bench.Matched)); l.Serial != "BW24-0001" {
			t.Errorf("read as %+v", l)
		}
	})
}
