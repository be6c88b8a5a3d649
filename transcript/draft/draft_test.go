package draft

import (
	"errors"
	"strings"
	"testing"
	"time"

	"linehand/script"
	"linehand/transcript"
)

// unit is what is planned for the units of these tests.
func unit(name, mode string) Unit {
	quay := script.NetworkValues{Name: "quay", Subnet: "192.0.2.0/25", Mask: "255.255.255.128", Prefix: 25, Gateway: "192.0.2.1"}
	port := func(n, a string) script.PortValues {
		return script.PortValues{Name: n, Address: a, Mask: quay.Mask, Prefix: 25, CIDR: a + "/25", Gateway: quay.Gateway, VLAN: 10, Network: quay}
	}
	last := name[len(name)-1:]
	ports := []script.PortValues{port("e0", "192.0.2.2"+last), port("e1", "192.0.2.3"+last)}
	return Unit{Name: name, Kind: "Tamsin P8", Serial: "TP8-000" + last, Values: script.Values{
		"unit": script.UnitValues{Name: name, Serial: "TP8-000" + last, Ports: ports}, "port": ports[0], "ports": ports, "network": quay,
		"cluster": script.ClusterValues{Mode: mode, Name: "skerry", Address: "192.0.2.9"}, "site": script.SiteValues{TimeZone: "Europe/London", Log: "192.0.2.5"},
		"factory": script.FactoryValues{User: "fitter", Secret: script.SecretRef{Name: "p8-factory"}},
		"secret":  map[string]script.SecretRef{"admin": {Name: "strip-admin"}, "join": {Name: "skerry-join"}, "strip-admin": {Name: "strip-admin"}},
	}}
}

// hands builds the record of a session by hand.
type hands struct {
	rec   *transcript.Record
	at    time.Duration
	enter string
}

func sat() *hands {
	return &hands{rec: &transcript.Record{Whole: true, Header: transcript.Header{Mode: "byhand", Line: transcript.LineInfo{Settings: "19200 7E1"}}}, enter: "\r"}
}

func (h *hands) add(e transcript.Event) {
	h.at += 500 * time.Millisecond
	e.N, e.At = len(h.rec.Events)+1, h.at
	h.rec.Events = append(h.rec.Events, e)
}

// says is what the unit prints.
func (h *hands) says(text string) *hands {
	h.add(transcript.Event{Kind: transcript.Heard, Data: []transcript.Part{{Bytes: []byte(text)}}})
	return h
}

// keys are pressed; printable ones are masked as a record masks them.
func (h *hands) keys(parts ...string) *hands {
	e := transcript.Event{Kind: transcript.Said, Why: "hand"}
	for _, p := range parts {
		if p < " " || p == "\x7f" {
			e.Data = append(e.Data, transcript.Part{Bytes: []byte(p)})
		} else {
			e.Data = append(e.Data, transcript.Part{Secret: typedName})
		}
	}
	h.add(e)
	return h
}

func (h *hands) pressEnter() *hands {
	for _, c := range []byte(h.enter) {
		h.add(transcript.Event{Kind: transcript.Said, Why: "hand", Text: "Enter", Data: []transcript.Part{{Bytes: []byte{c}}}})
	}
	return h.says("\r\n")
}

// types a line that the unit shows.
func (h *hands) types(text string) *hands {
	h.keys("x").says(text)
	h.add(transcript.Event{Kind: transcript.Note, Code: noteTyped, Text: text})
	return h.pressEnter()
}

// hides types a line of which the unit shows a mask.
func (h *hands) hides(mask string) *hands {
	h.keys("x").says(mask)
	h.add(transcript.Event{Kind: transcript.Note, Code: noteHidden, Text: "hidden"})
	return h.pressEnter()
}

func make1(t testing.TB, u Unit, h *hands) string {
	t.Helper()
	d, err := Make(Session{h.rec, u})
	if err != nil {
		t.Fatal(err)
	}
	return d.Text
}

