package visit_test

import (
	"bufio"
	"context"
	"fmt"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/console/pair"
	"linehand/script"
	"linehand/script/player"
	"linehand/script/visit"
	"linehand/transcript"
)

const firstBoot = `format: linehand.dialogue/1
name: first
wake: {press: Enter, every: 5s, within: 12m}
facts: {serial: 'Serial no\. (\S+)', memory: 'Memory test: (.+)', host_key: 'Host key (\S+)'}
stages:
  - stage: name
    exchanges:
      - {prompt: 'Unit name:', answer: '${unit.name}', sometimes: true}
  - stage: read back
    looks: true
    exchanges:
      - prompt: 'S24>'
        answer: show
        reads: [{what: name, as: name, regexp: 'name (\S+)', equals: '${unit.name}'}]
      - {prompt: 'S24>', answer: bye}
    until: Goodbye
    finish: true
`

const proof = `format: linehand.dialogue/1
name: proof
wake: {press: Enter, every: 5s, within: 12m}
facts: {serial: 'Serial no\. (\S+)', host_key: 'Host key (\S+)'}
stages:
  - stage: read back
    looks: true
    exchanges:
      - prompt: 'S24>'
        answer: show
        reads:
          - {what: name, as: name, regexp: 'name (\S+)', equals: '${unit.name}'}
          - {what: link of e1, regexp: 'e1 (\S+)', equals: up}
      - {prompt: 'S24>', answer: bye}
    until: Goodbye
    finish: true
`

// shelf is a unit that keeps its name between two lines.
type shelf struct {
	mu      sync.Mutex
	serial  string
	name    string
	link    string
	booting time.Duration // before its first words
	self    time.Duration // between its first words and its first prompt
	wrong   string        // what it makes of its name; "" for what it is told
	dead    bool          // says nothing
	onSet   func()
	served  sync.WaitGroup
}

func (s *shelf) open(context.Context, map[string]string) (console.Line, error) {
	line, far := pair.New("test", console.Default)
	s.served.Go(func() { s.serve(far) })
	return line, nil
}

// serve is one session on the console.
func (s *shelf) serve(far *pair.Far) {
	in := bufio.NewReader(far)
	say := func(text string) { far.Write([]byte(text)) }
	ask := func(prompt string) (string, bool) {
		say(prompt + " ")
		var text []byte
		for {
			b, err := in.ReadByte()
			switch {
			case err != nil:
				return "", false
			case b == '\r':
				say("\r\n")
				if len(text) == 0 {
					say(prompt + " ")
					continue
				}
				return string(text), true
			}
			text = append(text, b)
			say(string(rune(b)))
		}
	}
	if s.dead {
		for {
			if _, err := in.ReadByte(); err != nil {
				return
			}
		}
	}
	time.Sleep(s.booting)
	say("Serial no. " + s.serial + "\r\nHost key SHA256:abc\r\n")
	time.Sleep(s.self)
	say("Memory test: passed\r\n")
	s.mu.Lock()
	name := s.name
	s.mu.Unlock()
	if name == "" {
		text, ok := ask("Unit name:")
		if !ok {
			return
		}
		if s.wrong != "" {
			text = s.wrong
		}
		s.mu.Lock()
		s.name = text
		s.mu.Unlock()
		if s.onSet != nil {
			s.onSet()
		}
	}
	for {
		cmd, ok := ask("S24>")
		if !ok {
			return
		}
		if cmd == "bye" {
			say("Goodbye\r\n")
			return
		}
		s.mu.Lock()
		say("name " + s.name + "\r\ne1 " + s.link + "\r\n")
		s.mu.Unlock()
	}
}

// net is a network that a test scripts.
type net struct {
	inUse  map[string]bool
	silent map[string]bool
	unseen map[string]bool
	prints []string // one for each look at a page
	keys   string   // shown by SSH
	accept map[string]bool
	log    string
	target bool
	near   bool
}

func (n *net) Near(a netip.Addr) (string, bool) {
	return "the bench has no address in the subnet of " + a.String(), n.near
}

