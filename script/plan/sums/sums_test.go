package sums_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
	"linehand/script/vault"
)

const demoProfile = "../../../fixtures/site/skerrymore.yaml"

func read(t testing.TB, path string) (*site.Site, *plan.Plan) {
	t.Helper()
	s, err := site.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	p, problems := plan.Make(s)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return s, p
}

// profile reads a profile out of a text.
func profile(t testing.TB, text string) (*site.Site, *plan.Plan) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, []byte("format: linehand.site/1\nsite: {name: bay, demonstration: true}\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	return read(t, path)
}

func dialogues(t testing.TB) func(string) *script.Dialogue {
	return func(path string) *script.Dialogue {
		d, err := script.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
}

// TestDemo holds the demo site's sums against sums that were made by hand out
// of its profile.
func TestDemo(t *testing.T) {
	s, p := read(t, demoProfile)
	out, problems := sums.Work(s, p, sums.Options{Dialogue: dialogues(t)})
	for _, x := range problems {
		t.Error(x)
	}
	near := func(what string, got, want, by float64) {
		t.Helper()
		if math.Abs(got-want) > by {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	// Two shelves of 24 kg + 24 x 0.7 kg, two strips of 3.4 kg.
	near("weight of rack-3, kg", out.Racks[2].Weight, 2*(24+24*.7)+2*3.4, 1e-9)
	near("watts of rack-3", out.Racks[2].Watts, 2*420+2*2, 1e-9)
	// 420 W / 0.95 at 230 V, two shelves on one feed when the other has failed, and the strip.
	near("r3-left at worst, A", out.Power.Feeds[4].Worst.Amps, 2*420/.95/230+2./230, 1e-9)
	near("r3-left in normal use, A", out.Power.Feeds[4].Normal.Amps, 420/.95/230+2./230, 1e-9)
	near("strip-3a at worst, A", out.Strips[4].Amps, 2*420/.95/230, 1e-9)
	// 1 W is 3.412 BTU/h (BTU of the International Table).
	near("heat, BTU/h", out.Air.BTUh, (4*420+2*95+6*2)*3.412142, .1)
	// The underside of U 3 is 85 mm + 2 x 44.45 mm above the floor (EIA-310).
	near("deep-1 is lifted to, mm", out.Lifting[1].To, 85+2*44.45, 1e-9)
	near("deep-1 as lifted, kg", out.Lifting[1].DrivesOut.Weight, 24, 1e-9)
	// Two groups of 11 with two parity drives each: 18 x 20 TB.
	if d := out.Disks[0]; d.Chosen.Usable != 360e12 || d.Chosen.Certain != 2 || d.Chosen.AtBest != 4 || len(d.Units) != 4 || d.Unused != 0 {
		t.Errorf("disks: %+v", d.Chosen)
	}
	// 20 TB at 150 MB/s.
	near("rebuild, s", out.Disks[0].Chosen.Rebuild.Seconds(), 20e12/150e6, 1)
	if v := out.Visit; v.Makespan < v.Bounds.Lowest() || len(v.Talks) != 12 || len(v.Assignments) != 16 || v.Units != 12 { // four shelves are set up and proved on a line, two switches over SSH
		t.Errorf("visit: %v of at least %v, %d talks, %d assignments", v.Makespan, v.Bounds.Lowest(), len(v.Talks), len(v.Assignments))
	}
	if len(out.Open) > 0 {
		t.Errorf("not summed: %q", out.Open)
	}
	if len(out.Cautions) != 3 {
		t.Errorf("%d cautions", len(out.Cautions))
	}
	for _, c := range out.Cautions {
		if !strings.Contains(c, "defer to local codes and licensed practice") {
			t.Errorf("a caution defers to nobody: %s", c)
		}
	}
}

// A unit that joins a cluster, and one whose strips are not in their place
// yet, wait for those.
func TestVisitKeepsTheOrder(t *testing.T) {
	s, p := read(t, demoProfile)
	out, _ := sums.Work(s, p, sums.Options{Dialogue: dialogues(t)})
	at := map[string]int{}
	for i, a := range out.Visit.Assignments {
		at[a.Unit] = i
	}
	for _, x := range [][2]string{{"quay-sw1", "deep-1"}, {"quay-sw2", "shallow-1"}, {"deep-1", "deep-2"}, {"shallow-1", "shallow-2"}, {"strip-1a", "deep-1"}, {"strip-2b", "quay-sw2"}} {
		before, after := out.Visit.Assignments[at[x[0]]], out.Visit.Assignments[at[x[1]]]
		if after.Connect.Start < before.Wait.End {
			t.Errorf("%s is connected at %v, before %s is ready at %v", x[1], after.Connect.Start, x[0], before.Wait.End)
		}
	}
}

// What follows the first boot takes a line once the unit has finished by
// itself; over SSH it takes none, and is part of the waiting. The members of
// a cluster come one after another.
func TestVisitGoesOn(t *testing.T) {
	const text = `
networks:
  - {name: quay, subnet: 192.0.2.0/24}
clusters:
  - {name: deep}
kinds:
  shelf:
    dialogue: ../first
    proof: proof
    reach: REACH
    ssh: {user: keeper, role: key}
    times: {waiting: 10m}
secrets: {key: {env: KEY}}
visit: {technicians: 1, lines: 3}
units:
  - {name: a-3, kind: shelf, serial: A3, cluster: {join: deep}, ports: [{name: e0, network: quay, address: 192.0.2.3}]}
  - {name: a-1, kind: shelf, serial: A1, cluster: {start: deep}, ports: [{name: e0, network: quay, address: 192.0.2.1}]}
  - {name: a-2, kind: shelf, serial: A2, cluster: {join: deep}, ports: [{name: e0, network: quay, address: 192.0.2.2}]}
`
	d, err := script.Parse("d.yaml", []byte("format: linehand.dialogue/1\nname: d\nfacts: {serial: 'S (\\S+)'}\nstages:\n  - {stage: one, within: 1m, exchanges: [{prompt: '>', answer: 'show ${unit.name}'}]}\n"))
	if err != nil {
		t.Fatal(err)
	}
	for reach, want := range map[string]int{"console": 6, "ssh": 3} {
		s, p := profile(t, strings.Replace(text, "REACH", reach, 1))
		out, problems := sums.Work(s, p, sums.Options{Dialogue: func(string) *script.Dialogue { return d }})
		v := out.Visit
		if v == nil || len(v.Assignments) != want || v.Units != 3 || len(v.Talks) != 6 {
			t.Fatalf("%s: %+v, %v", reach, v, problems)
		}
		ready := map[string]time.Duration{}
		begun := map[string]time.Duration{}
		for _, a := range v.Assignments {
			ready[a.Unit], begun[a.Unit] = a.Wait.End, a.Connect.Start
		}
		for _, x := range [][2]string{{"a-1", "a-3"}, {"a-3", "a-2"}} {
			if begun[x[1]] < ready[x[0]] {
				t.Errorf("%s: %s begins at %v, and %s is ready at %v", reach, x[1], begun[x[1]], x[0], ready[x[0]])
			}
		}
		if begun["a-1"+sums.Later] < ready["a-1"] && reach == "console" {
			t.Errorf("its proof begins at %v, and it is ready at %v", begun["a-1"+sums.Later], ready["a-1"])
		}
		if waits := v.Assignments[1].Wait; reach == "ssh" && waits.End-waits.Start <= 10*time.Minute {
			t.Errorf("over SSH it waits for %v, and is proved within that", waits.End-waits.Start)
		}
	}
}

func TestSameSums(t *testing.T) {
	var first []byte
	for range 3 {
		s, p := read(t, demoProfile)
		out, _ := sums.Work(s, p, sums.Options{Dialogue: dialogues(t)})
		text, err := json.Marshal(out)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = text
		}
		if string(text) != string(first) {
			t.Fatal("the same profile gives other bytes")
		}
	}
}

// A three-phase feed: a strip between L1 and L2 carries its units' currents
// to that pair.
func TestThreePhases(t *testing.T) {
	s, p := profile(t, `
kinds:
  host: {dialogue: none, watts: 1000, power-factor: 1, supplies: 1, inlet: C14}
  strip: {dialogue: none, watts: 1, power-factor: 1, supplies: 1, inlet: C20, outlets: 4}
feeds:
  - {name: mains, volts: 208, phases: 3, breaker-a: 30, code: NEC}
units:
  - {name: strip-1, kind: strip, cords: {1: mains/L1-L2}}
  - {name: host-1, kind: host, cords: {1: STRIP-1}}
  - {name: host-2, kind: host, cords: {1: strip-1}}
`)
	out, problems := sums.Work(s, p, sums.Options{})
	if err := problems.Err(); err != nil {
		t.Error(err)
	}
	lines := out.Power.Feeds[0].Normal.Lines
	want := 2001. / 208
	if math.Abs(lines[0]-want) > 1e-9 || math.Abs(lines[1]-want) > 1e-9 || lines[2] != 0 {
		t.Errorf("lines %v, want %g in the first two", lines, want)
	}
	if x := out.Strips[0]; math.Abs(x.Amps-2000./208) > 1e-9 || x.Taken != 2 || x.Rated != 20 { // C19/C20 in North America
		t.Errorf("strip %+v", x)
	}
}

// What is not stated is not summed, and said.
func TestNotStated(t *testing.T) {
	s, p := profile(t, `
kinds:
  host: {dialogue: none, watts: 1000, height-u: 2}
racks:
  - {name: r, units-high: 10}
units:
  - {name: host-1, kind: host, place: {rack: r, at: 1}}
`)
	out, problems := sums.Work(s, p, sums.Options{Dialogue: dialogues(t)})
	if len(problems) > 0 {
		t.Error(problems)
	}
	if out.Power != nil || out.Visit != nil || len(out.Lifting) > 0 {
		t.Errorf("summed out of nothing: %+v", out)
	}
	all := strings.Join(out.Open, "\n")
	for _, want := range []string{"no feed or no cord is planned", "weight of host-1 is not stated", "lifting it was not reckoned", "there is no schedule", "floor is not stated"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not said:\n%s", want, all)
		}
	}
}

// The estimate of a dialogue is what goes over the wire: for this one, counted
// by hand.
func TestTalk(t *testing.T) {
	d, err := script.Parse("talk.yaml", []byte(`format: linehand.dialogue/1
name: talk
title: A talk
identity: not printed
line: {speed: 9600, framing: 8N1, enter: CR, settle: 100ms}
stages:
  - stage: address
    exchanges:
      - {prompt: 'Address:', answer: '${port.address}'}
      - {prompt: 'Sure?', answer: y, needed: 'unit.name == "other"'}
`))
	if err != nil {
		t.Fatal(err)
	}
	s, p := profile(t, `
networks:
  - {name: quay, subnet: 192.0.2.0/24}
kinds:
  host: {dialogue: talk.yaml}
units:
  - {name: host-1, kind: host, ports: [{name: e0, network: quay, address: 192.0.2.10}]}
visit: {technicians: 1, lines: 1}
`)
	out, _ := sums.Work(s, p, sums.Options{Dialogue: func(string) *script.Dialogue { return d }})
	// "Address:", then "192.0.2.10" and Enter, typed and echoed.
	chars := 8 + 2*(10+1)
	want := time.Duration(chars)*10*time.Second/9600 + 100*time.Millisecond
	if talk := out.Visit.Talks[0]; talk.Characters != chars || talk.Exchanges != 1 || (talk.Time-want).Abs() > time.Microsecond {
		t.Errorf("%+v, want %d characters in %v", talk, chars, want)
	}
}

func TestRulesOf(t *testing.T) {
	s, _ := read(t, demoProfile)
	for _, k := range s.Kinds {
		if k.Name.Value != "brackwater-s24" {
			continue
		}
		r := sums.RulesOf(k.Limits.Secret)
		if r.MinLen != 10 || r.MaxLen != 32 || strings.Contains(r.Allowed, " ") || !strings.Contains(r.Allowed, "~") || len(r.Allowed) != '~'-'!'+1 {
			t.Errorf("%+v", r)
		}
	}
}

// A value that the stricter of two rules accept is accepted by both.
func TestStrictest(t *testing.T) {
	rules := rapid.Custom(func(t *rapid.T) vault.Rules {
		r := vault.Rules{MinLen: rapid.IntRange(0, 20).Draw(t, "least"), Allowed: rapid.SampledFrom([]string{"", vault.Lower + vault.Digits, vault.Lower + vault.Upper}).Draw(t, "allowed")}
		if rapid.Bool().Draw(t, "bounded") {
			// A unit that takes fewer than 8 is let off the least length.
			r.MaxLen = max(r.MinLen, 8) + rapid.IntRange(1, 20).Draw(t, "most")
		}
		return r
	})
	accepts := func(r vault.Rules, value string) bool {
		return !slices.ContainsFunc(r.Check(value, vault.Context{}), func(f vault.Finding) bool { return f.Severity == "error" })
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rules.Draw(t, "a"), rules.Draw(t, "b")
		value := rapid.StringOfN(rapid.RuneFrom([]rune("abxyzAZ27-")), 0, 40, -1).Draw(t, "value")
		both := accepts(a, value) && accepts(b, value)
		if got := accepts(sums.Strictest(a, b), value); got != both {
			t.Fatalf("%v and %v accept %q: %v, the strictest: %v", a, b, value, both, got)
		}
	})
}

func TestValues(t *testing.T) {
	s, p := read(t, demoProfile)
	values := map[string]string{
		"s24-factory": "out-of-the-crate-1", "x48-factory": "another-crate-2", "shelf-admin": "OUT-of-the-crate-1",
		"switch-admin": "kelp", "deep-join": "grey seals on a cold rock", "shallow-join": "grey-seals-on-a-cold-rock",
	}
	found := sums.Values(s, p, func(name string) (string, bool) { v, ok := values[name]; return v, ok })
	var all []string
	for _, x := range found {
		all = append(all, x.String())
		for name, v := range values {
			if strings.Contains(x.String(), v) {
				t.Errorf("the value of %s is shown: %s", name, x)
			}
		}
	}
	text := strings.Join(all, "\n")
	for _, want := range []string{"secret shelf-admin is a factory value", "secret switch-admin is shorter than the 10 characters", "of deep-join is one that the unit's console does not take"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not found:\n%s", want, text)
		}
	}
	if strings.Contains(text, "shallow-join") {
		t.Errorf("shallow-join is right:\n%s", text)
	}
}
