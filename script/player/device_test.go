package player_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"linehand/console"
	"linehand/console/pair"
	"linehand/script"
	"linehand/script/engine"
	"linehand/script/player"
	"linehand/transcript"
)

// device is the far end of a line, for units that a test scripts itself.
type device struct {
	t   *testing.T
	far *pair.Far
	in  chan byte
}

func newDevice(t *testing.T, far *pair.Far) *device {
	d := &device{t: t, far: far, in: make(chan byte, 4096)}
	go func() {
		defer close(d.in)
		buf := make([]byte, 256)
		for {
			n, err := far.Read(buf)
			for _, b := range buf[:n] {
				d.in <- b
			}
			if err != nil {
				return
			}
		}
	}()
	return d
}

func (d *device) say(text string) { d.far.Write([]byte(text)) }

// key waits for one byte; 0 when the line is gone.
func (d *device) key() byte { return <-d.in }

// line reads up to CR, echoing what echo makes of each byte. Backspace takes
// one back.
func (d *device) line(echo func(n int, b byte) string) string {
	var text []byte
	for n := 0; ; n++ {
		b, ok := <-d.in
		if !ok {
			return string(text)
		}
		switch b {
		case '\r':
			d.say("\r\n")
			return string(text)
		case '\b':
			if len(text) > 0 {
				text = text[:len(text)-1]
				d.say("\b \b")
			}
		default:
			text = append(text, b)
			d.say(echo(n, b))
		}
	}
}

func plainly(_ int, b byte) string { return string(rune(b)) }
func nothing(int, byte) string     { return "" }

// ask asks until check is content, and returns the answer.
func (d *device) ask(prompt string, echo func(int, byte) string) string {
	d.say(prompt)
	return d.line(echo)
}

type outcome struct {
	engine.Ending
	rec  *transcript.Record
	file string
}

func (o outcome) said(why string) []string {
	var list []string
	for _, e := range o.rec.Events {
		if e.Kind == transcript.Said && e.Why == why {
			text := ""
			for _, p := range e.Data {
				text += p.String()
			}
			list = append(list, text)
		}
	}
	return list
}

func (o outcome) notes(code string) (list []string) {
	for _, e := range o.rec.Events {
		if e.Kind == transcript.Note && e.Code == code {
			list = append(list, e.Text)
		}
	}
	return list
}

type secrets map[string]string

func (s secrets) Secret(name string) (string, error) {
	if v, ok := s[name]; ok {
		return v, nil
	}
	return "", fmt.Errorf("no secret %s", name)
}

// rig is one run against a scripted device, in virtual time.
type rig struct {
	dialogue string
	serial   string
	secrets  secrets
	settings console.Settings
	device   func(d *device)
	desk     player.Desk
	chassis  string
	context  func(ctx context.Context) (context.Context, context.CancelFunc)
	replug   func(d *device) // what the device does when the line is opened again
	file     transcript.File // in place of the record's file
	wrap     func(console.Line) console.Line
	person   func(h *player.Hands) // who takes the line over
	away     time.Duration
	part     string // of a visit; its record goes on after the run
}

func values(serial string) script.Values {
	net := script.NetworkValues{Name: "storage", Subnet: "192.0.2.0/24", Gateway: "192.0.2.1", Path: "networks.storage"}
	ports := []script.PortValues{
		{Name: "e0", Address: "192.0.2.11", Mask: "255.255.255.0", Prefix: 24, Gateway: "192.0.2.1", Network: net, Path: "ports.e0"},
		{Name: "e1", Address: "192.0.2.12", Mask: "255.255.255.0", Prefix: 24, Network: net, Path: "ports.e1"},
	}
	return script.Values{
		"unit":    script.UnitValues{Name: "shelf-1", Serial: serial, Ports: ports},
		"port":    ports[0],
		"ports":   ports,
		"network": net,
		"cluster": script.ClusterValues{Mode: "join", Name: "skerry-deep", Path: "cluster"},
		"factory": script.FactoryValues{User: "setup", Secret: script.SecretRef{Name: "factory"}},
		"secret":  map[string]script.SecretRef{"admin": {Name: "admin"}},
		"site":    script.SiteValues{Name: "skerrymore"},
	}
}

