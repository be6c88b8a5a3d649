package station

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"strings"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/secret"
	"linehand/script/site"
	"linehand/script/steps"
)

// Report is what a check without a unit has found.
type Report struct {
	Profile  string      `json:"profile,omitempty"`
	Site     string      `json:"site,omitempty"`
	Sound    bool        `json:"sound"` // a run may begin
	Findings Findings    `json:"findings"`
	Units    []UnitCheck `json:"units"`
	Networks []Network   `json:"networks,omitempty"`
	Lock     *Lock       `json:"lock,omitempty"` // nil: no plan was made
	Sums     *sums.Sums  `json:"sums,omitempty"`
	ByHand   []ByHand    `json:"by_hand,omitempty"`

	// Plan is what the rest was made of; nil where errors kept it from being
	// made.
	Plan *plan.Plan `json:"-"`

	read map[string]*script.Dialogue // by path; nil: it has faults
}

// UnitCheck is the plan of one unit, without secrets.
type UnitCheck struct {
	Name     string            `json:"name"`
	Kind     string            `json:"kind"`
	Serial   string            `json:"serial,omitempty"`
	Dialogue string            `json:"dialogue,omitempty"`
	SetUp    string            `json:"set_up,omitempty"`
	Proof    string            `json:"proof,omitempty"`
	Reach    string            `json:"reach,omitempty"` // what those two are played over
	Plan     string            `json:"plan_sha256"`
	Planned  map[string]string `json:"planned"`
	Secrets  []string          `json:"secrets,omitempty"` // names only
	Cluster  string            `json:"-"`
	Ports    []string          `json:"-"`
}

// Network is one network of the plan with its arithmetic.
type Network struct {
	Name    string   `json:"name"`
	VLAN    int      `json:"vlan,omitempty"`
	MTU     int      `json:"mtu,omitempty"`
	Subnets []Subnet `json:"subnets"`
	Taken   int      `json:"taken"` // addresses that ports, clusters and gateways have
}

// Subnet is one subnet of a network.
type Subnet struct {
	Prefix    string `json:"prefix"`
	Mask      string `json:"mask,omitempty"`
	First     string `json:"first"` // usable
	Last      string `json:"last"`
	Broadcast string `json:"broadcast,omitempty"`
	Usable    string `json:"usable"` // count; it may be larger than 64 bits
	Gateway   string `json:"gateway,omitempty"`
}

// Options say what a check looks at besides the profile.
type Options struct {
	// Secrets is the severity of a secret that cannot be had now.
	Secrets Severity
	// Dialogues stand in for those of the units whose kind has their name.
	Dialogues []string
	// Store opens secrets, so that their values are checked against the rules
	// of their kinds; nil: they are not read.
	Store func(*site.Site) *secret.Store
	// Rise and Altitude are those of sums.Options.
	Rise, Altitude float64
}

// Check reads a profile, makes the plan and its sums, and checks the dialogue
// of each unit against it. It opens no line. profile "" checks the dialogues
// alone.
func Check(profile string, o Options) Report {
	r := Report{Profile: profile, read: make(map[string]*script.Dialogue)}
	instead := make(map[string]string)
	for _, path := range o.Dialogues {
		if d := r.dialogue(path); d != nil {
			instead[d.Name] = path
		}
	}
	if profile != "" {
		r.profile(profile, o, instead)
	}
	r.Findings = worstFirst(r.Findings)
	r.Sound = len(r.Findings.Faults()) == 0
	return r
}

// dialogue checks a dialogue by itself, and tells its findings once.
func (r *Report) dialogue(path string) *script.Dialogue {
	if d, known := r.read[path]; known {
		return d
	}
	d, err := script.Load(path)
	if err != nil {
		r.fail(findingsOf(err))
		d = nil
	} else {
		r.Findings = append(r.Findings, findingsOfLint(append(script.Lint(d), steps.Check(d)...))...)
	}
	r.read[path] = d
	return d
}

