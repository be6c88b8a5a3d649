package site

import (
	"fmt"
	"net/netip"
	"strconv"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
)

// decoder makes a Site out of the laid-together layers, whose every value
// has been checked by itself. What is left to find is what is missing.
type decoder struct {
	errs Errors
}

func (d *decoder) fault(pos script.Pos, what, mend string) {
	d.errs = append(d.errs, script.Fault{Pos: pos, What: what, Mend: mend})
}

// need reports a key that must be there. A value that lost a faulty key is
// let go: that mistake has been told.
func (d *decoder) need(v *yamlwalk.Value, key, called string) {
	if v.Get(key) == nil && !v.Damaged {
		d.fault(script.Pos(v.Pos), called+" has no "+key, "write "+key+": in it")
	}
}

func (d *decoder) site(v *yamlwalk.Value) *Site {
	s := &Site{Pos: script.Pos(v.Pos)}
	head := v.Get("site")
	if head == nil && !v.Damaged {
		d.fault(s.Pos, "the profile has no site", "write site: with at least its name")
	}
	if head != nil {
		d.need(head, "name", "the site")
	}
	s.Name, s.Title, s.Domain = textOf(head, "name"), textOf(head, "title"), textOf(head, "domain")
	s.TimeZone, s.Log = textOf(head, "time-zone"), textOf(head, "log")
	s.DNS, s.NTP = textsOf(head, "dns"), textsOf(head, "ntp")
	s.Networks = elements(v, "networks", d.network)
	s.Clusters = elements(v, "clusters", d.cluster)
	s.Units = elements(v, "units", d.unit)
	if len(s.Units) == 0 && !v.Damaged && (v.Get("units") == nil || !v.Get("units").Damaged) {
		d.fault(s.Pos, "the profile has no units", "write units: with at least one")
	}
	for _, e := range entriesOf(v, "kinds") {
		s.Kinds = append(s.Kinds, d.kind(e))
	}
	for _, e := range entriesOf(v, "secrets") {
		s.Secrets = append(s.Secrets, secretOf(e))
	}
	s.Roles = rolesOf(v)
	s.Demonstration = textOf(head, "demonstration")
	s.Racks = elements(v, "racks", d.rack)
	s.Feeds = elements(v, "feeds", d.feed)
	s.Visit = visitOf(v.Get("visit"))
	if s.Vault = textOf(v, "vault"); s.Vault.Value != "" {
		s.Vault.Value = relativeTo(s.Vault.Pos.File, s.Vault.Value)
	}
	return s
}

func (d *decoder) network(v *yamlwalk.Value) Network {
	n := Network{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Subnet: textOf(v, "subnet"), Mask: textOf(v, "mask"),
		Gateway: textOf(v, "gateway"), VLAN: numberOf(v, "vlan"), MTU: numberOf(v, "mtu"),
		DNS: textsOf(v, "dns"), NTP: textsOf(v, "ntp"), Domain: textOf(v, "domain"),
		Subnet6: textOf(v, "subnet6"), Gateway6: textOf(v, "gateway6"), Reserved: rangesOf(v, "reserved"),
	}
	d.need(v, "subnet", fmt.Sprintf("the network %q", n.Name.Value))
	if n.Subnet.Value != "" {
		d.subnet(&n, v.Damaged)
	}
	if n.Subnet6.Value != "" {
		d.subnet6(&n)
	}
	return n
}

// subnet6 is the IPv6 half of a network of both kinds.
func (d *decoder) subnet6(n *Network) {
	written := n.Subnet6.Value
	p, err := netip.ParsePrefix(written)
	switch {
	case err != nil || !p.Addr().Is6() || p.Addr().Is4In6():
		d.fault(n.Subnet6.Pos, fmt.Sprintf("subnet6: %q is not an IPv6 subnet", written), "write its first address, a slash and the prefix length, such as 2001:db8::/64 (RFC 4291 2.3)")
	case n.Prefix.IsValid() && !n.Prefix.Addr().Is4():
		d.fault(n.Subnet6.Pos, "subnet6: the subnet of this network is an IPv6 one already", "take subnet6 out, or write the IPv4 subnet under subnet")
	case p != p.Masked():
		d.fault(n.Subnet6.Pos, fmt.Sprintf("subnet6: %s is an address inside a subnet (host bits are set)", written), "write "+p.Masked().String())
	default:
		n.Prefix6 = p
	}
}

// subnet works out the prefix, said as CIDR or as an address and a mask.
func (d *decoder) subnet(n *Network, damaged bool) {
	written := n.Subnet.Value
	prefix, err := netip.ParsePrefix(written)
	if err != nil {
		addr, addrErr := netip.ParseAddr(written)
		bits, masked := maskBits(n.Mask.Value)
		switch {
		case addrErr != nil:
			d.fault(n.Subnet.Pos, fmt.Sprintf("subnet: %q is not a subnet", written), "write its first address, a slash and the prefix length, such as 192.0.2.0/24 (RFC 4632 3.1)")
			return
		case n.Mask.Value == "" && damaged:
			return // a faulty mask has been told
		case !masked || !addr.Is4():
			d.fault(n.Subnet.Pos, fmt.Sprintf("subnet: %s has no prefix length", written), "write it behind a slash, such as 192.0.2.0/24, or give mask: beside it (IPv4 only)")
			return
		}
		prefix = netip.PrefixFrom(addr, bits)
	} else if bits, masked := maskBits(n.Mask.Value); masked && bits != prefix.Bits() {
		d.fault(n.Mask.Pos, fmt.Sprintf("mask: %s is /%d, but subnet says /%d", n.Mask.Value, bits, prefix.Bits()), "keep one of the two")
		return
	}
	switch {
	case prefix.Addr().Is4In6():
		d.fault(n.Subnet.Pos, fmt.Sprintf("subnet: %s is an IPv4 subnet in IPv6 form", written), "write it as an IPv4 subnet")
	case prefix != prefix.Masked():
		d.fault(n.Subnet.Pos, fmt.Sprintf("subnet: %s is an address inside a subnet (host bits are set)", written), "write "+prefix.Masked().String())
	default:
		n.Prefix = prefix
	}
}

