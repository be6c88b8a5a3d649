package station

import (
	"context"
	"fmt"
	"net/netip"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"linehand/console"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/player"
	"linehand/script/site"
	"linehand/script/steps"
	"linehand/script/visit"
	"linehand/transcript"
)

// VisitPlan is everything that a visit to one unit does, worked out from the
// plan.
type VisitPlan struct {
	Unit                *plan.Unit
	First, SetUp, Proof *script.Dialogue // nil: there is none
	Before, After       []steps.Rendered
	Serves, ServesSetUp visit.Wait
	Addresses           []visit.Address
	Ports               []visit.Look
	SignIns             []visit.SignIn
	Log                 *visit.Log
}

// Visit works out what a visit to a unit does. A fault is an error of type
// Findings; warnings are returned beside the plan.
func (s *Sheet) Visit(u *plan.Unit) (*VisitPlan, Findings, error) {
	v := &VisitPlan{Unit: u}
	var found Findings
	for _, d := range []struct {
		to   **script.Dialogue
		read func(*plan.Unit) (*script.Dialogue, Findings, error)
		said bool
	}{{&v.First, s.Dialogue, u.Dialogue != ""}, {&v.SetUp, s.SetUp, u.SetUp != ""}, {&v.Proof, s.Proof, u.Proof != ""}} {
		if !d.said {
			continue
		}
		dialogue, warnings, err := d.read(u)
		if err != nil {
			return nil, nil, err
		}
		*d.to, found = dialogue, append(found, warnings...)
	}
	var err error
	if v.Before, v.After, err = steps.Render(v.First, u.Values, s.StepPolicy()); err != nil {
		return nil, nil, findingsOf(err)
	}
	if v.Serves, err = waitOf(v.First, u.Values); err == nil {
		v.ServesSetUp, err = waitOf(v.SetUp, u.Values)
	}
	if err != nil {
		return nil, nil, findingsOf(err)
	}
	v.Addresses, v.Ports = addressesOf(u), portsOf(u, v.Serves, v.ServesSetUp)
	v.SignIns, v.Log = signInsOf(u, v.Ports), logOf(s.Plan, u)
	return v, found, nil
}

// StepPolicy is what the profile says of steps by hand.
func (s *Sheet) StepPolicy() steps.Policy {
	v := s.Plan.Visit
	return steps.Policy{All: v.Steps.Value, Required: texts(v.Required), Advisory: texts(v.Advisory), Without: texts(v.Without)}
}

func texts(list []site.Text) []string {
	out := make([]string, len(list))
	for i, t := range list {
		out[i] = t.Value
	}
	return out
}

// waitOf is what must answer after a dialogue.
func waitOf(d *script.Dialogue, v script.Values) (visit.Wait, error) {
	looks, err := steps.Looks(d, v)
	if err != nil || len(looks) == 0 {
		return visit.Wait{}, err
	}
	w := visit.Wait{Within: d.Serves.Within, Every: d.Serves.Every}
	for _, l := range looks {
		w.Looks = append(w.Looks, visit.Look{Name: l.What, Address: l.Address, By: l.By, Port: l.Port})
	}
	return w, nil
}

func plannedPorts(u *plan.Unit) []script.PortValues {
	v, _ := u.Values["unit"].(script.UnitValues)
	return v.Ports
}

// addressesOf are the addresses that the unit is given.
func addressesOf(u *plan.Unit) (out []visit.Address) {
	add := func(name, text string) {
		if a, err := netip.ParseAddr(text); err == nil {
			out = append(out, visit.Address{Name: name, Address: a})
		}
	}
	for _, p := range plannedPorts(u) {
		add(p.Name, p.Address)
		add(p.Name+" (IPv6)", p.Address6)
	}
	if c, ok := u.Values["cluster"].(script.ClusterValues); ok && c.Mode == string(site.Start) {
		add("shared address of "+c.Name, c.Address)
	}
	return out
}

// portsOf is what the proof looks at: all that must serve, and every planned
// address that is not among it.
func portsOf(u *plan.Unit, waits ...visit.Wait) (out []visit.Look) {
	known := make(map[visit.Look]bool)
	at := make(map[netip.Addr]bool)
	for _, w := range waits {
		for _, l := range w.Looks {
			if !known[l] {
				known[l] = true
				out = append(out, l)
			}
			at[l.Address] = true
		}
	}
	for _, a := range addressesOf(u) {
		if at[a.Address] {
			continue
		}
		name := a.Name + " of " + u.Name
		if strings.Contains(a.Name, " of ") {
			name = a.Name
		}
		out = append(out, visit.Look{Name: name, Address: a.Address, By: script.ByICMP})
	}
	return out
}