func (r *Report) fail(err error) {
	var found Findings
	if !errors.As(err, &found) {
		found = Findings{{Severity: Error, What: err.Error()}}
	}
	r.Findings = append(r.Findings, found...)
}

func (r *Report) profile(path string, o Options, instead map[string]string) {
	s, err := site.Load(path)
	if err != nil {
		r.fail(findingsOf(err))
		return
	}
	r.Site = s.Title.Value
	if r.Site == "" {
		r.Site = s.Name.Value
	}
	p, problems := plan.Make(s)
	r.Findings = append(r.Findings, findingsOfPlan(problems)...)
	r.secrets(s, p, o)
	if p == nil {
		return
	}
	addLifting(p)
	r.Plan, r.Networks, r.Lock = p, networksOf(p), lockOf(s, p)
	for _, u := range p.Units {
		if other, ok := instead[u.Kind]; ok {
			u.Dialogue = other
		}
		r.Units = append(r.Units, unitCheck(u, u.Dialogue))
		r.unit(u)
	}
	worked, found := sums.Work(s, p, sums.Options{Rise: o.Rise, Altitude: o.Altitude, Dialogue: r.dialogue})
	r.Sums = &worked
	r.byHand(p)
	r.Findings = append(r.Findings, findingsOfPlan(found)...)
}

// secrets looks whether they can be had, and at their values where it may.
func (r *Report) secrets(s *site.Site, p *plan.Plan, o Options) {
	if o.Store == nil || p == nil {
		r.Findings = append(r.Findings, unresolved(s, o.Secrets)...)
		return
	}
	store := o.Store(s)
	position := make(map[string]script.Pos, len(s.Secrets))
	for _, x := range s.Secrets {
		position[x.Name.Value] = x.Pos
	}
	found := sums.Values(s, p, func(name string) (string, bool) {
		if asked(s.Secrets, name) {
			return "", false // a person types it at the run
		}
		value, err := store.Secret(name)
		if err != nil {
			r.Findings = append(r.Findings, at(position[name], o.Secrets, fmt.Sprintf("secret %q cannot be had: %v", name, bareSecret(err)), "the run could not type it", "see to it before the run"))
		}
		return value, err == nil
	})
	r.Findings = append(r.Findings, findingsOfPlan(found)...)
}

// bareSecret leaves out the name and the place, which the finding has.
func bareSecret(err error) error {
	if inner := errors.Unwrap(err); inner != nil {
		return inner
	}
	return err
}

// unit checks a unit's values against its dialogues. Equipment without a
// console may have none.
func (r *Report) unit(u *plan.Unit) {
	for _, path := range []string{u.Dialogue, u.SetUp, u.Proof} {
		if path == "" {
			continue
		}
		d := r.dialogue(path)
		if d == nil {
			continue
		}
		r.Findings = append(r.Findings, findingsOfLint(append(script.LintValues(d, u.Values), steps.CheckValues(d, u.Values)...))...)
		if path == u.Proof {
			r.Findings = append(r.Findings, changing(d)...)
		}
	}
}

func networksOf(p *plan.Plan) []Network {
	var out []Network
	for _, n := range p.Networks {
		one := Network{Name: n.Name, VLAN: n.VLAN, MTU: n.MTU, Taken: len(n.Holders)}
		for _, s := range n.Subnets {
			one.Subnets = append(one.Subnets, subnetOf(s, n.Holders))
		}
		out = append(out, one)
	}
	return out
}

func subnetOf(s plan.Subnet, holders []plan.Holder) Subnet {
	out := Subnet{Prefix: s.Prefix.String(), Mask: s.Mask, First: s.First.String(), Last: s.Last.String(), Usable: s.Usable.String()}
	if s.Broadcast.IsValid() {
		out.Broadcast = s.Broadcast.String()
	}
	for _, h := range holders {
		if s.Prefix.Contains(h.Address) && strings.HasPrefix(h.Who, "the gateway of network") {
			out.Gateway = h.Address.String()
		}
	}
	return out
}

