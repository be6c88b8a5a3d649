package steps

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"linehand/script"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// deep1 is a shelf of the demo site: 24 drives, two supplies, two ports.
func deep1() script.Values {
	port := func(name, address, network string, vlan int) script.PortValues {
		return script.PortValues{Name: name, Address: address, VLAN: vlan, Network: script.NetworkValues{Name: network}, Path: "ports." + name}
	}
	ports := []script.PortValues{port("e0", "192.0.2.21", "quay", 10), port("e1", "198.51.100.21", "seabed", 0)}
	return script.Values{
		"unit": script.UnitValues{Name: "deep-1", Serial: "BW24-2207-0113", Ports: ports}, "port": ports[0],
		"site":     script.SiteValues{Domain: "skerrymore.example.net"},
		"place":    script.PlaceValues{Rack: "rack-1", At: 3, Height: 4, Side: "front"},
		"supplies": []script.SupplyValues{{Number: 1, Feed: "strip-1a", Inlet: "C14"}, {Number: 2, Feed: "strip-1b", Inlet: "C14"}},
		"lift":     script.LiftValues{Kg: "24.0", People: 2, DrivesOut: true, Advice: "Two people lift it with its drives out."},
		"storage":  script.StorageValues{Drives: 24, Size: "20 TB"},
		"secret":   map[string]script.SecretRef{"admin": {Name: "shelf-admin"}},
	}
}

// strip1a is an outlet strip: no console, no rack unit, no port.
func strip1a() script.Values {
	return script.Values{
		"unit": script.UnitValues{Name: "strip-1a"}, "place": script.PlaceValues{Rack: "rack-1"},
		"supplies": []script.SupplyValues{{Number: 1, Feed: "r1-left"}},
	}
}