func (d *decoder) cluster(v *yamlwalk.Value) Cluster {
	return Cluster{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Address: textOf(v, "address"),
		Network: textOf(v, "network"), JoinSecret: textOf(v, "join-secret"),
	}
}

func (d *decoder) kind(e yamlwalk.Entry) Kind {
	v, factory := e.Value, e.Value.Get("factory")
	k := Kind{
		Pos: script.Pos(e.Pos), Name: Text{e.Key, script.Pos(e.Pos)}, Title: textOf(v, "title"), Dialogue: textOf(v, "dialogue"),
		FactoryUser: textOf(factory, "user"), FactorySecret: textOf(factory, "secret"), Roles: rolesOf(v),
	}
	d.need(v, "dialogue", fmt.Sprintf("the kind %q", e.Key))
	k.Facts = factsOf(v)
	k.DialoguePath = pathOf(k.Dialogue)
	k.SetUp, k.Proof, k.Reach, k.SSH = textOf(v, "set-up"), textOf(v, "proof"), textOf(v, "reach"), sshOf(v.Get("ssh"))
	k.SetUpPath, k.ProofPath = pathOf(k.SetUp), pathOf(k.Proof)
	k.Storage = storageOf(v.Get("storage"))
	return k
}

// pathOf is the path of a dialogue that a kind names; "" where it names none.
func pathOf(t Text) string {
	if t.Value == "" || t.Value == NoDialogue {
		return ""
	}
	return relativeTo(t.Pos.File, t.Value)
}

func (d *decoder) unit(v *yamlwalk.Value) Unit {
	u := Unit{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Kind: textOf(v, "kind"), Serial: textOf(v, "serial"), Title: textOf(v, "title"),
		Cluster: Membership{Mode: None}, Ports: elements(v, "ports", d.port), Roles: rolesOf(v),
	}
	d.need(v, "kind", fmt.Sprintf("the unit %q", u.Name.Value))
	if c := v.Get("cluster"); c != nil {
		u.Cluster = Membership{Mode(c.Entries[0].Key), textOf(c, c.Entries[0].Key)}
	}
	u.Place, u.Cords, u.Drives, u.Storage = d.place(v.Get("place")), cordsOf(v), drivesOf(v.Get("drives")), storageOf(v.Get("storage"))
	return u
}

func (d *decoder) port(v *yamlwalk.Value) Port {
	p := Port{
		Pos: script.Pos(v.Pos), Name: textOf(v, "name"), Network: textOf(v, "network"), Address: textOf(v, "address"),
		Gateway: textOf(v, "gateway"), MTU: numberOf(v, "mtu"), VLAN: numberOf(v, "vlan"),
		Address6: textOf(v, "address6"), Group: textOf(v, "group"),
	}
	called := fmt.Sprintf("the port %q", p.Name.Value)
	d.need(v, "network", called)
	d.need(v, "address", called)
	return p
}

func secretOf(e yamlwalk.Entry) Secret {
	said := e.Value.Entries[0]
	s := Secret{Name: Text{e.Key, script.Pos(e.Pos)}, Source: Source(said.Key), Where: said.Value.Text, Pos: script.Pos(said.Value.Pos)}
	if s.Source == FromFile {
		s.Where = relativeTo(s.Pos.File, s.Where)
	}
	return s
}

func rolesOf(v *yamlwalk.Value) []Role {
	var out []Role
	for _, e := range entriesOf(v, "roles") {
		out = append(out, Role{Text{e.Key, script.Pos(e.Pos)}, Text{e.Value.Text, script.Pos(e.Value.Pos)}})
	}
	return out
}

func elements[T any](v *yamlwalk.Value, key string, make1 func(*yamlwalk.Value) T) []T {
	l := v.Get(key)
	if l == nil {
		return nil
	}
	out := make([]T, len(l.Items))
	for i, item := range l.Items {
		out[i] = make1(item)
	}
	return out
}

func entriesOf(v *yamlwalk.Value, key string) []yamlwalk.Entry {
	if m := v.Get(key); m != nil {
		return m.Entries
	}
	return nil
}

func textOf(v *yamlwalk.Value, key string) Text {
	if x := v.Get(key); x != nil {
		return Text{x.Text, script.Pos(x.Pos)}
	}
	return Text{}
}

func textsOf(v *yamlwalk.Value, key string) []Text {
	l := v.Get(key)
	if l == nil {
		return nil
	}
	out := make([]Text, len(l.Items))
	for i, item := range l.Items {
		out[i] = Text{item.Text, script.Pos(item.Pos)}
	}
	return out
}

func numberOf(v *yamlwalk.Value, key string) Number {
	x := v.Get(key)
	if x == nil {
		return Number{}
	}
	n, _ := strconv.Atoi(x.Text) // checked with the shape
	return Number{n, script.Pos(x.Pos)}
}