// TestDraft: what was done, and a line that stands in the draft for it.
func TestDraft(t *testing.T) {
	for name, c := range map[string]struct {
		done  func(*hands)
		want  []string
		never []string
	}{
		"line and kind": {func(h *hands) { h.says("name: ").types("strip-1") },
			[]string{"name: tamsin-p8", "line: {speed: 19200, framing: 7E1, enter: CR}", "answer: '${unit.name}'"}, nil},
		"address, mask, gateway": {func(h *hands) {
			h.says("IP address: ").types("192.0.2.21").says("Netmask: ").types("255.255.255.128").says("Router [192.0.2.126]: ").types("192.0.2.1")
		}, []string{"'${port.address}'", "'${port.mask}'", `{regexp: 'Router \[[0-9.]+\]:'}`, "'${port.gateway}'"}, []string{lookHere + "\""}},
		"mask as a length": {func(h *hands) { h.says("Prefix length: ").types("25").says("Address/length: ").types("192.0.2.21/25") },
			[]string{"'${port.prefix}'", "'${port.cidr}'"}, nil},
		"a slash before the length":                {func(h *hands) { h.says("> ").types("ip 192.0.2.31 /25") }, []string{"'ip ${ports.e1.address} /${ports.e1.prefix}'"}, nil},
		"a number that only happens to be planned": {func(h *hands) { h.says("Shelf position: ").types("25") }, []string{"answer: '25'", lookHere}, nil},
		"VLAN by the word before":                  {func(h *hands) { h.says("> ").types("vlan 10 name quay") }, []string{"'vlan ${port.vlan} name ${port.network.name}'"}, nil},
		"the other port": {func(h *hands) { h.says("> ").types("port e1 mask 255.255.255.128 gw 192.0.2.1") },
			[]string{"'port e1 mask ${ports.e1.mask} gw ${ports.e1.gateway}'"}, nil},
		"an address that is not planned": {func(h *hands) { h.says("Address: ").types("192.0.2.77") }, []string{lookHere + `"192.0.2.77" is not in the plan of strip-1`}, nil},
		"yes and no":                     {func(h *hands) { h.says("Keep it? [y/n] ").types("n").says("Type yes in full: ").types("yes") }, []string{"answer: 'n'", "answer: 'yes'"}, nil},
		"expressions in what was typed":  {func(h *hands) { h.says("> ").types("echo ${unit.name}") }, []string{"'echo $${unit.name}'"}, nil},
		"secrets by role": {func(h *hands) {
			h.says("login: ").types("fitter").says("Password: ").hides("").says("Current password: ").hides("").says("New password: ").hides("****").
				says("Retype new password: ").hides("****").says("Join secret: ").hides("").says("login: ").types("fitter").says("Password: ").hides("").says("ok> ")
		}, []string{"answer: '${factory.user}'\n      - prompt: 'Password:'\n        answer: '${factory.secret}'",
			"prompt: 'Current password:'\n        answer: '${factory.secret}'", "prompt: 'New password:'\n        answer: '${secret.admin}'",
			"prompt: 'Retype new password:'\n        answer: '${secret.admin}'", "answer: '${secret.join}'",
			"answer: '${factory.user}'\n      - prompt: 'Password:'\n        answer: '${secret.admin}'", "until: 'ok>'"}, nil},
		"refused and given again": {func(h *hands) {
			h.says("Address: ").types("192.0.2.1").says("Address refused: taken.\r\nAddress: ").types("192.0.2.21").says("Name: ").types("strip-1")
		}, []string{"refused-by: ['Address refused']", "answer: '${port.address}'"}, []string{"192.0.2.1'"}},
		"two prompts refused": {func(h *hands) {
			h.says("New password: ").hides("").says("Again: ").hides("").says("The two differ.\r\nNew password: ").hides("").says("Again: ").hides("").says("Done.\r\n> ").types("bye")
		}, []string{"refused-by: ['The two differ']"}, []string{"new secrets 2"}},
		"numbers in prompts": {func(h *hands) { h.says("Rack 12 of 40, 1 shelf found: ").types("strip-1") },
			[]string{`{regexp: 'Rack +\d+ of +\d+, +\d+ shelfs? found:'}`}, nil},
		"a range is an offer": {func(h *hands) { h.says("Zone (1-15): ").types("strip-1") }, []string{"prompt: 'Zone (1-15):'"}, nil},
		"numbers that tell questions apart": {func(h *hands) { h.says("Outlet 1: ").types("on").says("Outlet 2: ").types("off") },
			[]string{"prompt: 'Outlet 1:'", "prompt: 'Outlet 2:'"}, nil},
		"the unit's own name": {func(h *hands) { h.says("P8 strip-1> ").types("save").says("P8 strip-1> ").types("bye") }, []string{`{regexp: 'P8 \S+>'}`}, nil},
		"serial and firmware": {func(h *hands) { h.says("P8 strip, serial no. TP8-0001\r\nfirmware 2.4.1\r\nName: ").types("strip-1") },
			[]string{`serial: '(?:strip, serial no\. )([A-Za-z0-9][A-Za-z0-9-]*)'`, `firmware: '(?i)\bfirmware\b`}, []string{"identity"}},
		"serial too late": {func(h *hands) { h.says("Name: ").types("strip-1").says("Serial: TP8-0001\r\n> ").types("bye") }, []string{lookHere + "the serial number was printed only after"}, nil},
		"no serial":       {func(h *hands) { h.says("Name: ").types("strip-1") }, []string{"identity: not printed", lookHere + "the planned serial number was not seen"}, nil},
		"chatter": {func(h *hands) {
			h.says("[    1.000001] usb: one\r\n[    2.000002] usb: two\r\nName: [   3.000003] link up\r\nName: ").types("strip-1")
		}, []string{`chatter: ['\[ *\d+\.\d{3,9}\] [^\n]*\n?']`, "prompt: 'Name:'"}, nil},
		"CR LF": {func(h *hands) {
			h.enter = "\r\n"
			h.says("Name: ").types("strip-1").says("Zone: ").types("Europe/London")
		}, []string{"enter: CR LF", "'${site.time_zone}'"}, nil},
		"LF":                   {func(h *hands) { h.enter = "\n"; h.says("Name: ").types("strip-1") }, []string{"enter: LF"}, nil},
		"erase":                {func(h *hands) { h.says("Name: ").keys("x", "\x7f").types("strip-1") }, []string{"erase: DEL"}, nil},
		"woken with Enter":     {func(h *hands) { h.pressEnter().says("Name: ").types("strip-1") }, []string{"wake: {press: Enter, every: 5s"}, nil},
		"redrawn with a key":   {func(h *hands) { h.says("Name: ").keys("\x12").says("\r\nName: ").types("strip-1") }, []string{"redraw: Ctrl-R"}, nil},
		"nothing was pressed":  {func(h *hands) { h.says("Name: ").types("strip-1") }, []string{"wake: {press: nothing"}, []string{"redraw"}},
		"a default is taken":   {func(h *hands) { h.says("Blinking [off]: ").pressEnter().says("Name: ").types("strip-1") }, []string{"prompt: 'Blinking [off]:'\n        answer: ''"}, nil},
		"a planned default":    {func(h *hands) { h.says("Gateway [192.0.2.1]: ").pressEnter().says("Name: ").types("strip-1") }, []string{"answer: '${port.gateway}'", lookHere + "Enter took"}, nil},
		"any key":              {func(h *hands) { h.says("Press any key ").keys("x").says("\r\nName: ").types("strip-1") }, []string{"press: Space\n        sometimes: true"}, nil},
		"which key":            {func(h *hands) { h.says("Menu (a-d)").keys("x").says("\r\nName: ").types("strip-1") }, []string{lookHere + "one printable key"}, nil},
		"a control key":        {func(h *hands) { h.says("Stop with Ctrl-C ").keys("\x03").says("\r\nName: ").types("strip-1") }, []string{"press: Ctrl-C"}, nil},
		"a countdown":          {func(h *hands) { h.says("Boot in 3").says("\b2").says("\b1").keys("x").says("\r\n> ").types("bye") }, []string{`{regexp: 'Boot in +\d+'}`, "at-once: true"}, nil},
		"a question of a line": {func(h *hands) { h.says("What is the name?\r\n").types("strip-1") }, []string{lookHere + "the unit ended the line of this prompt"}, nil},
		"a secret that shows":  {func(h *hands) { h.says("Code: ").types("‹secret strip-admin›") }, []string{"answer: '${secret.admin}'\n        echo: 'none'"}, nil},
		"a cluster is started": {func(h *hands) { h.says("Cluster: ").types("skerry").says("No such cluster. Start it? ").types("y") }, []string{`when: 'cluster.mode == "start"'`}, nil},
		"read back": {func(h *hands) {
			h.says("> ").types("show e1").says("Address: 192.0.2.31\r\nMask:  255.255.255.128\r\n> ").types("bye")
		}, []string{"{what: 'address of e1', as: address, regexp: '(?m)^Address\\s*:\\s*(\\S+)', equals: '${ports.e1.address}'}"}, nil},
		"quotes in a prompt": {func(h *hands) { h.says("The unit's name: ").types("strip-1") }, []string{"'The unit''s name:'"}, nil},
		"the same for each port": {func(h *hands) {
			h.says("> ").types("set e0 192.0.2.21").says("> ").types("set e1 192.0.2.31").says("> ").types("bye")
		},
			[]string{"each: {port: 'unit.ports'}", "'set ${port.name} ${port.address}'"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			h := sat()
			c.done(h)
			text := make1(t, unit("strip-1", "start"), h)
			for _, want := range c.want {
				if !strings.Contains(text, want) {
					t.Errorf("the draft does not say %s", want)
				}
			}
			for _, never := range c.never {
				if strings.Contains(text, never) {
					t.Errorf("the draft says %s", never)
				}
			}
			if t.Failed() {
				t.Log(text)
			}
		})
	}
}