func unitCheck(u *plan.Unit, dialogue string) UnitCheck {
	reach := u.Reach
	if u.SetUp == "" && u.Proof == "" {
		reach = ""
	}
	c := UnitCheck{SetUp: u.SetUp, Proof: u.Proof, Reach: reach, Name: u.Name, Kind: u.Kind, Serial: u.Serial, Dialogue: dialogue, Plan: u.SHA256, Planned: u.Planned, Secrets: u.Secrets}
	if cl, ok := u.Values["cluster"].(script.ClusterValues); ok && cl.Mode != "" && cl.Mode != "none" {
		c.Cluster = cl.Mode + " " + cl.Name
	}
	ports, _ := u.Values["ports"].([]script.PortValues)
	if unit, ok := u.Values["unit"].(script.UnitValues); ok && ports == nil {
		ports = unit.Ports
	}
	for _, p := range ports {
		text := p.Name + " " + p.CIDR
		if p.Gateway != "" {
			text += " by way of " + p.Gateway
		}
		c.Ports = append(c.Ports, text)
		if p.Address6 == "" {
			continue
		}
		text = p.Name + " " + p.CIDR6
		if p.Gateway6 != "" {
			text += " by way of " + p.Gateway6
		}
		c.Ports = append(c.Ports, text)
	}
	return c
}

// worstFirst orders findings by severity and drops what is said twice, as
// when two units share a dialogue.
func worstFirst(list Findings) Findings {
	out := Findings{}
	said := make(map[Finding]bool, len(list))
	for _, severity := range []Severity{Error, Warning, Note} {
		for _, f := range list.only(severity) {
			if !said[f] {
				said[f] = true
				out = append(out, f)
			}
		}
	}
	return out
}

// unresolved tells which references cannot be followed at this moment. It
// looks whether a secret is there, and does not read it.
func unresolved(s *site.Site, severity Severity) Findings {
	var out Findings
	vault := false
	for _, ref := range s.Secrets {
		what, mend := "", ""
		switch ref.Source {
		case site.FromEnv:
			if _, ok := os.LookupEnv(ref.Where); !ok {
				what, mend = fmt.Sprintf("the environment variable %s is not set", ref.Where), "set it before the run"
			}
		case site.FromFile:
			what, mend = fileFault(ref.Where)
		case site.FromVault:
			vault = true
		}
		if what != "" {
			out = append(out, at(ref.Pos, severity, fmt.Sprintf("secret %q: %s", ref.Name.Value, what), "the run could not type it", mend))
		}
	}
	if vault && s.Vault.Value != "" {
		if what, mend := fileFault(s.Vault.Value); what != "" {
			out = append(out, at(s.Vault.Pos, severity, "the vault: "+what, "the run could not type its secrets", mend))
		}
	}
	return out
}

func fileFault(path string) (what, mend string) {
	info, err := os.Stat(path)
	var pathError *fs.PathError
	switch {
	case errors.As(err, &pathError):
		return fmt.Sprintf("cannot look at the file %s: %v", path, pathError.Err), "put the secret there, in a file that only you can read"
	case !info.Mode().IsRegular():
		return fmt.Sprintf("%s is not a regular file", path), "name one"
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return fmt.Sprintf("the file %s can be read or changed by others (its mode is %04o)", path, info.Mode().Perm()), "run: chmod 600 " + path
	}
	return "", ""
}

func noDialogue(u *plan.Unit, profile string) Findings {
	return Findings{{Severity: Error, File: profile, What: fmt.Sprintf("kind %q of unit %q has no dialogue: its profile says that it has no console", u.Kind, u.Name), Mend: "name one with dialogue: under kinds:, or another unit"}}
}