func (n *net) Probe(_ context.Context, addrs []netip.Addr) (out []visit.Seen) {
	for _, a := range addrs {
		s := visit.Seen{State: transcript.Free, Method: "arp"}
		if n.inUse[a.String()] {
			s.State, s.Text = transcript.InUse, "02:00:5e:00:53:01 answers"
		}
		out = append(out, s)
	}
	return out
}

func (n *net) Watch(ctx context.Context, w visit.Wait, tell func(visit.Seen)) []visit.Seen {
	var out []visit.Seen
	for _, l := range w.Looks {
		s := visit.Seen{Look: l, State: transcript.Answers, Method: l.By, After: 3 * time.Second}
		if n.unseen[l.Address.String()] {
			s.State = transcript.Unseen
		} else if n.silent[l.Address.String()] {
			select {
			case <-time.After(w.Within):
			case <-ctx.Done():
			}
			s.State, s.Text, s.After = transcript.Silent, "no answer", w.Within
		} else if l.By == "https" && len(n.prints) > 0 {
			s.Fingerprint, n.prints = n.prints[0], n.prints[1:]
		} else if l.By == "ssh" {
			s.Fingerprint = n.keys
		}
		tell(s)
		out = append(out, s)
	}
	return out
}

func (n *net) TrySignIn(_ context.Context, s visit.SignIn, password, key string) (bool, error) {
	if key != "SHA256:abc" {
		return false, fmt.Errorf("host key %q", key)
	}
	return n.accept[password], nil
}

func (n *net) Hear(ctx context.Context, _ visit.Log) (string, bool, error) {
	if !n.target || n.log != "" {
		return n.log, n.target, nil
	}
	<-ctx.Done()
	return "", true, nil
}

// person answers from lists; what is not listed is ticked.
type person struct {
	mu     sync.Mutex
	steps  map[string][]visit.Answer // by the step's name, one after the other
	holds  []player.Choice           // in order; then give up
	counts bool
	unsigned,
	leaves bool // has no more answers
	asked []string
	held  []player.Held
}

func (p *person) Sit(context.Context, string) (func(), error) { return func() {}, nil }

func (p *person) answer(name string) visit.Answer {
	p.asked = append(p.asked, name)
	if list := p.steps[name]; len(list) > 0 {
		p.steps[name] = list[1:]
		return list[0]
	}
	return visit.Answer{State: transcript.Ticked, By: "RK"}
}

func (p *person) Step(_ context.Context, s visit.Shown) (visit.Answer, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.leaves {
		return visit.Answer{}, fmt.Errorf("no more input")
	}
	return p.answer(s.Name), nil
}

func (p *person) List(_ context.Context, _ string, steps []visit.Step) (out []visit.Answer, _ error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range steps {
		out = append(out, p.answer(s.Name))
	}
	return out, nil
}

func (p *person) Count(context.Context, *visit.Earlier, int) (bool, error) { return p.counts, nil }

func (p *person) Point(_ context.Context, x visit.Point) (string, string, error) {
	return "site staff", "2026-12-01", nil
}

func (p *person) Sign(context.Context, visit.Summary) (string, error) {
	if p.unsigned {
		return "", nil
	}
	return "RK", nil
}

func (p *person) Hold(_ context.Context, h player.Held) (player.Release, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.held = append(p.held, h)
	c := player.GiveUp
	if len(p.holds) > 0 {
		c, p.holds = p.holds[0], p.holds[1:]
	}
	return player.Release{Choice: c, By: "Robin"}, nil
}

type secrets map[string]string

func (s secrets) Secret(name string) (string, error) { return s[name], nil }

// rig is one visit in virtual time.
type rig struct {
	unit   *shelf
	net    *net
	person *person
	more   func(*visit.Visit)
}

func values(name string) script.Values {
	return script.Values{"unit": script.UnitValues{Name: name}}
}

