// Package station prepares a unit's run and plays it: the site profile, its
// plan and the dialogues are read and checked, the secrets are fetched, the
// line is opened and the session record begun, in that order, so that a fault
// in any of them is told before anything is sent.
//
// It adds no rule of its own to those of the packages below it, and knows
// neither a terminal nor a page. The caller gives it a context for each run;
// no goroutine of it outlives Play.
package station

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/plan/sums"
	"linehand/script/site"
	"linehand/script/steps"
)

// Sheet is the worksheet of a site: its profile and the plan made of it.
type Sheet struct {
	File   string // the profile, as it was named
	SHA256 string // of the bytes of all its files, the lowest layer first
	Site   *site.Site
	Plan   *plan.Plan

	// Warnings and notes of the plan; what is worse is an error of ReadSheet.
	Problems plan.Problems

	// dialogue reads a dialogue by its path in the plan.
	dialogue func(path string) (*script.Dialogue, error)
}

// ReadSheet reads a profile from its layers, the lowest first, and makes the
// plan. An error is of type Findings: everything that is wrong.
func ReadSheet(paths ...string) (*Sheet, error) {
	s, err := site.Load(paths...)
	if err != nil {
		return nil, findingsOf(err)
	}
	p, problems := plan.Make(s)
	if p == nil {
		return nil, findingsOfPlan(problems)
	}
	addLifting(p)
	sheet := &Sheet{File: paths[len(paths)-1], Site: s, Plan: p, Problems: problems, dialogue: readOnce()}
	if sheet.SHA256, err = digest(s.Files); err != nil {
		return nil, err
	}
	return sheet, nil
}

// readOnce reads each dialogue once: a sheet is as its files were when it was
// read, also where a bench plays by it for days, and a site may have thousands
// of units of one kind.
func readOnce() func(path string) (*script.Dialogue, error) {
	var mu sync.Mutex
	known := make(map[string]*script.Dialogue)
	return func(path string) (*script.Dialogue, error) {
		mu.Lock()
		defer mu.Unlock()
		if d := known[path]; d != nil {
			return d, nil
		}
		d, err := script.Load(path)
		if err == nil {
			known[path] = d
		}
		return d, err
	}
}

// addLifting gives each unit's values what the sums say about lifting it.
func addLifting(p *plan.Plan) {
	lifting := sums.LiftingOf(p, sums.Options{})
	for _, u := range p.Units {
		u.Values["lift"] = lifting[u.Name]
	}
}

func digest(files []string) (string, error) {
	h := sha256.New()
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			return "", fmt.Errorf("read a site profile: %w", err)
		}
		h.Write(data)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Unit finds a unit of the plan; the error suggests the nearest name.
func (s *Sheet) Unit(name string) (*plan.Unit, error) {
	u, err := s.Plan.Unit(name)
	if err != nil {
		return nil, Findings{{Severity: Error, File: s.File, What: err.Error(), Mend: "name a unit as the profile writes it"}}
	}
	return u, nil
}

// Dialogue reads the dialogue of a unit and checks it, by itself and against
// the unit's values. A fault is an error of type Findings; warnings are
// returned with the dialogue.
func (s *Sheet) Dialogue(u *plan.Unit) (*script.Dialogue, Findings, error) {
	return s.DialogueFrom(u, u.Dialogue)
}

// SetUp is Dialogue for what is set up after the first boot; nil where the
// unit's kind names none.
func (s *Sheet) SetUp(u *plan.Unit) (*script.Dialogue, Findings, error) {
	if u.SetUp == "" {
		return nil, nil, nil
	}
	return s.DialogueFrom(u, u.SetUp)
}

// Proof is Dialogue for the proof that everything holds, which may only look;
// nil where the unit's kind names none.
func (s *Sheet) Proof(u *plan.Unit) (*script.Dialogue, Findings, error) {
	if u.Proof == "" {
		return nil, nil, nil
	}
	d, found, err := s.DialogueFrom(u, u.Proof)
	if err != nil {
		return nil, nil, err
	}
	if faults := changing(d); len(faults) > 0 {
		return nil, nil, faults
	}
	return d, found, nil
}

