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
		c.unitName(u)
		c.unit(u)
		c.facilities(u)
		if kind := c.kind[u.Kind.Value]; kind != nil {
			c.reached(u, kind)
		}
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
	c.sharing(u)
}

func (c *checker) port(u *site.Unit, p *site.Port) {
	n := c.network[p.Network.Value]
	if n == nil {
		c.unknown("network", p.Network, c.known.networks)
		return
	}
	who := u.Name.Value + " port " + p.Name.Value
	key := lockKey{unit: u.Name.Value, port: p.Name.Value}
	if p.Address.Value == site.Auto {
		c.ask(&p.Address, who, n, n.Prefix, key)
	} else if a := literal(p.Address); c.inNetwork(a, p.Address.Pos, n, n.Prefix) {
		c.claim(a, who, p.Address.Pos)
	}
	c.port6(who, p, n, key)
	c.sameFrames(who, p, n)
}

// port6 checks the second address of a port.
func (c *checker) port6(who string, p *site.Port, n *site.Network, key lockKey) {
	key.six = true
	switch a := literal(p.Address6); {
	case p.Address6.Value == "":
	case !n.Prefix6.IsValid():
		mend := "write subnet6: in the network"
		if n.Prefix.Addr().Is6() {
			mend = "write it under address: the network's subnet is an IPv6 one"
		}
		c.report(Error, p.Address6.Pos, fmt.Sprintf("%s has an address6, but network %s has no subnet6", who, n.Name.Value), "", mend)
	case p.Address6.Value == site.Auto:
		c.ask(&p.Address6, who, n, n.Prefix6, key)
	case c.inNetwork(a, p.Address6.Pos, n, n.Prefix6):
		c.claim(a, who, p.Address6.Pos)
	}
}

// frame is what the ports of a network say of their frames.
type frame struct {
	mtu, vlan           site.Number
	mtuWhere, vlanWhere string
}

// sameFrames checks that all ports of a network have one MTU and one VLAN.
func (c *checker) sameFrames(who string, p *site.Port, n *site.Network) {
	f, said := c.frame[n.Name.Value]
	if !said {
		f = frame{n.MTU, n.VLAN, "network " + n.Name.Value, "network " + n.Name.Value}
	}
	c.frameSize(p.MTU, n.Prefix.Addr().Is6() || n.Prefix6.IsValid())
	if p.MTU.Value != 0 && f.mtu.Value == 0 {
		f.mtu, f.mtuWhere = p.MTU, who
	}
	if p.VLAN.Value != 0 && f.vlan.Value == 0 {
		f.vlan, f.vlanWhere = p.VLAN, who
	}
	c.frame[n.Name.Value] = f
	if p.MTU.Value != 0 && p.MTU.Value != f.mtu.Value {
		c.report(Error, p.MTU.Pos, fmt.Sprintf("%s has an MTU of %d, and %s, at %s, one of %d", who, p.MTU.Value, f.mtuWhere, f.mtu.Pos, f.mtu.Value),
			"inside a subnet nothing tells a sender that a frame was too large: path MTU discovery works through routers, RFC 1191 1", "write the same for all of network "+n.Name.Value)
	}
	if p.VLAN.Value != 0 && p.VLAN.Value != f.vlan.Value {
		c.report(Error, p.VLAN.Pos, fmt.Sprintf("%s is on VLAN %d, and %s, at %s, on VLAN %d", who, p.VLAN.Value, f.vlanWhere, f.vlan.Pos, f.vlan.Value),
			"frames of one VLAN do not reach another, IEEE 802.1Q, from memory", "write the same for all of network "+n.Name.Value)
	}
}

// sharing warns of two ports of one unit in one subnet that nobody said
// belong together.
func (c *checker) sharing(u *site.Unit) {
	for i := range u.Ports {
		p := &u.Ports[i]
		for j := range i {
			q := &u.Ports[j]
			if p.Network.Value != q.Network.Value || c.network[p.Network.Value] == nil || p.Group.Value != "" && p.Group.Value == q.Group.Value {
				continue
			}
			c.report(Warning, p.Network.Pos, fmt.Sprintf("%s has two ports in one subnet, %s and %s in network %s", u.Name.Value, q.Name.Value, p.Name.Value, p.Network.Value),
				"a host may answer by either one, whichever was asked, RFC 1122 3.3.4.2", "put one in another network, or, if they work together on purpose, give both the same group:")
			break
		}
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
			if n == nil || p.Gateway.Value == "" || !c.gateway(literal(p.Gateway), p.Gateway.Pos, n, n.Prefix) {
				continue
			}
			if h, taken := c.holder[literal(p.Gateway)]; taken && literal(p.Gateway) != literal(n.Gateway) {
				c.report(Error, p.Gateway.Pos, fmt.Sprintf("the gateway %s of %s port %s is the address of %s, at %s", p.Gateway.Value, u.Name.Value, p.Name.Value, h.who, h.pos), "", "name the router's address")
			}
		}
	}
}

// membership checks who starts and who joins each cluster.
func (c *checker) membership() {
	for i := range c.s.Clusters {
		k := &c.s.Clusters[i]
		c.clusterLimits(k, c.members[k.Name.Value])
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