func dialogue(t *testing.T, src string) *script.Dialogue {
	t.Helper()
	d, err := script.Parse("test.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func (r rig) visit(t *testing.T, name string, rec player.Recorder) visit.Visit {
	page := visit.Look{Name: "page of " + name, Address: netip.MustParseAddr("192.0.2.21"), By: "https", Port: 443}
	ping := visit.Look{Name: "e1 of " + name, Address: netip.MustParseAddr("192.0.2.22"), By: "icmp"}
	v := visit.Visit{
		Unit: name, Serial: r.unit.serial, Secrets: secrets{"factory": "old-one", "admin": "new-one"}, Record: rec, Network: r.net, Name: "Robin",
		Before: []visit.Step{
			{Name: "unpack", Do: "Unpack it.", Good: "Nothing is bent."},
			{Name: "strap", Do: "Put the strap on.", Caution: "Static kills boards.", Source: "IEC 61340-5-1", Required: true},
			{Name: "indicators", Do: "Look at them.", Otherwise: "A red light: switch it off."},
		},
		After:     []visit.Step{{Name: "bezel", Do: "Put the bezel on."}},
		FirstBoot: &visit.Talk{Dialogue: dialogue(t, firstBoot), Values: values(name), Open: r.unit.open, Serves: visit.Wait{Looks: []visit.Look{page, ping}, Within: time.Minute}},
		Proof:     &visit.Talk{Dialogue: dialogue(t, proof), Values: values(name), Open: r.unit.open},
		Addresses: []visit.Address{{Name: "e0", Address: netip.MustParseAddr("192.0.2.21")}},
		Ports:     []visit.Look{page, ping},
		SignIns: []visit.SignIn{
			{Name: "factory sign-in over SSH", Address: page.Address, Secret: "factory", Refused: true},
			{Name: "new sign-in over SSH", Address: page.Address, Secret: "admin"},
		},
		LogTarget: &visit.Log{Target: "192.0.2.5", Within: 5 * time.Second},
	}
	if r.person != nil {
		v.Person = r.person
	}
	if r.more != nil {
		r.more(&v)
	}
	return v
}

type outcome struct {
	how      string
	sentence string
	events   []transcript.Event
}

// play plays one visit and reads its record back.
func (r rig) play(t *testing.T) (o outcome) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "visit.record")
	synctest.Test(t, func(t *testing.T) {
		j, err := transcript.Create(path, transcript.Header{Unit: "deep-1", Mode: "visit"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		end, err := r.visit(t, "deep-1", j).Run(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		r.unit.served.Wait()
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		o.how, o.sentence = string(end.How), end.Sentence
	})
	rec, err := transcript.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	if rec.Fault != nil {
		t.Errorf("the record is not whole: %v", rec.Fault)
	}
	o.events = rec.Events
	last := o.events[len(o.events)-1]
	if last.Kind != transcript.Ending || last.Code != o.how {
		t.Errorf("the last event is %+v", last)
	}
	return o
}

// list says the events of a kind in short.
func (o outcome) list(kind transcript.Kind) (out []string) {
	for _, e := range o.events {
		if e.Kind != kind {
			continue
		}
		text := []string{e.Name, e.State}
		switch kind {
		case transcript.Phase:
			text = append(text, e.Code)
		case transcript.Punch:
			text = []string{e.Name, e.State, e.By, e.Next}
		case transcript.Hold:
			text = []string{e.State, e.Code}
		case transcript.Step:
			text = append(text, e.By, e.Got)
		case transcript.SignOff:
			text = []string{e.By}
		}
		text = slices.DeleteFunc(text, func(s string) bool { return s == "" })
		out = append(out, strings.Join(text, " "))
	}
	return out
}

func (o outcome) want(t *testing.T, how string, words ...string) {
	t.Helper()
	if o.how != how {
		t.Fatalf("ended as %s, want %s: %s", o.how, how, o.sentence)
	}
	for _, w := range words {
		if !strings.Contains(o.sentence, w) {
			t.Errorf("the ending does not say %q: %s", w, o.sentence)
		}
	}
}

func wantList(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n got %q\nwant %q", what, got, want)
	}
}