func dialogue(t testing.TB, keys string) *script.Dialogue {
	t.Helper()
	d, err := script.Parse("d.yaml", []byte("format: linehand.dialogue/1\nname: shelf\nidentity: not printed\nstages: [{stage: a, until: 'A>'}]\n"+keys))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func names(list []Rendered) []string {
	var out []string
	for _, s := range list {
		out = append(out, s.Name)
	}
	return out
}

func one(t *testing.T, list []Rendered, name string) Rendered {
	t.Helper()
	i := slices.IndexFunc(list, func(s Rendered) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("no step %q among %q", name, names(list))
	}
	return list[i]
}

// TestOrderOfWork: the general set in the order of the work on a rack: static
// before anything is opened, weight before drives, everything seated before
// cords, switches off before cords, cords before power, power before the
// console. Common practice, no source.
func TestOrderOfWork(t *testing.T) {
	before, after, err := Render(dialogue(t, ""), deep1(), Policy{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"unpack", "contents", "static strap", "rack", "rails", "drives out", "lift", "fasten", "drives", "bezel", "modules",
		"data cable e0", "data cable e1", "switches off", "power cord 1", "power cord 2", "hands clear", "supply 1 on", "supply 2 on", "lights at the start", "controller in charge"}
	if diff := cmp.Diff(want, names(before)); diff != "" {
		t.Errorf("before (-want +got):\n%s", diff)
	}
	want = []string{"lights at the end", "console cable out", "labels", "tidy cables", "bezel and doors", "clear away", "sign"}
	if diff := cmp.Diff(want, names(after)); diff != "" {
		t.Errorf("after (-want +got):\n%s", diff)
	}
	before, after, err = Render(nil, strip1a(), Policy{})
	if err != nil {
		t.Fatal(err)
	}
	want = []string{"unpack", "contents", "static strap", "rack", "side mount", "modules", "switches off", "power cord 1", "hands clear", "supply 1 on", "lights at the start",
		"lights at the end", "labels", "tidy cables", "clear away", "sign"}
	if diff := cmp.Diff(want, names(slices.Concat(before, after))); diff != "" {
		t.Errorf("without a console (-want +got):\n%s", diff)
	}
}

// TestPlanInTheSteps: what the plan says stands in the step where it counts.
func TestPlanInTheSteps(t *testing.T) {
	before, after, err := Render(dialogue(t, ""), deep1(), Policy{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ step, words string }{
		{"unpack", "Serial number on the chassis: BW24-2207-0113"},
		{"contents", "2 power cords, 24 drives,"},
		{"static strap", "below 35 megohm"},
		{"rack", "rack-1"},
		{"rails", "rack units 3 to 6, from the front. The lower edge is 89 mm above"}, // 2 x 44.45 mm, EIA-310
		{"lift", "2 people, 24.0 kg. Two people lift it with its drives out."},
		{"drives out", "24.0 kg"},
		{"drives", "the 24 drives of 20 TB, in the order of the slots"},
		{"data cable e0", "network quay, VLAN 10 (192.0.2.21)"},
		{"data cable e1", "network seabed (198.51.100.21)"},
		{"power cord 2", "(inlet C14, IEC 60320-1), then at strip-1b"},
		{"power cord 2", "The unit has 2 supplies: it is without power only when every cord is out."},
		{"supply 1 on", "on strip-1a. Wait for its light before the next one"},
		{"labels", "deep-1 and BW24-2207-0113"},
	} {
		s := one(t, slices.Concat(before, after), tt.step)
		if !strings.Contains(strings.Join([]string{s.Do, s.Good, s.Otherwise, s.Caution}, "\n"), tt.words) {
			t.Errorf("step %q does not say %q:\n%+v", tt.step, tt.words, s)
		}
	}
	unknown := deep1()
	unknown["lift"] = script.LiftValues{}
	unknown["unit"] = script.UnitValues{Name: "deep-1"}
	if before, _, err = Render(dialogue(t, ""), unknown, Policy{}); err != nil {
		t.Fatal(err)
	}
	if s := one(t, before, "lift"); !strings.Contains(s.Do, "two people or a lifting device, because its weight is not in the plan") {
		t.Errorf("a weight that nobody knows: %s", s.Do)
	}
	if s := one(t, before, "unpack"); !strings.Contains(s.Good, "left open in the plan; write it down") {
		t.Errorf("a serial number left open: %s", s.Good)
	}
	if slices.Contains(names(before), "drives out") {
		t.Error("the drives are to come out although the plan does not say so")
	}
}

// published are the names of standards and laws that a caution may stand in.
var published = regexp.MustCompile(`IEC 61340-5-1|IEC 62368-1|IEC 60825-2|29 CFR 1910\.147|EN 50110-1|NIOSH publication 94-110`)

// sources: which step's caution must name which publication.
var sources = map[string]string{
	"static strap": "IEC 61340-5-1", "lift": "NIOSH publication 94-110", "switches off": "29 CFR 1910.147", "power cord": "IEC 60950-1",
	"hands clear": "EN 50110-1", "supply on": "NFPA 70E", "data cable": "IEC 60825-2",
}

// TestGeneralSetIsSound holds each step of the set against what every step
// owes the person.
func TestGeneralSetIsSound(t *testing.T) {
	before, after := General()
	values := deep1()
	sidewise := deep1()
	sidewise["place"] = script.PlaceValues{Rack: "rack-1"}
	var all []Rendered
	for _, v := range []script.Values{values, sidewise} {
		b, a, err := Render(dialogue(t, ""), v, Policy{})
		if err != nil {
			t.Fatal(err)
		}
		all = append(append(all, b...), a...)
	}
	for _, own := range slices.Concat(before, after) {
		i := slices.IndexFunc(all, func(s Rendered) bool { return s.Of == own.Plain() })
		if i < 0 {
			t.Errorf("step %q is for no unit", own.Plain())
			continue
		}
		s := all[i]
		if s.Do == "" || s.Good == "" || s.Otherwise == "" {
			t.Errorf("step %q does not say what to do, what good looks like and what to do otherwise", s.Of)
		}
		if (s.Caution == "") != (s.Source == "") {
			t.Errorf("step %q: caution %q, source %q", s.Of, s.Caution, s.Source)
		}
		if s.Caution != "" && (!strings.HasSuffix(s.Caution, Defer) || !s.Required || !published.MatchString(s.Source) && s.Source != script.CommonPractice) {
			t.Errorf("step %q: its caution defers to nobody, can be passed over, or has no source: %s (%s)", s.Of, s.Caution, s.Source)
		}
		if want := sources[s.Of]; !strings.Contains(s.Source, want) {
			t.Errorf("step %q: source %q, want %s", s.Of, s.Source, want)
		}
		for line := range strings.SplitSeq(s.Picture, "\n") {
			if utf8.RuneCountInString(line) > 76 || strings.Trim(line, " ") != "" && regexp.MustCompile(`[^ -~]`).MatchString(line) {
				t.Errorf("step %q: %q does not fit on every terminal", s.Of, line)
			}
		}
		if regexp.MustCompile(`[$}{]|  | ,|\.\.| \.`).MatchString(s.Do + s.Good + s.Otherwise + s.Caution) {
			t.Errorf("step %q reads badly: %+v", s.Of, s)
		}
	}
	for of := range sources {
		if !slices.Contains(plain(before), of) {
			t.Errorf("no step %q before the dialogue", of)
		}
	}
	for _, colour := range []string{"green", "amber", "red", "blue", "dark"} {
		if s := one(t, all, "lights at the start"); !strings.Contains(s.Picture, colour) || !strings.Contains(s.Do, "IEC 60073") {
			t.Errorf("the lights at the start do not say what %s means", colour)
		}
	}
}

func TestDialogueChangesTheSet(t *testing.T) {
	d := dialogue(t, `before:
  - {step: badge, do: Show your badge.}
  - general: all
  - {general: drives, caution: 'Drive 1 first; local codes and licensed practice rule.', each: {p: unit.ports}, step: 'drives ${p.name}'}
  - {general: bezel, required: true, source: IEC 61340-5-1}
  - {step: seal, do: Seal it., caution: Sharp}
after:
  - {general: sign, needed: 'unit.name == "deep-2"'}
  - {general: labels, good: It can be read.}
`)
	before, after, err := Render(d, deep1(), Policy{})
	if err != nil {
		t.Fatal(err)
	}
	list := names(before)
	if list[0] != "badge" || list[len(list)-1] != "seal" || !slices.Equal(list[9:12], []string{"drives e0", "drives e1", "bezel"}) {
		t.Errorf("before: %q", list)
	}
	if s := one(t, before, "drives e0"); s.Caution != "Drive 1 first; local codes and licensed practice rule." || s.Source != script.CommonPractice || !strings.Contains(s.Do, "24 drives") || s.Of != "drives" {
		t.Errorf("the changed step is %+v", s)
	}
	if s := one(t, before, "seal"); s.Caution != "Sharp. "+Defer || !s.Required || s.CautionText() != "Sharp. "+Defer+" Source: common practice, no source." {
		t.Errorf("the own step is %+v", s)
	}
	if s := one(t, before, "badge"); s.Required || s.CautionText() != "" || s.Pos.Line != 6 {
		t.Errorf("the own step is %+v", s)
	}
	if s := one(t, before, "bezel"); !s.Required || s.Source != "" {
		t.Errorf("the changed step is %+v", s)
	}
	if diff := cmp.Diff([]string{"labels"}, names(after)); diff != "" || after[0].Good != "It can be read." {
		t.Errorf("after (-want +got):\n%s", diff)
	}
	if before, after, err = Render(dialogue(t, "before: []\nafter: []\n"), deep1(), Policy{}); err != nil || len(before)+len(after) > 0 {
		t.Errorf("no steps: %q, %q, %v", names(before), names(after), err)
	}
	if all := Names(d); !slices.Contains(all, "badge") || !slices.Contains(all, "power cord") || slices.Contains(all, "clear away") {
		t.Errorf("names: %q", all)
	}
}

func TestPolicy(t *testing.T) {
	for _, tt := range []struct {
		policy            Policy
		required, without []string // of the steps asked for below
	}{
		{Policy{}, []string{"static strap", "power cord 1", "power cord 2"}, nil},
		{Policy{All: AsWritten, Advisory: []string{"Power Cord"}}, []string{"static strap"}, nil},
		{Policy{All: AllRequired, Advisory: []string{"power cord 2"}}, []string{"static strap", "contents", "power cord 1"}, nil},
		{Policy{All: AllAdvisory, Required: []string{"contents"}}, []string{"contents"}, nil},
		{Policy{Required: []string{"contents"}, Advisory: []string{"contents"}}, []string{"static strap", "contents", "power cord 1", "power cord 2"}, nil},
		{Policy{Without: []string{"contents", "power cord 1"}}, []string{"static strap", "power cord 2"}, []string{"contents", "power cord 1"}},
	} {
		before, _, err := Render(dialogue(t, ""), deep1(), tt.policy)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"static strap", "contents", "power cord 1", "power cord 2"} {
			if slices.Contains(tt.without, name) {
				if slices.Contains(names(before), name) {
					t.Errorf("%+v: %s is there", tt.policy, name)
				}
			} else if got := one(t, before, name).Required; got != slices.Contains(tt.required, name) {
				t.Errorf("%+v: %s required: %v", tt.policy, name, got)
			}
		}
	}
}

func TestValuesForAPage(t *testing.T) {
	d := dialogue(t, `after:
  - step: its own page
    do: Open https://${port.address}/
    values: [{label: 'Mail > Server', value: 'mail.${site.domain}'}, {label: 'Admin > New', value: '${secret.admin}'}]
    must-show: Setup of ${unit.name} complete
`)
	_, after, err := Render(d, deep1(), Policy{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Value{{Label: "Mail > Server", Value: "mail.skerrymore.example.net"}, {Label: "Admin > New", Secret: "shelf-admin"}}
	if diff := cmp.Diff(want, after[0].Values); diff != "" || after[0].MustShow != "Setup of deep-1 complete" || after[0].Do != "Open https://192.0.2.21/" {
		t.Errorf("values (-want +got):\n%s\n%+v", diff, after[0])
	}
}

func TestFaultsHaveTheirPlace(t *testing.T) {
	d := dialogue(t, "before:\n  - {general: drivs}\n  - general: lights at the end\nafter: [{general: all}, {step: sign, do: x}]\n")
	var got []string
	for _, f := range Check(d) {
		got = append(got, f.String())
	}
	want := []string{
		`d.yaml:6:5: error: no step of the general set before the dialogue is called "drivs" (the person would not be shown it); did you mean "drives"?`,
		`d.yaml:7:5: error: no step of the general set before the dialogue is called "lights at the end" (the person would not be shown it); did you mean "lights at the start"?`,
	}
	if len(got) != 2 || got[0] != want[0] || !strings.HasPrefix(got[1], want[1][:70]) {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
	if _, _, err := Render(d, deep1(), Policy{}); err == nil || !strings.Contains(err.Error(), "d.yaml:6:5: ") {
		t.Errorf("rendered: %v", err)
	}
	d = dialogue(t, "after: [{general: all}, {step: sign, do: 'x ${port.gateway}'}]\n")
	if list := Check(d); len(list) != 1 || !strings.Contains(list[0].String(), `d.yaml:5:25: error: step "sign" is there already`) {
		t.Errorf("%v", list)
	}
	if list := CheckValues(d, deep1()); len(list) != 1 || !strings.Contains(list[0].String(), "d.yaml:5:45: error: ${port.gateway}: the plan does not supply it") {
		t.Errorf("%v", list)
	}
	if _, _, err := Render(d, deep1(), Policy{}); err == nil || !strings.HasPrefix(err.Error(), "d.yaml:5:45: ${port.gateway}: the plan does not supply it") {
		t.Errorf("rendered: %v", err)
	}
}

func TestLooks(t *testing.T) {
	d := dialogue(t, `serves:
  looks:
    - {what: '${port.name} of ${unit.name}', address: '${port.address}', by: icmp, each: {port: unit.ports}}
    - {what: page, address: '${port.address}', by: https}
    - {what: cluster, address: '${cluster.address}', by: tcp, port: 8443, needed: 'cluster.mode == "start"'}
`)
	list, err := Looks(d, deep1())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, l := range list {
		got = append(got, fmt.Sprintf("%s %s %s %d %d", l.What, l.Address, l.By, l.Port, l.Pos.Line))
	}
	if diff := cmp.Diff([]string{"e0 of deep-1 192.0.2.21 icmp 0 7", "e1 of deep-1 198.51.100.21 icmp 0 7", "page 192.0.2.21 https 443 8"}, got); diff != "" {
		t.Errorf("looks (-want +got):\n%s", diff)
	}
	v := deep1()
	v["cluster"] = script.ClusterValues{Mode: "start"}
	if _, err := Looks(d, v); err == nil || !strings.Contains(err.Error(), "d.yaml:9:32: ${cluster.address}: the plan does not supply it") {
		t.Errorf("without an address: %v", err)
	}
	if list, err := Looks(nil, v); list != nil || err != nil {
		t.Errorf("no dialogue: %v, %v", list, err)
	}
}

// TestAnyPlan: whatever a plan leaves open, the general set can be shown, and
// a cord or supply has a step of its own, switched off before any cord goes
// in.
func TestAnyPlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.SampledFrom([]string{"", "x", "rack-1", "rear", "20 TB"})
		small := rapid.IntRange(0, 6)
		v := script.Values{
			"place":   script.PlaceValues{Rack: word.Draw(t, "rack"), At: small.Draw(t, "at"), Side: word.Draw(t, "side"), Height: small.Draw(t, "height")},
			"lift":    script.LiftValues{Kg: word.Draw(t, "kg"), People: small.Draw(t, "people"), DrivesOut: rapid.Bool().Draw(t, "out"), Advice: word.Draw(t, "advice")},
			"storage": script.StorageValues{Drives: small.Draw(t, "drives"), Size: word.Draw(t, "size")},
		}
		unit := script.UnitValues{Name: "u", Serial: word.Draw(t, "serial")}
		for i := range small.Draw(t, "ports") {
			unit.Ports = append(unit.Ports, script.PortValues{Name: fmt.Sprint("e", i), VLAN: small.Draw(t, "vlan"), Address: word.Draw(t, "address")})
		}
		var supplies []script.SupplyValues
		for i := range small.Draw(t, "supplies") {
			supplies = append(supplies, script.SupplyValues{Number: i + 1, Feed: word.Draw(t, "feed"), Inlet: word.Draw(t, "inlet")})
		}
		v["unit"], v["supplies"] = unit, supplies
		before, after, err := Render(nil, v, Policy{})
		if err != nil {
			t.Fatal(err)
		}
		var order []string
		for _, s := range before {
			order = append(order, s.Of)
		}
		count := func(of string) int {
			n := 0
			for _, o := range order {
				if o == of {
					n++
				}
			}
			return n
		}
		if count("power cord") != len(supplies) || count("supply on") != len(supplies) || count("data cable") != len(unit.Ports) || len(after) < 5 {
			t.Fatalf("steps %q", order)
		}
		off, cord, clear, on := slices.Index(order, "switches off"), slices.Index(order, "power cord"), slices.Index(order, "hands clear"), slices.Index(order, "supply on")
		if len(supplies) > 0 && !(0 <= off && off < cord && cord < clear && clear < on) {
			t.Fatalf("power out of order: %q", order)
		}
	})
}

// FuzzRender: what parses is rendered or refused with a place, and no line of
// it is a secret's value or wider than a terminal.
func FuzzRender(f *testing.F) {
	for _, seed := range []string{"before: [{general: all}]", "after: [{step: '${unit.name}', do: '${place.rack}', picture: x}]", "before: [{general: lift, do: '${lift.kg}', each: {s: supplies}}]",
		"serves: {looks: [{what: a, address: '${port.address}', by: ssh}]}", "after: [{step: a, do: b, values: [{label: a, value: '${secret.admin}'}]}]"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, keys string) {
		d, err := script.Parse("d.yaml", []byte("format: linehand.dialogue/1\nname: shelf\nidentity: not printed\nstages: [{stage: a, until: 'A>'}]\n"+keys))
		if err != nil {
			return
		}
		_ = CheckValues(d, deep1())
		bad := Check(d)
		if _, err := Looks(d, deep1()); err != nil && !strings.Contains(err.Error(), "d.yaml:") {
			t.Fatalf("a look's fault without its place: %v", err)
		}
		before, after, err := Render(d, deep1(), Policy{})
		if err != nil {
			if !strings.Contains(err.Error(), "d.yaml:") {
				t.Fatalf("a fault without its place: %v", err)
			}
			return
		}
		for _, s := range slices.Concat(before, after) {
			if s.Name == "" && len(bad) == 0 || s.Caution != "" && s.Source == "" {
				t.Fatalf("%+v", s)
			}
			for line := range strings.SplitSeq(s.Picture, "\n") {
				if utf8.RuneCountInString(line) > 76 {
					t.Fatalf("%q is too wide", line)
				}
			}
		}
	})
}

func BenchmarkRender(b *testing.B) {
	d, v := dialogue(b, ""), deep1()
	var n int
	for b.Loop() {
		before, after, err := Render(d, v, Policy{})
		if err != nil {
			b.Fatal(err)
		}
		n = len(before) + len(after)
	}
	b.ReportMetric(float64(n), "steps/op")
}