// signInsOf are the sign-ins that the proof tries over the network: where the
// unit is reached by SSH, or serves it and has shown its host key.
func signInsOf(u *plan.Unit, ports []visit.Look) []visit.SignIn {
	address, ok := firstAddress(u)
	serves := false
	for _, l := range ports {
		serves = serves || l.By == script.BySSH
	}
	f, _ := u.Values["factory"].(script.FactoryValues)
	if !ok || u.Reach != site.OverSSH && !serves || u.SSH.User == "" {
		return nil
	}
	pinned := u.Reach != site.OverSSH
	var out []visit.SignIn
	if f.Secret.Name != "" {
		// A kind that is signed in to by another name has its factory name
		// refused as well.
		out = append(out, visit.SignIn{Name: "factory sign-in over SSH", Address: address, Port: u.SSH.Port, User: f.User, Secret: f.Secret.Name, Refused: true, Pinned: pinned})
	}
	if u.SSH.Secret != "" {
		out = append(out, visit.SignIn{Name: "new sign-in over SSH", Address: address, Port: u.SSH.Port, User: u.SSH.User, Secret: u.SSH.Secret, Pinned: pinned})
	}
	return out
}

func firstAddress(u *plan.Unit) (netip.Addr, bool) {
	for _, p := range plannedPorts(u) {
		if a, err := netip.ParseAddr(p.Address); err == nil {
			return a, true
		}
	}
	return netip.Addr{}, false
}

// logWithin is how long a message may take to the log target.
const logWithin = 10 * time.Second

func logOf(p *plan.Plan, u *plan.Unit) *visit.Log {
	if p.Site.Log == "" || u.Proof == "" {
		return nil
	}
	l := &visit.Log{Target: p.Site.Log, Host: u.Name, Within: logWithin}
	for _, a := range addressesOf(u) {
		l.From = append(l.From, a.Address)
	}
	return l
}

// StepsOf are rendered steps as a visit takes them. A secret stands there by
// its name.
func StepsOf(list []steps.Rendered) []visit.Step {
	out := make([]visit.Step, len(list))
	for i, s := range list {
		out[i] = visit.Step{Name: s.Name, Do: s.Do, Caution: s.Caution, Source: s.Source, Picture: s.Picture, Good: s.Good,
			Otherwise: s.Otherwise, MustShow: s.MustShow, Required: s.Required}
		if s.Pos.Line > 0 {
			out[i].Place = fmt.Sprintf("%s:%d", s.Pos.File, s.Pos.Line)
		}
		for _, v := range s.Values {
			value := visit.Value{Label: v.Label, Value: v.Value}
			if v.Secret != "" {
				value.Value, value.Secret = "the secret "+v.Secret, true
			}
			out[i].Values = append(out[i].Values, value)
		}
	}
	return out
}

// Tour is a visit to one unit, ready to be played.
type Tour struct {
	Sheet   *Sheet
	Plan    *VisitPlan
	Secrets player.Secrets
	Known   []string // names of the secrets that Mask knows
	Mask    *transcript.Mask

	Line    string // name of the console's line
	Console func(context.Context) (console.Line, error)
	Tune    func(context.Context, console.Settings) (console.Line, error)
	Fresh   bool // the console's line is a shell, which begins anew each time
	// Shell opens a shell over SSH at an address; pin is the host key's
	// fingerprint.
	Shell   func(ctx context.Context, at netip.Addr, s plan.SSH, password func() (string, error), pin string) (console.Line, error)
	Network visit.Network // nil: nothing is looked at

	Tool, Mode, Records string // see Station
	Person              string
	Chassis             string
	Away                time.Duration
	Desk                visit.Person // nil: nobody is there
	Quick               bool
	Turns               *visit.Turns
	Earlier             *visit.Earlier
	Closes              []visit.Point
	ClosesBy, By        string
	From                visit.Part
	Only                []visit.Part
	ProofWithin         time.Duration
	Watch               func(player.Progress)
	Hands               *player.Hands // lasting ones; nil: nobody can take the line over
	HalfTyped           int           // see Station, as for Begun and Tell
	Begun               func(record string) error
	Tell                func(transcript.Event)

	Committer *transcript.Committer
	Head      func(*transcript.Header)
	Log       zerolog.Logger
}

