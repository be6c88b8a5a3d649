package plan

import (
	"cmp"
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
	"linehand/script/site"
)

// checker goes over one site and gathers what is wrong with it.
type checker struct {
	s        *site.Site
	problems Problems

	network map[string]*site.Network
	cluster map[string]*site.Cluster
	kind    map[string]*site.Kind
	secret  map[string]bool
	rack    map[string]*site.Rack
	feed    map[string]*site.Feed
	known   struct{ networks, clusters, kinds, secrets, racks, feeds []string }

	members map[string][]*site.Unit // by cluster
	holder  map[netip.Addr]holder
	server  map[netip.Addr]holder
	frame   map[string]frame // what the ports of a network say first

	unitByName map[string]*site.Unit // by folded name, made when first asked for
	requests   []request
	allotted   map[*site.Text]netip.Addr
}

// holder is who has an address, for people.
type holder struct {
	who string
	pos script.Pos
}

func newChecker(s *site.Site) *checker {
	c := &checker{
		s: s, network: make(map[string]*site.Network, len(s.Networks)), cluster: make(map[string]*site.Cluster, len(s.Clusters)),
		kind: make(map[string]*site.Kind, len(s.Kinds)), secret: make(map[string]bool, len(s.Secrets)),
		members: make(map[string][]*site.Unit), holder: make(map[netip.Addr]holder, 4*len(s.Units)), server: make(map[netip.Addr]holder),
		rack: make(map[string]*site.Rack, len(s.Racks)), feed: make(map[string]*site.Feed, len(s.Feeds)),
		frame: make(map[string]frame, len(s.Networks)), allotted: make(map[*site.Text]netip.Addr),
	}
	for i := range s.Networks {
		c.network[s.Networks[i].Name.Value] = &s.Networks[i]
		c.known.networks = append(c.known.networks, s.Networks[i].Name.Value)
	}
	for i := range s.Clusters {
		c.cluster[s.Clusters[i].Name.Value] = &s.Clusters[i]
		c.known.clusters = append(c.known.clusters, s.Clusters[i].Name.Value)
	}
	for i := range s.Kinds {
		c.kind[s.Kinds[i].Name.Value] = &s.Kinds[i]
		c.known.kinds = append(c.known.kinds, s.Kinds[i].Name.Value)
	}
	for i := range s.Racks {
		c.rack[s.Racks[i].Name.Value] = &s.Racks[i]
		c.known.racks = append(c.known.racks, s.Racks[i].Name.Value)
	}
	for i := range s.Feeds {
		c.feed[s.Feeds[i].Name.Value] = &s.Feeds[i]
		c.known.feeds = append(c.known.feeds, s.Feeds[i].Name.Value)
	}
	for _, x := range s.Secrets {
		c.secret[x.Name.Value] = true
		c.known.secrets = append(c.known.secrets, x.Name.Value)
	}
	return c
}

func (c *checker) report(severity Severity, pos script.Pos, what, why, mend string) {
	c.problems = append(c.problems, Problem{severity, pos, what, why, mend})
}

// inOrder sorts by layer and place.
func (c *checker) inOrder() Problems {
	layer := make(map[string]int, len(c.s.Files))
	for i, f := range c.s.Files {
		layer[f] = i
	}
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(layer[a.Pos.File], layer[b.Pos.File]), cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column))
	})
	return c.problems
}

// unknown reports a name that refers to nothing.
func (c *checker) unknown(what string, said site.Text, known []string) {
	mend := fmt.Sprintf("write one of %s, or add it", few(known))
	if len(known) == 0 {
		mend = "add it to the profile"
	}
	if near, ok := yamlwalk.Nearest(said.Value, known); ok {
		mend = fmt.Sprintf("did you mean %q?", near)
	}
	c.report(Error, said.Pos, fmt.Sprintf("the profile has no %s %q", what, said.Value), "", mend)
}