// TestTwoSessions: what differs is a value, and what comes only sometimes is
// sometimes.
func TestTwoSessions(t *testing.T) {
	one := sat().says("Site code: ").types("17").says("Set the clock? ").types("y").says("Name: ").types("strip-1").says("Model A outlet: ").types("192.0.2.21").says("> ").types("bye")
	two := sat().says("Site code: ").types("17").says("Name: ").types("strip-2").says("Model B outlet: ").types("192.0.2.22").says("> ").types("bye")
	d, err := Make(Session{one.rec, unit("strip-1", "none")}, Session{two.rec, unit("strip-2", "none")})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"prompt: 'Set the clock?'\n        answer: 'y'\n        sometimes: true", "answer: '17'", "answer: '${unit.name}'", `{regexp: 'Model +\S+ +outlet:'}`} {
		if !strings.Contains(d.Text, want) {
			t.Errorf("the draft does not say %s", want)
		}
	}
	if strings.Contains(d.Text, "17\" is typed for every unit") || strings.Count(d.Text, "Name:") != 1 {
		t.Errorf("the second session has cleared nothing:\n%s", d.Text)
	}
}

func TestModesAreTold(t *testing.T) {
	start := sat().says("Cluster: ").types("skerry").says("No such cluster. Start it? ").types("y").says("Shared address: ").types("192.0.2.9").says("> ").types("bye")
	join := sat().says("Cluster: ").types("skerry").says("Join secret: ").hides("").says("> ").types("bye")
	d, err := Make(Session{start.rec, unit("strip-1", "start")}, Session{join.rec, unit("strip-2", "join")})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"answer: 'y'\n        when: 'cluster.mode == \"start\"'\n        sometimes: true", "'${cluster.address}'\n        needed: 'cluster.mode == \"start\"'", "'${secret.join}'\n        when: 'cluster.mode == \"join\"'"} {
		if !strings.Contains(d.Text, want) {
			t.Errorf("the draft does not say %s:\n%s", want, d.Text)
		}
	}
}

