package plan

import (
	"fmt"
	"unicode/utf8"

	"linehand/script/site"
)

// unitName checks a unit's name against what its kind accepts, and with its
// domain against the length of names (RFC 1035 2.3.4).
func (c *checker) unitName(u *site.Unit) {
	if kind := c.kind[u.Kind.Value]; kind != nil {
		c.limit(u.Name, "a unit's name", kind.Limits.Name, kind)
	}
	domain := c.s.Domain
	if len(u.Ports) > 0 {
		if n := c.network[u.Ports[0].Network.Value]; n != nil && n.Domain.Value != "" {
			domain = n.Domain
		}
	}
	if full := len(u.Name.Value) + 1 + len(domain.Value); domain.Value != "" && full > 253 && len(u.Name.Value) <= 63 {
		c.report(Error, u.Name.Pos, fmt.Sprintf("%s with its domain, said at %s, has %d characters, and 253 is the most", u.Name.Value, domain.Pos, full), "RFC 1035 2.3.4", "shorten the name or the domain")
	}
}

// clusterName checks that a name is either a unit's or a cluster's.
func (c *checker) clusterName(k *site.Cluster) {
	if u := c.unitNamed(k.Name.Value); u != nil {
		c.report(Error, k.Name.Pos, fmt.Sprintf("the cluster %s has the name of a unit, at %s", k.Name.Value, u.Name.Pos), "one name stands for one thing in the network, RFC 1035 2.3.1", "rename one of the two")
	}
}

// limit checks a name that a kind of unit is to accept.
func (c *checker) limit(said site.Text, called string, l site.Limit, kind *site.Kind) {
	count := utf8.RuneCountInString(said.Value)
	if l.Most > 0 && (count > l.Most || count < l.Least) {
		c.report(Error, said.Pos, fmt.Sprintf("%q has %s, and %s takes %d to %d in %s", said.Value, counted(count, "character", "characters"), kind.Name.Value, l.Least, l.Most, called),
			fmt.Sprintf("limits of the kind, at %s", l.Length), "choose another name")
	}
	for _, r := range said.Value {
		if !l.Letters.Allow(r) {
			c.report(Error, said.Pos, fmt.Sprintf("%q holds %q, and %s takes only %s in %s", said.Value, r, kind.Name.Value, l.Letters.Value, called),
				fmt.Sprintf("limits of the kind, at %s", l.Letters.Pos), "choose another name")
			return
		}
	}
}

// clusterLimits checks a cluster's name against what the kinds of its members
// accept, once each. Where none says, a cluster with an address has a name
// that can be looked up.
func (c *checker) clusterLimits(k *site.Cluster, members []*site.Unit) {
	limited := false
	seen := map[*site.Kind]bool{}
	for _, u := range members {
		kind := c.kind[u.Kind.Value]
		if kind == nil || seen[kind] {
			continue
		}
		seen[kind] = true
		c.limit(k.Name, "a cluster's name", kind.Limits.Cluster, kind)
		limited = limited || kind.Limits.Cluster.Most > 0 || kind.Limits.Cluster.Letters.Value != ""
	}
	if fault := hostNameFault(k.Name.Value); fault != "" && k.Address.Value != "" && !limited {
		c.report(Warning, k.Name.Pos, fmt.Sprintf("%q cannot be looked up as a name: %s", k.Name.Value, fault), hostNameSource, "write letters, digits and inner hyphens, or say in the kind's limits: what it accepts")
	}
}