// secretRef reports a reference to a secret that is not there. It does not
// show what was written: it may be the secret itself.
func (c *checker) secretRef(said site.Text) {
	if said.Value == "" || c.secret[said.Value] {
		return
	}
	mend := "write one of " + few(c.known.secrets) + "."
	if len(c.known.secrets) == 0 {
		mend = "list it under secrets:."
	}
	if near, ok := yamlwalk.Nearest(said.Value, c.known.secrets); ok {
		mend = fmt.Sprintf("did you mean %q?", near)
	}
	c.report(Error, said.Pos, "the profile has no secret of the name written here", "", mend+" A secret itself never stands in a profile")
}

func (c *checker) roles(roles []site.Role) {
	for _, r := range roles {
		c.secretRef(r.Secret)
	}
}

// names checks what stands by itself at the top.
func (c *checker) names() {
	c.hostName("domain", c.s.Domain)
	c.servers(c.s.DNS)
	c.servers(c.s.NTP)
	c.servers([]site.Text{c.s.Log})
	c.roles(c.s.Roles)
	for _, x := range c.s.Secrets {
		if x.Source == site.FromVault && c.s.Vault.Value == "" {
			c.report(Error, x.Pos, fmt.Sprintf("secret %q is to be had from a vault, and the profile names none", x.Name.Value), "", "write vault: with the vault's file at the top of the profile")
		}
	}
}

func (c *checker) hostName(called string, said site.Text) {
	if said.Value == "" {
		return
	}
	if fault := hostNameFault(said.Value); fault != "" {
		c.report(Error, said.Pos, fmt.Sprintf("%q cannot be a %s: %s", said.Value, called, fault), hostNameSource, "write letters, digits and inner hyphens")
	}
}

// servers checks names and addresses of servers; every unit is to reach them.
func (c *checker) servers(said []site.Text) {
	for _, t := range said {
		if t.Value == "" {
			continue
		}
		if a, err := netip.ParseAddr(t.Value); err == nil {
			if c.special(a, t.Pos) {
				continue
			}
			if _, said := c.server[a]; !said {
				c.server[a] = holder{"a server that units are to reach", t.Pos}
			}
		} else {
			c.hostName("server's name", t)
		}
	}
}

// special reports an address that no host may have. Documentation blocks are
// told once for each network, not here.
func (c *checker) special(a netip.Addr, pos script.Pos) (refused bool) {
	s, ok := specialOf(a)
	if !ok || s.severity == "" {
		return false
	}
	severity, mend := s.severity, "take an address that hosts use"
	if severity == Note {
		if c.demonstration() || c.otherNetwork(a) != "" {
			return false
		}
		severity, mend = Error, realOnes
	}
	c.report(severity, pos, fmt.Sprintf("%s is %s address (%s)", a, article(s.name), s.block), s.source, mend)
	return severity == Error
}

func article(name string) string {
	switch name[0] {
	case 'a', 'e', 'i', 'I', 'o', 'O', 'u':
		if name == "unique local" {
			return "a " + name
		}
		return "an " + name
	}
	return "a " + name
}

// claim gives an address to a holder, or reports who has it already.
func (c *checker) claim(a netip.Addr, who string, pos script.Pos) {
	if first, taken := c.holder[a]; taken {
		c.report(Error, pos, fmt.Sprintf("%s is taken twice: by %s and, at %s, by %s", a, who, first.pos, first.who), "", "give one of the two another address")
		return
	}
	c.holder[a] = holder{who, pos}
	if s, ok := c.server[a]; ok && !strings.HasPrefix(who, "the gateway") {
		c.report(Warning, pos, fmt.Sprintf("%s, the address of %s, is also that of %s, at %s", a, who, s.who, s.pos), "", "give it another address, unless it is that server")
	}
}

func (c *checker) kinds() {
	for i := range c.s.Kinds {
		c.secretRef(c.s.Kinds[i].FactorySecret)
		c.roles(c.s.Kinds[i].Roles)
		c.afterwards(&c.s.Kinds[i])
	}
}
