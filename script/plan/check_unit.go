package plan

import (
	"fmt"
	"strings"

	"linehand/script/site"
)

func (c *checker) units() {
	names := make(map[string]*site.Unit, len(c.s.Units))
	serials := make(map[string]*site.Unit, len(c.s.Units))
	for i := range c.s.Units {
		u := &c.s.Units[i]
		c.hostName("unit's name", u.Name)
		if first := names[fold(u.Name.Value)]; first != nil {
			c.report(Error, u.Name.Pos, fmt.Sprintf("the units %q and, at %s, %q differ in capitals only", u.Name.Value, first.Name.Pos, first.Name.Value), "capitals have no significance in names, RFC 1035 2.3.1", "rename one of the two")
		}
		names[fold(u.Name.Value)] = u
		c.serial(u, serials)
		c.unit(u)
	}
	c.membership()
}

func (c *checker) serial(u *site.Unit, serials map[string]*site.Unit) {
	if u.Serial.Value == "" {
		c.report(Warning, u.Pos, fmt.Sprintf("the unit %q has no serial number", u.Name.Value), "the right chassis cannot be told by machine; a person will have to confirm it", "write serial: as on the unit's label")
		return
	}
	key := strings.ToUpper(u.Serial.Value)
	if first := serials[key]; first != nil {
		c.report(Error, u.Serial.Pos, fmt.Sprintf("the serial number %s is that of two units, %s and, at %s, %s", u.Serial.Value, u.Name.Value, first.Serial.Pos, first.Name.Value), "", "read both labels again")
		return
	}
	serials[key] = u
}

func (c *checker) unit(u *site.Unit) {
	if c.kind[u.Kind.Value] == nil {
		c.unknown("kind of unit", u.Kind, c.known.kinds)
	}
	c.roles(u.Roles)
	if u.Cluster.Mode != site.None {
		if c.cluster[u.Cluster.Name.Value] == nil {
			c.unknown("cluster", u.Cluster.Name, c.known.clusters)
		} else {
			c.members[u.Cluster.Name.Value] = append(c.members[u.Cluster.Name.Value], u)
		}
	}
	for i := range u.Ports {
		p := &u.Ports[i]
		for j := range i {
			if sameName(u.Ports[j].Name.Value, p.Name.Value) {
				c.report(Error, p.Name.Pos, fmt.Sprintf("the ports %q and %q of %s differ in capitals only", u.Ports[j].Name.Value, p.Name.Value, u.Name.Value), "", "rename one of the two")
			}
		}
		c.port(u, p)
	}
}

func (c *checker) port(u *site.Unit, p *site.Port) {
	n := c.network[p.Network.Value]
	if n == nil {
		c.unknown("network", p.Network, c.known.networks)
		return
	}
	if a := addr(p.Address); c.inNetwork(a, p.Address.Pos, n) {
		c.claim(a, u.Name.Value+" port "+p.Name.Value, p.Address.Pos)
	}
}

// gateways checks the gateways that ports name themselves, once all
// addresses have their holders.
func (c *checker) gateways() {
	for i := range c.s.Units {
		u := &c.s.Units[i]
		for j := range u.Ports {
			p := &u.Ports[j]
			n := c.network[p.Network.Value]
			if n == nil || p.Gateway.Value == "" || !c.gateway(addr(p.Gateway), p.Gateway.Pos, n) {
				continue
			}
			if h, taken := c.holder[addr(p.Gateway)]; taken && addr(p.Gateway) != addr(n.Gateway) {
				c.report(Error, p.Gateway.Pos, fmt.Sprintf("the gateway %s of %s port %s is the address of %s, at %s", p.Gateway.Value, u.Name.Value, p.Name.Value, h.who, h.pos), "", "name the router's address")
			}
		}
	}
}

// membership checks who starts and who joins each cluster.
func (c *checker) membership() {
	for i := range c.s.Clusters {
		k := &c.s.Clusters[i]
		var starter *site.Unit
		for _, u := range c.members[k.Name.Value] {
			if u.Cluster.Mode == site.Start && starter != nil {
				c.report(Error, u.Cluster.Name.Pos, fmt.Sprintf("the cluster %s is started twice: by %s and, at %s, by %s", k.Name.Value, u.Name.Value, starter.Cluster.Name.Pos, starter.Name.Value), "the second would be a cluster of its own", "let one of the two join")
			}
			if u.Cluster.Mode == site.Start && starter == nil {
				starter = u
			}
			c.reaches(u, k)
		}
		if starter == nil && len(c.members[k.Name.Value]) > 0 {
			c.report(Warning, k.Name.Pos, fmt.Sprintf("no unit of this profile starts the cluster %s", k.Name.Value), "", "right if it runs already; else let the first unit start it")
		}
	}
}

// reaches warns of a member that has no port where the cluster's address is.
func (c *checker) reaches(u *site.Unit, k *site.Cluster) {
	if k.Network.Value == "" || c.network[k.Network.Value] == nil {
		return
	}
	for i := range u.Ports {
		if n := u.Ports[i].Network.Value; n == k.Network.Value || c.network[n] == nil {
			return // there, or told already
		}
	}
	c.report(Warning, u.Cluster.Name.Pos, fmt.Sprintf("%s has no port in network %s, where the cluster %s has its address", u.Name.Value, k.Network.Value, k.Name.Value), "", "plan a port there, or check the cluster's network")
}