// changing are the stages of a proof that do not say that they only look.
func changing(d *script.Dialogue) Findings {
	var out Findings
	for _, stage := range d.Stages {
		if !stage.Looks {
			out = append(out, at(stage.Pos, Error, fmt.Sprintf("the stage %q of a proof does not say that it only looks", stage.Name),
				"a proof changes nothing: what it finds is what was handed over", "write looks: true in it, or move it to the set-up"))
		}
	}
	return out
}

// DialogueFrom is Dialogue with another file than the profile names.
func (s *Sheet) DialogueFrom(u *plan.Unit, path string) (*script.Dialogue, Findings, error) {
	if path == "" {
		return nil, nil, noDialogue(u, s.File)
	}
	d, err := s.dialogue(path)
	if err != nil {
		return nil, nil, findingsOf(err)
	}
	found := findingsOfLint(slices.Concat(script.Lint(d), steps.Check(d), script.LintValues(d, u.Values), steps.CheckValues(d, u.Values)))
	if len(found.Faults()) > 0 {
		return nil, nil, found.Faults()
	}
	return d, found, nil
}

// Embedded reads a sheet out of files that a program carries with it. They
// are laid out in a folder of their own while they are read; name is what
// messages and records call them.
func Embedded(files interface {
	ReadFile(string) ([]byte, error)
}, list []string, profile, name string) (*Sheet, error) {
	dir, err := os.MkdirTemp("", "linehand-site-")
	if err != nil {
		return nil, fmt.Errorf("lay out the %s: %w", name, err)
	}
	defer os.RemoveAll(dir)
	for _, file := range list {
		data, err := files.ReadFile(file)
		if err == nil {
			err = writeFile(filepath.Join(dir, filepath.FromSlash(file)), data)
		}
		if err != nil {
			return nil, fmt.Errorf("lay out the %s: %w", name, err)
		}
	}
	sheet, err := ReadSheet(filepath.Join(dir, filepath.FromSlash(profile)))
	if err != nil {
		return nil, err
	}
	sheet.File = name
	sheet.dialogue = func(path string) (*script.Dialogue, error) {
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return nil, err
		}
		data, err := files.ReadFile(filepath.ToSlash(rel))
		if err != nil {
			return nil, fmt.Errorf("read dialogue: %w", err)
		}
		return script.Parse(filepath.ToSlash(rel), data)
	}
	return sheet, nil
}

func writeFile(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	return os.WriteFile(path, data, 0o600)
}

// SecretsOf lists the secrets that a run of the dialogues types, by the names
// that the profile has for them, sorted. A nil dialogue types none.
func SecretsOf(u *plan.Unit, dialogues ...*script.Dialogue) []string {
	var names []string
	for _, d := range dialogues {
		if d != nil {
			names = append(names, typed(u, d)...)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// VisitSecrets lists the secrets that a whole visit types: those of its
// dialogues, and the one that signs in over SSH where a dialogue is played
// over it.
func VisitSecrets(u *plan.Unit, first, setUp, proof *script.Dialogue) []string {
	names := SecretsOf(u, first, setUp, proof)
	if u.Reach == site.OverSSH && (setUp != nil || proof != nil) && u.SSH.Secret != "" {
		names = append(names, u.SSH.Secret)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func typed(u *plan.Unit, d *script.Dialogue) []string {
	var names []string
	refs, _ := u.Values["secret"].(map[string]script.SecretRef)
	for _, name := range d.SecretNames() {
		// A name that the plan does not supply stands in a stage that this
		// unit does not need: LintValues has seen to that.
		if ref, ok := refs[name]; ok && ref.Name != "" {
			names = append(names, ref.Name)
		}
	}
	if factory, ok := u.Values["factory"].(script.FactoryValues); ok && factory.Secret.Name != "" && typesFactorySecret(d) {
		names = append(names, factory.Secret.Name)
	}
	return names
}

func typesFactorySecret(d *script.Dialogue) bool {
	for i := range d.Stages {
		for j := range d.Stages[i].Exchanges {
			a := d.Stages[i].Exchanges[j].Answer
			if a == nil {
				continue
			}
			for _, expr := range a.Exprs() {
				if bytes.Contains([]byte(expr), []byte("factory.secret")) {
					return true
				}
			}
		}
	}
	return false
}

// ErrInput is what every error about a file that a person wrote wraps.
var ErrInput = errors.New("a fault in an input file")
