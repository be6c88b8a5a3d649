package plan

import (
	"fmt"
	"net/netip"

	"linehand/script"
	"linehand/script/site"
)

// roads are how a unit gets to an address: the subnets that it has a port in,
// and a gateway of each kind.
type roads struct {
	subnets   []netip.Prefix
	four, six bool
}

func (r *roads) reach(a netip.Addr) bool {
	for _, p := range r.subnets {
		if p.Contains(a) {
			return true
		}
	}
	return a.Is4() && r.four || a.Is6() && r.six
}

func (c *checker) roadsOf(u *site.Unit) (r roads, known bool) {
	for i := range u.Ports {
		p := &u.Ports[i]
		n := c.network[p.Network.Value]
		if n == nil {
			return r, false // told already
		}
		r.subnets = append(r.subnets, n.Prefix)
		gateway := literal(p.Gateway)
		if !gateway.IsValid() {
			gateway = literal(n.Gateway)
		}
		r.four = r.four || gateway.Is4()
		r.six = r.six || gateway.Is6()
		if p.Address6.Value != "" && n.Prefix6.IsValid() {
			r.subnets = append(r.subnets, n.Prefix6)
			r.six = r.six || n.Gateway6.Value != ""
		}
	}
	return r, len(u.Ports) > 0
}

// serverList is one list of servers of the profile and who uses it.
type serverList struct {
	called string
	said   []site.Text
	users  []int // units, as numbers in the profile
}

// reach checks that the servers which the profile gives by address can be
// reached by plan: in a subnet of the unit, or through a gateway. A list of
// both kinds of address is enough when one of it can be reached.
func (c *checker) reach() {
	all := make([]roads, len(c.s.Units))
	known := make([]bool, len(c.s.Units))
	for i := range c.s.Units {
		all[i], known[i] = c.roadsOf(&c.s.Units[i])
	}
	for _, l := range c.serverLists(known) {
		c.reachList(l, all)
	}
	if len(c.s.DNS) == 0 && c.s.Log.Value != "" && !literal(c.s.Log).IsValid() && !c.anyDNS() {
		c.report(Warning, c.s.Log.Pos, fmt.Sprintf("the log server is named, %s, but there is no DNS server to ask for its address", c.s.Log.Value), "", "write dns:, or the log server's address")
	}
}

func (c *checker) anyDNS() bool {
	for i := range c.s.Networks {
		if len(c.s.Networks[i].DNS) > 0 {
			return true
		}
	}
	return false
}

// serverLists gathers the lists and their users: a unit uses those of the
// networks of its ports, and the site's where a network has none.
func (c *checker) serverLists(known []bool) []*serverList {
	var lists []*serverList
	at := map[script.Pos]*serverList{}
	use := func(called string, said []site.Text, unit int) {
		if len(said) == 0 || said[0].Value == "" {
			return
		}
		l := at[said[0].Pos]
		if l == nil {
			l = &serverList{called: called, said: said}
			at[said[0].Pos] = l
			lists = append(lists, l)
		}
		if len(l.users) == 0 || l.users[len(l.users)-1] != unit {
			l.users = append(l.users, unit)
		}
	}
	either := func(own, site []site.Text) []site.Text {
		if own != nil {
			return own
		}
		return site
	}
	log := []site.Text{c.s.Log}
	for i := range c.s.Units {
		if !known[i] {
			continue
		}
		for j := range c.s.Units[i].Ports {
			n := c.network[c.s.Units[i].Ports[j].Network.Value]
			use("DNS", either(n.DNS, c.s.DNS), i)
			use("NTP", either(n.NTP, c.s.NTP), i)
		}
		use("log", log, i)
	}
	return lists
}

func (c *checker) reachList(l *serverList, all []roads) {
	var cut []string // units that reach none
	reached := make([]bool, len(l.said))
	for _, unit := range l.users {
		any := false
		for i, t := range l.said {
			a := literal(t)
			if _, fit := c.server[a]; !fit || all[unit].reach(a) {
				any, reached[i] = true, true // a name, or told already
			}
		}
		if !any {
			cut = append(cut, c.s.Units[unit].Name.Value)
		}
	}
	if len(cut) > 0 && len(cut) < len(l.users) {
		c.report(Warning, l.said[0].Pos, fmt.Sprintf("%s reach%s no %s server of this list", few(cut), map[bool]string{true: "es"}[len(cut) == 1], l.called),
			"a host reaches only its own subnet without a gateway, RFC 950 2.2", "write the gateway of a network that they are in, or servers in it")
	}
	for i, t := range l.said {
		if !reached[i] {
			c.report(Warning, t.Pos, fmt.Sprintf("no unit reaches the %s server %s: it lies in none of their subnets, and none has a gateway for that kind of address", l.called, t.Value),
				"RFC 950 2.2", "write the gateway of their network, or a server in it")
		}
	}
}
