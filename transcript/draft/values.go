package draft

import (
	"fmt"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"linehand/script"
)

// value is one that the plan has, and how a dialogue names it.
type value struct {
	text  string
	expr  string
	kind  script.ValueKind
	words []string // of which one should stand beside it
	needs bool     // without such a word it may stand there by chance
	port  string
}

// known are a unit's values, the likelier meaning of a text first.
type known struct {
	list    []value
	ports   []script.PortValues
	cluster script.ClusterValues
	factory script.FactoryValues
	secrets map[string]script.SecretRef
}

func knownOf(u Unit) *known {
	k := &known{}
	unit, _ := u.Values["unit"].(script.UnitValues)
	site, _ := u.Values["site"].(script.SiteValues)
	k.cluster, _ = u.Values["cluster"].(script.ClusterValues)
	k.factory, _ = u.Values["factory"].(script.FactoryValues)
	k.secrets, _ = u.Values["secret"].(map[string]script.SecretRef)
	k.ports = unit.Ports
	k.add(unit.Name, "unit.name", script.AsName, false, "", "name", "host", "unit")
	k.add(unit.Serial, "unit.serial", script.AsText, false, "", "serial")
	for i, p := range unit.Ports {
		k.port(p, i == 0)
	}
	k.add(k.cluster.Name, "cluster.name", script.AsName, false, "", "cluster", "group", "pool")
	k.add(k.cluster.Address, "cluster.address", script.AsAddress, false, "", "cluster", "shared", "virtual")
	k.add(site.TimeZone, "site.time_zone", script.AsText, false, "", "zone", "time")
	k.add(site.Log, "site.log", script.AsAddress, false, "", "log", "server")
	if _, err := netip.ParseAddr(site.Log); err != nil && site.Log != "" {
		k.list[len(k.list)-1].kind = script.AsName
	}
	for i, a := range site.DNS {
		k.add(a, fmt.Sprintf("site.dns[%d]", i), script.AsAddress, false, "", "dns", "name server", "resolver")
	}
	for i, a := range site.NTP {
		k.add(a, fmt.Sprintf("site.ntp[%d]", i), script.AsAddress, false, "", "ntp", "time")
	}
	k.add(site.Domain, "site.domain", script.AsName, false, "", "domain")
	k.add(k.factory.User, "factory.user", script.AsText, true, "", "login", "user", "sign", "account", "name")
	return k
}

func (k *known) port(p script.PortValues, first bool) {
	at := "ports." + p.Name
	if !plainName.MatchString(p.Name) {
		at = "ports[" + strconv.Quote(p.Name) + "]"
	}
	if first {
		at = "port"
	}
	k.add(p.CIDR, at+".cidr", script.AsText, false, p.Name, "address")
	k.add(p.Address, at+".address", script.AsAddress, false, p.Name, "address", "ip")
	k.add(p.Mask, at+".mask", script.AsMask, false, p.Name, "mask", "subnet")
	k.add(p.Gateway, at+".gateway", script.AsAddress, false, p.Name, "gateway", "router", "route")
	k.number(p.Prefix, at+".prefix", p.Name, "prefix", "bits", "length", "mask")
	k.number(p.VLAN, at+".vlan", p.Name, "vlan")
	k.number(p.MTU, at+".mtu", p.Name, "mtu", "frame")
	k.add(p.Network.Name, at+".network.name", script.AsName, true, p.Name, "name", "network", "vlan")
}

var plainName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

func (k *known) add(text, expr string, kind script.ValueKind, needs bool, port string, words ...string) {
	if text != "" {
		k.list = append(k.list, value{text, expr, kind, words, needs, port})
	}
}

func (k *known) number(n int, expr, port string, words ...string) {
	if n != 0 {
		k.add(strconv.Itoa(n), expr, script.AsNumber, true, port, words...)
	}
}

