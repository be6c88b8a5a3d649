package draft

import (
	"maps"
	"regexp"
	"slices"
	"strings"
)

var (
	againWords = regexp.MustCompile(`(?i)again|once more|retype|repeat|confirm|verify|re-enter`)
	newWords   = regexp.MustCompile(`(?i)\bnew\b|chang|set a|choose`)
	oldWords   = regexp.MustCompile(`(?i)current|old|present|factory`)
	joinWords  = regexp.MustCompile(`(?i)join|cluster|member|group`)
)

// secretTyped finds out which secret a hidden answer was, by what is asked
// and by what came before.
func (m *maker) secretTyped(it *item) {
	role := m.newRole(it.raw)
	last := m.lastSecret()
	switch {
	case oldWords.MatchString(it.raw):
		it.secret, it.class = "factory.secret", secrets
	case againWords.MatchString(it.raw) && last != nil:
		it.secret, it.class = last.secret, last.class
	case joinWords.MatchString(it.raw) && m.secrets["join"].Name != "":
		it.secret, it.class = "secret.join", cluster
	case m.user && m.typed[role]:
		it.secret, it.class = "secret."+role, signIn
	case m.user && m.factory.Secret.Name != "":
		it.secret, it.class = "factory.secret", signIn
	case role != "":
		it.secret, it.class = "secret."+role, secrets
		m.typed[role] = true
	default:
		it.secret, it.class = "secret.NAME", secrets
	}
	m.doubtSecret(it, role, last)
	it.ans = answer{template: secretTemplate(it.secret), port: m.port}
}

// shownSecret is where a unit showed a secret that the record knows by name.
var shownSecret = regexp.MustCompile(`^‹secret (.+)›$`)

// secretShown is for a unit that shows what should be hidden.
func (m *maker) secretShown(it *item, name string) {
	it.secret, it.class, it.echo = "secret."+name, secrets, "none"
	if name == m.factory.Secret.Name {
		it.secret, it.class = "factory.secret", signIn
	}
	for _, role := range slices.Sorted(maps.Keys(m.secrets)) {
		if m.secrets[role].Name == name && role != name {
			it.secret = "secret." + role
			m.typed[role] = true
		}
	}
	if _, planned := m.secrets[name]; !planned && it.secret == "secret."+name {
		it.secret = "factory.secret"
		it.mark("the record calls this secret %q, which the plan does not have: name it", name)
	}
	it.ans = answer{template: secretTemplate(it.secret), port: m.port}
	it.mark("the unit showed this secret on the screen as it was typed")
}

// doubtSecret marks where more than one secret may be meant.
func (m *maker) doubtSecret(it *item, role string, last *item) {
	switch {
	case it.secret == "secret.NAME":
		it.secret = "factory.secret"
		it.mark("something hidden was typed, and the plan gives this unit no secret that fits: name it")
	case it.class == secrets && it.secret == "secret."+role && !newWords.MatchString(it.raw) && !againWords.MatchString(it.raw):
		it.mark("a hidden answer taken for the secret %q: is it that?", role)
	case againWords.MatchString(it.raw) && last == nil:
		it.mark("this asks for a secret a second time, and the first time is not in the record")
	}
}

func secretTemplate(name string) string { return "${" + name + "}" }

// lastSecret is the item before when it was hidden.
func (m *maker) lastSecret() *item {
	if n := len(m.items); n > 0 && m.items[n-1].secret != "" {
		return m.items[n-1]
	}
	return nil
}

// newRole is the role of the secret that a unit is given: the one that the
// prompt names, else the administrator's, else the only one.
func (m *maker) newRole(prompt string) string {
	var roles []string
	for role, ref := range m.secrets {
		if role != "join" && role != ref.Name {
			roles = append(roles, role)
		}
	}
	slices.Sort(roles)
	for _, role := range roles {
		if strings.Contains(strings.ToLower(prompt), strings.ToLower(role)) {
			return role
		}
	}
	if slices.Contains(roles, "admin") {
		return "admin"
	}
	if len(roles) > 0 {
		return roles[0]
	}
	return ""
}