func TestWhatCannotBeDrafted(t *testing.T) {
	run := sat().says("> ").types("bye")
	other := *run.rec
	other.Header.Mode = "bringup"
	for name, c := range map[string]struct {
		sessions []Session
		want     error
	}{
		"nothing":        {nil, ErrNoSession},
		"a run":          {[]Session{{&other, unit("strip-1", "none")}}, ErrNotByHand},
		"nobody typed":   {[]Session{{sat().says("> ").rec, unit("strip-1", "none")}}, ErrNothing},
		"only listened":  {[]Session{{sat().rec, unit("strip-1", "none")}}, ErrNothing},
		"of other kinds": {[]Session{{run.rec, unit("strip-1", "none")}, {run.rec, Unit{Kind: "other"}}}, ErrKinds},
	} {
		if _, err := Make(c.sessions...); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// FuzzMake: whatever a unit prints and a person types, the draft is a
// dialogue that can be parsed.
func FuzzMake(f *testing.F) {
	f.Add("Name: ", "strip-1", "Address [192.0.2.1]: ", "192.0.2.21", byte(0))
	f.Add("login: ", "fitter", "Password: ", "‹secret p8-factory›", byte(1))
	f.Add("\x1b[2J%s'\"\\ ${", "${x}", "\xff\xfe\u2028: ", "a: b # c", byte(2))
	f.Add("", "", "\r\n\r\n", "\t", byte(3))
	f.Add("(((", "[[[", "a**", "\\Q", byte(7))
	f.Fuzz(func(t *testing.T, p1, a1, p2, a2 string, how byte) {
		h := sat().says(p1).types(a1).says(p2)
		if how&1 != 0 {
			h.hides("*")
		}
		if how&2 != 0 {
			h.keys("\x03")
		}
		if how&4 != 0 {
			h.pressEnter()
		}
		h.says(p1 + p2).types(a2).says(p2)
		_, err := Make(Session{h.rec, unit("strip-1", "start")}, Session{h.rec, unit("strip-2", "join")})
		if err != nil && !errors.Is(err, ErrNothing) {
			t.Error(err)
		}
	})
}
