package sums

import (
	"fmt"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/plan"
	"linehand/script/site"
	"linehand/script/vault"
)

// Sources of the rules between secrets.
const (
	factorySource = "NIST SP 800-53 rev. 5 IA-5 e: change default authenticators prior to first use; ETSI EN 303 645 5.1: no universal default passwords"
	sharedSource  = "a secret that is known for one purpose opens the other; NIST SP 800-53 rev. 5 IA-5 g, common practice"
)

// purpose is one use of a secret, by reference.
type purpose struct {
	what    string // for people
	key     string // what makes two uses the same purpose
	secret  site.Text
	factory bool
}

// purposes lists every use of a secret in the profile: those from the
// factory, then roles, then joins.
func purposes(s *site.Site) []purpose {
	var all []purpose
	for _, k := range s.Kinds {
		if k.FactorySecret.Value != "" {
			all = append(all, purpose{"the factory sign-in of " + k.Name.Value, "factory", k.FactorySecret, true})
		}
	}
	role := func(of string, roles []site.Role) {
		for _, r := range roles {
			all = append(all, purpose{fmt.Sprintf("the role %s of %s", r.Name.Value, of), "role " + r.Name.Value, r.Secret, false})
		}
	}
	role("every unit", s.Roles)
	for _, k := range s.Kinds {
		role(k.Name.Value, k.Roles)
	}
	for i := range s.Units {
		role(s.Units[i].Name.Value, s.Units[i].Roles)
	}
	for _, c := range s.Clusters {
		if c.JoinSecret.Value != "" {
			all = append(all, purpose{"joining the cluster " + c.Name.Value, "join " + c.Name.Value, c.JoinSecret, false})
		}
	}
	return all
}

// secrets compares what secrets are referred to for. It knows no value: two
// references are the same when they have the same name or the same source.
func (w *work) secrets() {
	source := make(map[string]site.Secret, len(w.site.Secrets))
	for _, s := range w.site.Secrets {
		source[s.Name.Value] = s
	}
	same := func(name string) string {
		s, ok := source[name]
		if !ok || s.Source == site.FromAsk {
			return "name " + name
		}
		return string(s.Source) + " " + s.Where
	}
	first := make(map[string]purpose)
	for _, p := range purposes(w.site) {
		of := same(p.secret.Value)
		before, used := first[of]
		switch {
		case !used:
			first[of] = p
		case p.factory && before.factory || p.key == before.key:
		case before.factory:
			w.report(plan.Error, p.secret.Pos, fmt.Sprintf("the factory secret of a kind is planned for %s: secret %q is that of %s", p.what, p.secret.Value, before.what),
				factorySource, "list a secret of its own under secrets: and refer to that")
		case before.secret.Value != p.secret.Value:
			w.report(plan.Warning, source[p.secret.Value].Pos, fmt.Sprintf("one secret serves two purposes: %q, for %s, is to be had from the same place as %q, for %s", p.secret.Value, p.what, before.secret.Value, before.what),
				sharedSource, "keep another secret for one of the two")
		default:
			w.report(plan.Warning, p.secret.Pos, fmt.Sprintf("one secret serves two purposes: %q is for %s and, at %s, for %s", p.secret.Value, p.what, before.secret.Pos, before.what),
				sharedSource, "list another secret under secrets: and refer to that")
		}
	}
}

// RulesOf are what a kind's limits ask of a secret.
func RulesOf(l site.Limit) vault.Rules {
	r := vault.Rules{MinLen: l.Least, MaxLen: l.Most}
	if l.Letters.Value != "" {
		var b strings.Builder
		for c := rune(' '); c < 0x7f; c++ {
			if l.Letters.Allow(c) {
				b.WriteRune(c)
			}
		}
		r.Allowed = b.String()
	}
	return r
}

// Strictest are rules that a value passes only if it passes both.
func Strictest(a, b vault.Rules) vault.Rules {
	out := vault.Rules{MinLen: max(a.MinLen, b.MinLen), MaxLen: min(a.MaxLen, b.MaxLen), Allowed: a.Allowed, Multi: a.Multi && b.Multi}
	if a.MaxLen == 0 || b.MaxLen == 0 {
		out.MaxLen = max(a.MaxLen, b.MaxLen)
	}
	switch {
	case a.Allowed == "":
		out.Allowed = b.Allowed
	case b.Allowed != "":
		out.Allowed = strings.Map(func(c rune) rune {
			if strings.ContainsRune(b.Allowed, c) {
				return c
			}
			return -1
		}, a.Allowed)
	}
	for _, set := range slices.Concat(a.Need, b.Need) {
		if !slices.Contains(out.Need, set) {
			out.Need = append(out.Need, set)
		}
	}
	return out
}

// Wanted are the rules for one secret of a profile, from the kinds of all
// units that are to hold it, and where it is defined.
type Wanted struct {
	Name    string
	Pos     script.Pos
	Rules   vault.Rules
	Factory bool // it is a factory value itself: no rule holds for it
	Words   []string
}

// Secrets lists the secrets that the units of a plan refer to, sorted, each
// with its rules.
func Secrets(s *site.Site, p *plan.Plan) []Wanted {
	at := make(map[string]int)
	var out []Wanted
	for _, x := range s.Secrets {
		at[x.Name.Value] = len(out)
		out = append(out, Wanted{Name: x.Name.Value, Pos: x.Pos, Words: []string{p.Site.Name}})
	}
	for _, k := range s.Kinds {
		if i, ok := at[k.FactorySecret.Value]; ok {
			out[i].Factory = true
		}
	}
	used := make(map[string]bool)
	done := make(map[[2]string]bool)
	for _, u := range p.Units {
		for _, name := range u.Secrets {
			i, ok := at[name]
			if !ok || done[[2]string{u.Kind, name}] {
				continue
			}
			done[[2]string{u.Kind, name}] = true
			used[name] = true
			out[i].Rules = Strictest(out[i].Rules, RulesOf(u.Facts.Limits.Secret))
			out[i].Words = append(out[i].Words, u.Kind)
		}
	}
	out = slices.DeleteFunc(out, func(x Wanted) bool { return !used[x.Name] })
	slices.SortFunc(out, func(a, b Wanted) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// Values checks the values of a plan's secrets where somebody has opened
// them. No problem shows any of a value; a secret that value does not give is
// passed over.
func Values(s *site.Site, p *plan.Plan, value func(name string) (string, bool)) plan.Problems {
	wanted := Secrets(s, p)
	var factory []string
	others := make(map[string]string)
	for _, x := range wanted {
		text, ok := value(x.Name)
		switch {
		case !ok:
		case x.Factory:
			factory = append(factory, text)
		default:
			others[x.Name] = text
		}
	}
	w := &work{site: s, plan: p}
	for _, x := range wanted {
		text, ok := others[x.Name]
		if !ok || x.Factory {
			continue
		}
		for _, f := range x.Rules.Check(text, vault.Context{Name: x.Name, Factory: factory, Others: others, Words: x.Words}) {
			w.report(plan.Severity(f.Severity), x.Pos, "secret "+f.What, f.Why, f.Mend)
		}
	}
	return w.inOrder()
}
