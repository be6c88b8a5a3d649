package station

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"slices"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/site"
)

// Report is what a check without a unit has found.
type Report struct {
	Profile  string      `json:"profile,omitempty"`
	Site     string      `json:"site,omitempty"`
	Sound    bool        `json:"sound"` // a run may begin
	Findings Findings    `json:"findings"`
	Units    []UnitCheck `json:"units"`
}

// UnitCheck is the plan of one unit, without secrets.
type UnitCheck struct {
	Name     string            `json:"name"`
	Kind     string            `json:"kind"`
	Serial   string            `json:"serial,omitempty"`
	Dialogue string            `json:"dialogue,omitempty"`
	Plan     string            `json:"plan_sha256"`
	Planned  map[string]string `json:"planned"`
	Secrets  []string          `json:"secrets,omitempty"` // names only
	Cluster  string            `json:"-"`
	Ports    []string          `json:"-"`
}

// Check reads a profile, makes the plan, and checks the dialogue of each unit
// against it. It opens no line and reads no secret; secrets that could not be
// had now are findings of the given severity. Dialogues that are given stand
// in for those of the units whose kind has their name.
func Check(profile string, secrets Severity, dialogues ...string) Report {
	r := Report{Profile: profile}
	instead := make(map[string]string)
	for _, path := range dialogues {
		if d := r.dialogue(path); d != nil {
			instead[d.Name] = path
		}
	}
	if profile != "" {
		r.profile(profile, secrets, instead)
	}
	r.Findings = worstFirst(r.Findings)
	r.Sound = len(r.Findings.Faults()) == 0
	return r
}

// dialogue checks a dialogue by itself.
func (r *Report) dialogue(path string) *script.Dialogue {
	d, err := script.Load(path)
	if err != nil {
		r.fail(findingsOf(err))
		return nil
	}
	r.Findings = append(r.Findings, findingsOfLint(script.Lint(d))...)
	return d
}

func (r *Report) fail(err error) {
	var found Findings
	if !errors.As(err, &found) {
		found = Findings{{Severity: Error, What: err.Error()}}
	}
	r.Findings = append(r.Findings, found...)
}

func (r *Report) profile(path string, secrets Severity, instead map[string]string) {
	s, err := site.Load(path)
	if err != nil {
		r.fail(findingsOf(err))
		return
	}
	r.Site = s.Title.Value
	if r.Site == "" {
		r.Site = s.Name.Value
	}
	r.Findings = append(r.Findings, unresolved(s.Secrets, secrets)...)
	p, problems := plan.Make(s)
	r.Findings = append(r.Findings, findingsOfPlan(problems)...)
	if p == nil {
		return
	}
	for _, u := range p.Units {
		file := u.Dialogue
		if other, ok := instead[u.Kind]; ok {
			file = other
		}
		r.Units = append(r.Units, unitCheck(u, file))
		r.unit(u, file)
	}
}

func (r *Report) unit(u *plan.Unit, file string) {
	if file == "" {
		return // equipment without a console, such as an outlet strip
	}
	if d := r.dialogue(file); d != nil {
		r.Findings = append(r.Findings, findingsOfLint(script.LintValues(d, u.Values))...)
	}
}

func unitCheck(u *plan.Unit, dialogue string) UnitCheck {
	c := UnitCheck{Name: u.Name, Kind: u.Kind, Serial: u.Serial, Dialogue: dialogue, Plan: u.SHA256, Planned: u.Planned, Secrets: u.Secrets}
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
	}
	return c
}

// worstFirst orders findings by severity and drops what is said twice, as
// when two units share a dialogue.
func worstFirst(list Findings) Findings {
	out := Findings{}
	for _, severity := range []Severity{Error, Warning, Note} {
		for _, f := range list.only(severity) {
			if !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	return out
}

// unresolved tells which references cannot be followed at this moment. It
// looks whether a secret is there, and does not read it.
func unresolved(refs []site.Secret, severity Severity) Findings {
	var out Findings
	for _, ref := range refs {
		what, mend := "", ""
		switch ref.Source {
		case site.FromEnv:
			if _, ok := os.LookupEnv(ref.Where); !ok {
				what, mend = fmt.Sprintf("the environment variable %s is not set", ref.Where), "set it before the run"
			}
		case site.FromFile:
			what, mend = fileFault(ref.Where)
		}
		if what != "" {
			out = append(out, at(ref.Pos, severity, fmt.Sprintf("secret %q: %s", ref.Name.Value, what), "the run could not type it", mend))
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