// Play begins the record and plays the visit. An error means that it could
// not begin.
func (t *Tour) Play(ctx context.Context) (Result, error) {
	started := time.Now()
	u := t.Plan.Unit
	res := Result{Unit: u.Name, Line: t.Line}
	path, err := RecordPath(t.Records, u.Name, started)
	if err != nil {
		return res, err
	}
	if t.Begun != nil {
		if err := t.Begun(path); err != nil {
			return res, &RecordError{err}
		}
	}
	header := t.header(started)
	if t.Head != nil {
		t.Head(&header)
	}
	var opts []transcript.Option
	if t.Tell != nil {
		opts = append(opts, transcript.WithTelling(t.Tell))
	}
	if t.Committer != nil {
		opts = append(opts, transcript.WithCommitments(t.Committer))
	}
	journal, err := transcript.Create(path, header, t.Mask, opts...)
	if err != nil {
		return res, &RecordError{err}
	}
	res.Record = path
	res.Ending, err = t.visit(journal).Run(ctx)
	res.Elapsed = time.Since(started)
	if cerr := journal.Close(); cerr != nil && err == nil {
		return res, &RecordError{cerr}
	}
	return res, err
}

// visit is the visit itself.
func (t *Tour) visit(rec player.Recorder) visit.Visit {
	p, u := t.Plan, t.Plan.Unit
	return visit.Visit{
		Unit: u.Name, Serial: u.Serial, Before: StepsOf(p.Before), After: StepsOf(p.After),
		FirstBoot: t.talk(p.First, p.Serves, false),
		SetUp:     t.talk(p.SetUp, p.ServesSetUp, u.Reach == site.OverSSH),
		Proof:     t.talk(p.Proof, visit.Wait{}, u.Reach == site.OverSSH),
		Addresses: p.Addresses, Ports: p.Ports, SignIns: p.SignIns, LogTarget: p.Log,
		Secrets: t.Secrets, Record: rec, Mask: t.Mask.Text, Person: t.Desk, Name: t.Person, Chassis: t.Chassis, Quick: t.Quick,
		Hands: t.Hands, HalfTyped: t.HalfTyped,
		Network: t.Network, Turns: t.Turns, Earlier: t.Earlier, Closes: t.Closes, ClosesBy: t.ClosesBy, By: t.By, From: t.From, Only: t.Only,
		Away: t.Away, ProofWithin: t.ProofWithin, Boot: BootEstimate(t.Records, u.Kind, t.Mode == Rehearse), Watch: t.Watch,
		Logger: t.Log.With().Str("unit", u.Name).Logger(),
	}
}

// Rehearse is the mode of a record of a simulated unit.
const Rehearse = "rehearse"

func (t *Tour) talk(d *script.Dialogue, serves visit.Wait, shell bool) *visit.Talk {
	if d == nil {
		return nil
	}
	talk := &visit.Talk{Dialogue: d, Values: t.Plan.Unit.Values, Serves: serves, Tune: t.Tune, Fresh: t.Fresh}
	talk.Open = func(ctx context.Context, _ map[string]string) (console.Line, error) { return t.Console(ctx) }
	if !shell {
		return talk
	}
	talk.Tune, talk.Fresh = nil, true
	talk.Open = func(ctx context.Context, facts map[string]string) (console.Line, error) {
		u := t.Plan.Unit
		at, ok := firstAddress(u)
		if !ok {
			return nil, fmt.Errorf("unit %s has no planned address to be reached at", u.Name)
		}
		return t.Shell(ctx, at, u.SSH, func() (string, error) { return t.Secrets.Secret(u.SSH.Secret) }, facts[visit.HostKey])
	}
	return talk
}

func (t *Tour) header(started time.Time) transcript.Header {
	u, d := t.Plan.Unit, t.Plan.First
	if d == nil || t.Only != nil {
		d = t.Plan.Proof
	}
	h := transcript.Header{
		Tool: t.Tool, Unit: u.Name, Kind: u.Kind, Serial: u.Serial, Site: t.Sheet.Plan.Site.Name,
		Line:    transcript.LineInfo{Name: t.Line},
		Profile: transcript.Source{Name: t.Sheet.Plan.Site.Name, File: t.Sheet.File, SHA256: t.Sheet.SHA256},
		Plan:    u.SHA256, Planned: u.Planned, Secrets: t.Known, Person: t.Person, Mode: t.Mode,
		Started: started, Zone: started.Format("-07:00"),
	}
	if d != nil {
		h.Dialogue = transcript.Source{Name: d.Name, File: d.File, SHA256: d.SHA256}
		h.Line.Settings = d.Line.Settings.String()
	}
	return h
}
