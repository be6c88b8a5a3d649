package engine

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"linehand/script"
)

// conversation drives an engine by hand: text shown, decision made.
type conversation struct {
	t   *testing.T
	e   *Engine
	now time.Time
}

func begin(t *testing.T, dialogue, serial string) *conversation {
	t.Helper()
	d, err := script.Parse("d.yaml", []byte("format: linehand.dialogue/1\nname: test\n"+dialogue))
	if err != nil {
		t.Fatalf("the dialogue:\n%v", err)
	}
	net := script.NetworkValues{Name: "quay"}
	ports := []script.PortValues{
		{Name: "e0", Address: "192.0.2.11", Network: net, Path: "ports.e0"},
		{Name: "e1", Address: "192.0.2.12", Network: net, Path: "ports.e1"},
		{Name: "e2", Address: "192.0.2.13", Network: net, Path: "ports.e2"},
	}
	e, err := New(d, Target{Serial: serial, Values: script.Values{
		"unit": script.UnitValues{Name: "shelf-1", Serial: serial, Ports: ports}, "port": ports[0],
		"cluster": script.ClusterValues{Mode: "join", Name: "skerry-deep"},
		"factory": script.FactoryValues{User: "setup", Secret: script.SecretRef{Name: "factory"}},
		"secret":  map[string]script.SecretRef{"admin": {Name: "admin"}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	return &conversation{t: t, e: e, now: time.Unix(1_000_000, 0)}
}

// shows is what the engine decides when the unit has shown text and gone
// quiet for long enough.
func (c *conversation) shows(text string) Decision { return c.showsFor(text, 100*time.Millisecond) }

func (c *conversation) showsFor(text string, quiet time.Duration) Decision {
	c.t.Helper()
	for range 20 {
		c.now = c.now.Add(quiet)
		live, err := c.e.Live()
		if err != nil {
			c.t.Fatal(err)
		}
		match := -1
	search:
		for i, l := range live {
			for _, re := range l.Prompts {
				if re.MatchString(text) {
					match = i
					break search
				}
			}
		}
		d, err := c.e.Decide(live, match, Shown{Since: text, Tail: text, Quiet: quiet, Now: c.now})
		if err != nil {
			c.t.Fatal(err)
		}
		if _, again := d.(Look); !again {
			return d
		}
	}
	c.t.Fatal("the engine goes round in circles")
	return nil
}

// types wants an answer to be typed, and takes it as given.
func (c *conversation) types(text, want string) {
	c.t.Helper()
	d := c.shows(text)
	typed, ok := d.(Type)
	if !ok {
		c.t.Fatalf("at %q: decided %T %+v, want an answer", text, d, d)
	}
	got := ""
	for _, p := range typed.Pieces {
		got += p.Text
		if p.Secret != "" {
			got += "<" + p.Secret + ">"
		}
	}
	if typed.Key != nil {
		got = typed.Key.Name
	}
	if got != want {
		c.t.Fatalf("at %q: answers %q, want %q", text, got, want)
	}
	c.e.Answered(typed, c.now)
}

func (c *conversation) holds(text string, kind HoldKind, words ...string) Hold {
	c.t.Helper()
	d := c.shows(text)
	h, ok := d.(Hold)
	if !ok || h.Kind != kind {
		c.t.Fatalf("at %q: decided %T %+v, want a hold of kind %s", text, d, d, kind)
	}
	for _, w := range words {
		if !strings.Contains(h.Reason, w) {
			c.t.Errorf("the hold does not say %q: %s", w, h.Reason)
		}
	}
	return h
}

func (c *conversation) finishes(d Decision, how How) {
	c.t.Helper()
	f, ok := d.(Finish)
	if !ok || f.Ending.How != how {
		c.t.Fatalf("decided %T %+v, want the end as %s", d, d, how)
	}
}

const wizard = `
facts: {serial: 'serial (\S+)'}
stages:
  - stage: sign in
    looks: true
    exchanges:
      - {prompt: 'Sign in:', answer: '${factory.user}'}
      - {prompt: 'Pass phrase:', answer: '${factory.secret}'}
    refused-by: [Refused]
    if-refused: sign in as set up
  - stage: set up
    exchanges:
      - {prompt: 'Name:', answer: '${unit.name}'}
      - {prompt: 'Clock?', answer: n, sometimes: true}
      - {prompt: 'Start a cluster? [y/n]', answer: y, when: 'cluster.mode == "start"', sometimes: true}
      - {prompt: 'New:', answer: '${secret.admin}'}
      - {prompt: 'Again:', answer: '${secret.admin}'}
    until: Applied
  - stage: sign in as set up
    looks: true
    exchanges:
      - {prompt: 'Sign in:', answer: '${factory.user}'}
      - {prompt: 'Pass phrase:', answer: '${secret.admin}'}
  - stage: 'set ${port.name}'
    each: {port: 'unit.ports[1:]'}
    exchanges:
      - {prompt: '>', answer: 'set ${port.name} ${port.address}'}
  - stage: leave
    looks: true
    exchanges:
      - {prompt: '>', answer: bye}
    until: Bye
`

func (c *conversation) verified() *conversation {
	c.e.Fact("serial", "S1")
	return c
}

func TestWizardToTheEnd(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Name:", "shelf-1")
	c.types("New:", "<admin>")
	c.types("Again:", "<admin>")
	if d := c.shows("Applying"); d != (Wait{}) {
		t.Fatalf("decided %+v before the stage was over", d)
	}
	c.types("Applied\nbooting\nSign in:", "setup")
	c.types("Pass phrase:", "<admin>")
	c.types("ok\n>", "set e1 192.0.2.12")
	c.types("ok\n>", "set e2 192.0.2.13")
	c.types("ok\n>", "bye")
	c.finishes(c.shows("Bye\n"), Done)
}

func TestGuardOfAKnownPrompt(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Name:", "shelf-1")
	c.holds("No such cluster.\nStart a cluster? [y/n]", HoldGuard, "Start a cluster?", `cluster.mode == "start"`)
}

func TestGuardOnAFactThatWasNotRead(t *testing.T) {
	c := begin(t, strings.Replace(wizard, `cluster.mode == "start"`, `fact.serial != "S9"`, 1), "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Name:", "shelf-1")
	c.e.Fact("serial", "")
	c.e.Confirm()
	c.holds("Start a cluster? [y/n]", HoldGuard, "the fact serial", "not read")
}

func TestAFactJustKeptDecidesWhatIsNeeded(t *testing.T) {
	c := begin(t, `
identity: not printed
stages:
  - stage: all
    looks: true
    exchanges:
      - {prompt: '>', answer: show, reads: [{what: host, regexp: 'host (\S+)', keep: host}]}
      - {prompt: '>', answer: set, needed: 'fact.host != "right"'}
      - {prompt: '>', answer: bye}
    until: Bye
`, "S1")
	c.e.Confirm()
	c.types(">", "show")
	c.types("host right\n>", "bye")
}

func TestRefusalLeadsToAnotherStage(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Refused\nSign in:", "setup")
	c.types("Pass phrase:", "<admin>")
	c.types(">", "set e1 192.0.2.12")
}

func TestUntilThatNeverShowed(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Name:", "shelf-1")
	c.types("New:", "<admin>")
	c.types("Again:", "<admin>")
	c.holds("Could not write.\nSign in:", HoldPassedOver, "never showed", "Applied")
}

func TestSamePromptInARowIsTheNextOneWithIt(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.e.Attached()
	c.verified()
	c.types(">", "set e1 192.0.2.12")
	c.types(">", "set e2 192.0.2.13")
	c.types(">", "bye")
	c.holds("What?\n>", HoldRefused, "What?")
}

func TestNothingOfThePlanWithoutTheChassis(t *testing.T) {
	for _, c := range []struct {
		name, serial string
		read         string
		kind         HoldKind
		words        []string
	}{
		{"not read", "S1", "", HoldConfirm, []string{"S1"}},
		{"another", "S1", "S2", HoldChassis, []string{"S1", "S2"}},
		{"not planned", "", "S2", HoldConfirm, []string{"S2"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := begin(t, wizard, c.serial)
			if c.read != "" && c.kind != HoldChassis {
				v.e.Fact("serial", c.read)
			}
			v.types("Sign in:", "setup")
			v.types("Pass phrase:", "<factory>")
			if c.kind == HoldChassis {
				v.e.Fact("serial", c.read)
			}
			v.holds("Name:", c.kind, c.words...)
			v.e.Confirm()
			if c.kind == HoldConfirm {
				v.types("Name:", "shelf-1")
			}
		})
	}
}

func TestARedrawIsTriedBeforeAPersonIsAsked(t *testing.T) {
	c := begin(t, "redraw: Ctrl-R\n"+wizard, "S1")
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	if _, ok := c.shows("Name:").(Redraw); !ok {
		t.Fatal("the redraw key was not asked for")
	}
	c.e.Redrawn()
	c.verified()
	c.types("serial S1\nName:", "shelf-1")
}

func TestBackAfterTheLineWasAway(t *testing.T) {
	c := begin(t, wizard, "S1").verified()
	c.types("Sign in:", "setup")
	c.types("Pass phrase:", "<factory>")
	c.types("Name:", "shelf-1")
	c.e.Attached() // Enter may have been lost
	c.verified()
	c.types("Name:", "shelf-1")
	c.types("New:", "<admin>")
	c.e.Attached()
	c.verified()
	c.types("Sign in:", "setup") // the unit has started again
	c.types("Pass phrase:", "<factory>")
}

func TestEndingsHaveTheirOwnCodes(t *testing.T) {
	seen := map[int]How{}
	for _, how := range []How{Done, Differs, Held, Refused, Chassis, Silent, Garbled, LoopBack, Strange, Overdue, Lost, Failed, Stopped, NoRecord, Broken, Open} {
		if other, twice := seen[how.ExitCode()]; twice {
			t.Errorf("%s and %s share exit code %d", how, other, how.ExitCode())
		}
		seen[how.ExitCode()] = how
	}
	if Already.ExitCode() != 0 || Open.ExitCode() != 23 || Open.Good() || !Already.Good() || Differs.Good() {
		t.Error("already set up is good, differing is not")
	}
	for _, kind := range []HoldKind{HoldUnknown, HoldGuard, HoldRefused, HoldPassedOver, HoldWentBack, HoldChassis, HoldConfirm, HoldEcho, HoldOverdue, HoldSilent, HoldGarbled, HoldLoopBack, HoldStrange} {
		end := GiveUp(Hold{Kind: kind, Reason: "the reason"})
		if end.How.Good() || end.How == Broken || !regexp.MustCompile(`^The reason\.`).MatchString(end.Sentence) || !strings.HasSuffix(end.Next, ".") {
			t.Errorf("giving up at %s ends as %+v", kind, end)
		}
	}
}

// A line that goes away ends the run only where nothing was left but to see
// the `until` of the last stage.
func TestAUnitThatHangsUp(t *testing.T) {
	const dialogue = `
stages:
  - stage: look
    looks: true
    exchanges:
      - {prompt: 'S24>', answer: show name}
    until: Name
  - stage: sign out
    looks: true
    exchanges:
      - {prompt: 'S24>', answer: exit}
    until: Signed out
    finish: true
`
	for _, test := range []struct {
		say  []string // answered one after the other
		last string   // heard before the line went
		over bool
	}{
		{[]string{"S24>"}, "Name: a", false}, // another stage is to come
		{[]string{"S24>", "Name: a\nS24>"}, "", false},
		{[]string{"S24>", "Name: a\nS24>"}, "Signed out.", true},
	} {
		c := begin(t, dialogue, "").verified()
		for i, text := range test.say {
			c.types(text, []string{"show name", "exit"}[i])
		}
		end, err := c.e.HungUp(Shown{Since: test.last, Tail: test.last, Now: c.now})
		if err != nil || (end != nil) != test.over {
			t.Errorf("%q, then %q: ended %+v, %v; want over %v", test.say, test.last, end, err, test.over)
		}
	}
}

const looking = `
facts: {serial: 'serial (\S+)', members: 'members (\d+)'}
stages:
  - stage: look
    looks: true
    exchanges:
      - prompt: '>'
        answer: show a
        reads: [{what: a, regexp: 'a (\S+)', equals: shelf-1}]
      - prompt: '>'
        answer: show b
        reads: [{what: b, regexp: 'b (\S+)', equals: '${unit.name}-${fact.members}'}]
      - {prompt: '>', answer: 'show member ${fact.members}'}
`

// A look whose response went by while the line was away is asked again, and
// not taken for a value that is not there.
func TestALookThatWasNotWitnessedIsAskedAgain(t *testing.T) {
	c := begin(t, looking, "S1").verified()
	c.types(">", "show a")
	c.e.Attached()
	c.verified()
	c.types(">", "show a")
	c.types("a shelf-1\n>", "show b")
	if reads := c.e.Reads(); len(reads) != 1 || !reads[0].Equal {
		t.Errorf("read %+v", reads)
	}
}

// A fact that the unit has not shown is a difference where something is
// compared with it, and a hold where it was to be typed: never a broken run.
func TestAFactThatWasNotReadBreaksNothing(t *testing.T) {
	c := begin(t, looking, "S1").verified()
	c.types(">", "show a")
	c.types("a shelf-1\n>", "show b")
	c.e.Reads()
	c.holds("b shelf-1-2\n>", HoldGuard, "members was not read")
	if reads := c.e.Reads(); len(reads) != 1 || reads[0].Equal || !strings.Contains(reads[0].Fault, "members was not read") {
		t.Errorf("read %+v", reads)
	}
}
