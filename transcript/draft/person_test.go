package draft_test

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"linehand/console"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/transcript"
	"linehand/transcript/draft"
)

// does is one thing a person does: wait until what came since the last key
// ends in a text, and type.
type does struct{ at, typed string }

// person reads the screen and types, as somebody at a terminal would: the
// line first, Enter when it stands there.
type person struct {
	t       testing.TB
	script  []does
	changed chan struct{}

	mu     sync.Mutex
	screen []byte
	queue  []string
	think  time.Duration
}

func newPerson(t testing.TB, think time.Duration, script ...does) *person {
	return &person{t: t, script: script, changed: make(chan struct{}, 1), think: think}
}

var controls = regexp.MustCompile(`\x1b\[[0-9;?]*[A-Za-z]|\x00`)

func (p *person) Write(b []byte) (int, error) {
	p.mu.Lock()
	p.screen = append(p.screen, b...)
	p.mu.Unlock()
	select {
	case p.changed <- struct{}{}:
	default:
	}
	return len(b), nil
}

// sees tells whether the screen ends in a text.
func (p *person) sees(text string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.HasSuffix(strings.TrimRight(controls.ReplaceAllString(string(p.screen), ""), " \r\n"), text)
}

// Read gives the next keys. It ends a while after the last of them.
func (p *person) Read(b []byte) (int, error) {
	if len(p.queue) == 0 {
		if len(p.script) == 0 {
			time.Sleep(p.think)
			return 0, io.EOF
		}
		step := p.script[0]
		p.script = p.script[1:]
		if !p.wait(step.at) {
			return 0, io.EOF
		}
		if step.typed == "" { // only wait
			return p.Read(b)
		}
		line, enter := strings.CutSuffix(step.typed, "\r")
		if line != "" {
			p.queue = append(p.queue, line)
		}
		if enter {
			p.queue = append(p.queue, "\r")
		}
	}
	time.Sleep(p.think)
	keys := p.queue[0]
	if p.queue = p.queue[1:]; len(p.queue) == 0 {
		p.mu.Lock()
		p.screen = nil
		p.mu.Unlock()
	}
	return copy(b, keys), nil
}

func (p *person) wait(text string) bool {
	end := time.NewTimer(3 * time.Minute)
	defer end.Stop()
	for {
		if p.sees(text) {
			time.Sleep(p.think) // it must stand still
			if p.sees(text) {
				return true
			}
			continue
		}
		select {
		case <-p.changed:
		case <-end.C:
			p.mu.Lock()
			p.t.Errorf("the person waited for %q in vain; the screen shows %q", text, p.screen[max(0, len(p.screen)-300):])
			p.mu.Unlock()
			return false
		}
	}
}

// byHand is a session by hand on an open line; it returns its record.
func byHand(t testing.TB, line console.Line, u *plan.Unit, p *person) *transcript.Record {
	t.Helper()
	path := filepath.Join(t.TempDir(), u.Name+".record")
	j, err := transcript.Create(path, transcript.Header{Unit: u.Name, Kind: u.Kind, Serial: u.Serial, Mode: "byhand",
		Line: transcript.LineInfo{Settings: line.Info().Settings.String()}}, transcript.NewMask())
	if err != nil {
		t.Fatal(err)
	}
	end := player.Hand{Line: line, Record: j, Keys: p, Screen: p, Person: "tester"}.Play(t.Context())
	if end.How != engine.Left {
		t.Errorf("the session by hand ended as %s: %s", end.How, end.Sentence)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	rec, err := transcript.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// session is the record with the unit that it is of.
func session(rec *transcript.Record, u *plan.Unit) draft.Session {
	return draft.Session{Record: rec, Unit: draft.Unit{Name: u.Name, Kind: u.Kind, Serial: u.Serial, Values: u.Values}}
}

// drafted makes a draft and wants it sound.
func drafted(t testing.TB, sessions ...draft.Session) (*draft.Draft, *script.Dialogue) {
	t.Helper()
	d, err := draft.Make(sessions...)
	if err != nil {
		t.Fatal(err)
	}
	again, err := draft.Make(sessions...)
	if err != nil || again.Text != d.Text {
		t.Errorf("the same records give two drafts (%v)", err)
	}
	if dir := os.Getenv("LINEHAND_DRAFTS"); dir != "" {
		name := strings.ReplaceAll(t.Name(), "/", "-") + ".yaml"
		if err := os.WriteFile(filepath.Join(dir, name), []byte(d.Text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range d.Findings {
		t.Errorf("the draft is not clean: %s", f)
	}
	for _, m := range d.Marks {
		t.Logf("line %d: look here: %s", m.Line, m.Text)
	}
	dialogue, err := script.Parse(d.Name+".yaml", []byte(d.Text))
	if err != nil {
		t.Fatal(err)
	}
	return d, dialogue
}

// play brings a unit up with a dialogue.
func play(t testing.TB, d *script.Dialogue, u *plan.Unit, line console.Line, secrets *secret.Store) engine.Ending {
	t.Helper()
	mask := transcript.NewMask()
	for _, name := range secrets.Names() {
		v, _ := secrets.Secret(name)
		mask.Add(name, v)
	}
	path := filepath.Join(t.TempDir(), "run.record")
	j, err := transcript.Create(path, transcript.Header{Unit: u.Name, Serial: u.Serial, Mode: "bringup", Planned: u.Planned}, mask)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Minute)
	defer cancel()
	end, err := player.Run{Dialogue: d, Line: line, Record: j, Secrets: secrets, Mask: mask.Text,
		Target: engine.Target{Serial: u.Serial, Values: u.Values}, Chassis: u.Serial}.Play(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	logDifferences(t, path)
	return end
}

// planOf reads a profile that stands in a test.
func planOf(t testing.TB, path string) *plan.Plan {
	t.Helper()
	s, err := site.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return p
}

func unitOf(t testing.TB, p *plan.Plan, name string) *plan.Unit {
	t.Helper()
	u, err := p.Unit(name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func valueOf(t testing.TB, secrets *secret.Store, name string) string {
	t.Helper()
	v, err := secrets.Secret(name)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// logDifferences tells what a run read back otherwise than planned.
func logDifferences(t testing.TB, path string) {
	t.Helper()
	rec, err := transcript.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range rec.Events {
		if e.Kind == transcript.ReadBack && !e.Equal {
			t.Logf("%s: want %q, got %q (%s)", e.Name, e.Want, e.Got, e.Text)
		}
	}
}