// meanings are the values that a text may be, the likeliest first. beside is
// what stands by it: the prompt, or the words before it.
func (k *known) meanings(text, beside, port string) []value {
	type scored struct {
		value
		score int
	}
	var found []scored
	beside = strings.ToLower(beside)
	for _, v := range k.list {
		if !same(v, text) {
			continue
		}
		s := scored{value: v}
		for _, w := range v.words {
			if strings.Contains(beside, w) {
				s.score += 4
				break
			}
		}
		if v.needs && s.score == 0 {
			continue
		}
		if port != "" && v.port == port {
			s.score += 2
		}
		found = append(found, s)
	}
	slices.SortStableFunc(found, func(a, b scored) int { return b.score - a.score })
	list := make([]value, len(found))
	for i, s := range found {
		list[i] = s.value
	}
	return list
}

// same compares as the value's kind is compared.
func same(v value, text string) bool {
	if v.kind == script.AsAddress {
		a, err1 := netip.ParseAddr(v.text)
		b, err2 := netip.ParseAddr(text)
		return err1 == nil && err2 == nil && a == b || v.text == text
	}
	return v.text == text
}

// answer is a line that was typed, as a dialogue says it.
type answer struct {
	template string
	exprs    []string // what else the whole of it may mean, the likeliest first
	port     string   // that it is about
	values   []value
	literal  bool // no value of the plan is in it
}

var token = regexp.MustCompile(`[^\s=,;"']+`)

// recognise finds the plan's values in an answer.
func (k *known) recognise(text, prompt, port string) answer {
	a := answer{port: port}
	if p := k.portNamed(prompt); p != "" {
		a.port = p
	}
	if whole := k.meanings(text, prompt, a.port); len(whole) > 0 {
		a.template, a.values = "${"+whole[0].expr+"}", whole[:1]
		for _, v := range whole {
			a.exprs = append(a.exprs, "${"+v.expr+"}")
		}
		if whole[0].port != "" {
			a.port = whole[0].port
		}
		return a
	}
	k.command(&a, text)
	return a
}

// portNamed is the port that a text names.
func (k *known) portNamed(text string) string {
	for _, w := range token.FindAllString(text, -1) {
		w = strings.Trim(w, "[]():?.")
		for _, p := range k.ports {
			if p.Name == w {
				return w
			}
		}
	}
	return ""
}

// command finds values among the words of an answer.
func (k *known) command(a *answer, text string) {
	if p := k.portNamed(text); p != "" {
		a.port = p
	} else if strings.ContainsAny(text, " =") {
		a.port = k.portOf(text, a.port)
	}
	var out strings.Builder
	at := 0
	before := ""
	for _, span := range token.FindAllStringIndex(text, -1) {
		word := text[span[0]:span[1]]
		out.WriteString(escape(text[at:span[0]]))
		out.WriteString(k.word(a, word, before))
		at, before = span[1], word
	}
	out.WriteString(escape(text[at:]))
	a.template, a.literal = out.String(), len(a.values) == 0
}

// portOf is the port whose address stands in a text.
func (k *known) portOf(text, otherwise string) string {
	for _, w := range token.FindAllString(text, -1) {
		for _, v := range k.list {
			if v.port != "" && (strings.HasSuffix(v.expr, ".address") || strings.HasSuffix(v.expr, ".cidr")) && same(v, w) {
				return v.port
			}
		}
	}
	return otherwise
}

func (k *known) word(a *answer, word, before string) string {
	if rest, ok := strings.CutPrefix(word, "/"); ok {
		if found := k.meanings(rest, "prefix", a.port); len(found) > 0 {
			a.values = append(a.values, found[0])
			return "/${" + found[0].expr + "}"
		}
	}
	if len(word) < 3 && digits.FindString(word) != word {
		return escape(word)
	}
	found := k.meanings(word, before, a.port)
	if len(found) == 0 {
		return escape(word)
	}
	a.values = append(a.values, found[0])
	return "${" + found[0].expr + "}"
}

// escape keeps a text from being taken for an expression.
func escape(text string) string { return strings.ReplaceAll(text, "${", "$${") }

// looksPlanned tells whether a text looks like something a plan should have.
func looksPlanned(text string) bool {
	for _, w := range token.FindAllString(text, -1) {
		if _, err := netip.ParseAddr(w); err == nil {
			return true
		}
		if _, err := netip.ParsePrefix(w); err == nil {
			return true
		}
	}
	return false
}