func (r rig) play(t *testing.T) (o outcome) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "run.record")
	if r.file != nil {
		synctest.Test(t, func(t *testing.T) { o = r.inBubble(t, path) })
		return o
	}
	synctest.Test(t, func(t *testing.T) { o = r.inBubble(t, path) })
	rec, err := transcript.Read(path)
	if err != nil {
		t.Fatalf("reading the record back: %v", err)
	}
	if rec.Fault != nil {
		t.Errorf("the record is not whole: %v", rec.Fault)
	}
	o.rec, o.file = rec, path
	return o
}

func (r rig) inBubble(t *testing.T, path string) outcome {
	src := "format: linehand.dialogue/1\nname: test\n" + r.dialogue
	d, err := script.Parse("test.yaml", []byte(src))
	if err != nil {
		t.Fatalf("the dialogue:\n%v", err)
	}
	set := r.settings
	if set.Speed == 0 {
		set = console.Default
	}
	line, far := pair.New("test", set)
	dev := newDevice(t, far)
	mask := transcript.NewMask()
	for name, v := range r.secrets {
		mask.Add(name, v)
	}
	var opts []transcript.Option
	if r.file != nil {
		opts = append(opts, transcript.WithFile(r.file))
	}
	if r.wrap != nil {
		line = r.wrap(line)
	}
	j, err := transcript.Create(path, transcript.Header{Unit: "shelf-1", Mode: "test"}, mask, opts...)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if r.context != nil {
		ctx, cancel = r.context(ctx)
		defer cancel()
	}
	deviceDone := make(chan struct{})
	go func() { defer close(deviceDone); r.device(dev) }()
	fars := []*pair.Far{far}
	run := player.Run{
		Dialogue: d, Line: line, Record: j, Secrets: r.secrets, Desk: r.desk, Chassis: r.chassis,
		Target: engine.Target{Serial: r.serial, Values: values(r.serial)}, Mask: mask.Text, Away: r.away, Part: r.part,
	}
	var again []chan struct{}
	personDone := make(chan struct{})
	if r.person != nil {
		run.Hands = player.NewHands()
		go func() { defer close(personDone); r.person(run.Hands) }()
	} else {
		close(personDone)
	}
	if r.replug != nil {
		run.Reopen = func(context.Context) (console.Line, error) {
			line, far := pair.New("test", set)
			dev := newDevice(t, far)
			fars = append(fars, far)
			done := make(chan struct{})
			again = append(again, done)
			go func() { defer close(done); r.replug(dev) }()
			return line, nil
		}
	}
	end, err := run.Play(ctx)
	if err != nil {
		t.Fatalf("Play: %v", err)
	}
	<-personDone
	if r.part != "" {
		if err := j.Append(transcript.Event{Kind: transcript.Ending, Code: "done"}); err != nil {
			t.Error(err)
		}
	}
	for _, f := range fars {
		f.Close()
	}
	<-deviceDone
	for _, done := range again {
		<-done
	}
	if err := j.Close(); err != nil && r.file == nil {
		t.Fatal(err)
	}
	return outcome{Ending: end}
}

func wantEnding(t *testing.T, o outcome, how engine.How, words ...string) {
	t.Helper()
	if o.How != how {
		t.Fatalf("ended as %s, want %s: %s", o.How, how, o.Sentence)
	}
	for _, w := range words {
		if !strings.Contains(o.Sentence, w) {
			t.Errorf("the ending does not say %q: %s", w, o.Sentence)
		}
	}
	last := o.rec.Events[len(o.rec.Events)-1]
	if last.Kind != transcript.Ending || last.Code != string(how) || last.Exit != how.ExitCode() {
		t.Errorf("the record's last event is %+v", last)
	}
}

func wantList(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%s: got %q, want %q", what, got, want)
	}
}
