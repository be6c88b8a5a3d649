package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"linehand/script"
	"linehand/script/site"
)

// JoinRole is the role that a cluster's join secret plays for its members,
// unless the unit or its kind gives that role to another.
const JoinRole = "join"

// planned is one value with its path and place.
type planned struct {
	path, value string
	pos         script.Pos
}

// maker fills in the values of units that have passed the checks.
type maker struct {
	*checker
	siteValues    script.SiteValues
	sitePlanned   []planned
	networkValues map[string]script.NetworkValues
	networkPlan   map[string][]planned
	members       map[string][]string
	secretByName  map[string]script.SecretRef // names, with the roles of the whole site over them
	portPath      map[string]portPaths
}

// portPaths are the paths of one port's values, made once for each name.
type portPaths struct {
	port, address, mask, prefix, cidr, gateway, mtu, vlan, network string
}

func newMaker(c *checker) *maker {
	m := &maker{
		checker: c, networkValues: make(map[string]script.NetworkValues), networkPlan: make(map[string][]planned),
		members: make(map[string][]string), secretByName: make(map[string]script.SecretRef), portPath: make(map[string]portPaths),
	}
	m.site()
	for i := range c.s.Networks {
		m.networkOf(&c.s.Networks[i])
	}
	for name, units := range c.members {
		for _, u := range starterFirst(units) {
			m.members[name] = append(m.members[name], u.Name.Value)
		}
	}
	for name := range c.secret {
		m.secretByName[name] = script.SecretRef{Name: name}
	}
	for _, r := range c.s.Roles {
		m.secretByName[r.Name.Value] = script.SecretRef{Name: r.Secret.Value}
	}
	return m
}

func (m *maker) plan() *Plan {
	p := &Plan{Racks: m.s.Racks, Feeds: m.s.Feeds, Visit: m.s.Visit, Site: m.siteValues, Units: make([]*Unit, len(m.s.Units)), Secrets: slices.Sorted(maps.Keys(m.secret))}
	for i := range m.s.Units {
		p.Units[i] = m.unit(&m.s.Units[i])
	}
	p.Networks = m.networks()
	return p
}

func (m *maker) networks() []Network {
	all := make([]Holder, 0, len(m.holder))
	for a, h := range m.holder {
		all = append(all, Holder{a, h.who, h.pos})
	}
	slices.SortFunc(all, func(a, b Holder) int { return a.Address.Compare(b.Address) })
	out := make([]Network, len(m.s.Networks))
	for i := range m.s.Networks {
		n := &m.s.Networks[i]
		out[i] = Network{Name: n.Name.Value, VLAN: n.VLAN.Value, MTU: n.MTU.Value, Reserved: n.Reserved}
		for _, h := range halves(n) {
			out[i].Subnets = append(out[i].Subnets, Work(h.prefix))
			from, _ := slices.BinarySearchFunc(all, h.prefix.Addr(), func(x Holder, a netip.Addr) int { return x.Address.Compare(a) })
			for _, x := range all[from:] {
				if !h.prefix.Contains(x.Address) {
					break
				}
				out[i].Holders = append(out[i].Holders, x)
			}
		}
	}
	return out
}

func (m *maker) site() {
	s := m.s
	m.siteValues = script.SiteValues{
		Name: s.Name.Value, Title: s.Title.Value, Domain: s.Domain.Value, TimeZone: s.TimeZone.Value,
		DNS: words(s.DNS), NTP: words(s.NTP), Log: s.Log.Value,
	}
	m.sitePlanned = []planned{
		of("site.name", s.Name), of("site.title", s.Title), of("site.domain", s.Domain), of("site.time_zone", s.TimeZone),
		ofList("site.dns", s.DNS), ofList("site.ntp", s.NTP), of("site.log", s.Log),
	}
}

func (m *maker) networkOf(n *site.Network) {
	dns, ntp, domain := n.DNS, n.NTP, n.Domain
	if dns == nil {
		dns = m.s.DNS
	}
	if ntp == nil {
		ntp = m.s.NTP
	}
	if domain.Value == "" {
		domain = m.s.Domain
	}
	path := "networks." + n.Name.Value
	v := script.NetworkValues{
		Name: n.Name.Value, Subnet: n.Prefix.String(), Mask: maskOf(n.Prefix), Prefix: n.Prefix.Bits(),
		DNS: words(dns), NTP: words(ntp), Domain: domain.Value, Path: path,
	}
	if n.Gateway.Value != "" {
		v.Gateway = literal(n.Gateway).String()
	}
	var six []planned
	if n.Prefix6.IsValid() {
		v.Subnet6, v.Prefix6 = n.Prefix6.String(), n.Prefix6.Bits()
		six = []planned{{path + ".subnet6", v.Subnet6, n.Subnet6.Pos}, {path + ".prefix6", strconv.Itoa(v.Prefix6), n.Subnet6.Pos}}
		if n.Gateway6.Value != "" {
			v.Gateway6 = literal(n.Gateway6).String()
			six = append(six, planned{path + ".gateway6", v.Gateway6, n.Gateway6.Pos})
		}
	}
	m.networkValues[v.Name] = v
	m.networkPlan[v.Name] = []planned{
		of(path+".name", n.Name),
		{path + ".subnet", v.Subnet, n.Subnet.Pos},
		{path + ".mask", v.Mask, firstPos(n.Mask, n.Subnet)},
		{path + ".prefix", strconv.Itoa(v.Prefix), firstPos(n.Mask, n.Subnet)},
		{path + ".gateway", v.Gateway, n.Gateway.Pos},
		ofList(path+".dns", dns), ofList(path+".ntp", ntp), of(path+".domain", domain),
	}
	m.networkPlan[v.Name] = append(m.networkPlan[v.Name], six...)
}

func (m *maker) unit(u *site.Unit) *Unit {
	kind := m.kind[u.Kind.Value]
	room := 52
	if len(u.Ports) == 0 {
		room = 18 // what holds for the whole site, and its place
	}
	out := &Unit{
		Name: u.Name.Value, Kind: u.Kind.Value, Serial: u.Serial.Value, Dialogue: kind.DialoguePath,
		Planned: make(map[string]string, room), Sources: make(map[string]script.Pos, room),
		Facts: factsOf(u, kind), Place: u.Place, Cords: u.Cords, Storage: storageOf(u, kind), Cluster: u.Cluster.Name.Value,
	}
	values := script.UnitValues{Name: u.Name.Value, Kind: u.Kind.Value, Serial: u.Serial.Value, Title: u.Title.Value, Path: "unit"}
	out.put(of("unit.name", u.Name), of("unit.kind", u.Kind), of("unit.serial", u.Serial), of("unit.title", u.Title))
	out.put(m.sitePlanned...)
	for i := range u.Ports {
		values.Ports = append(values.Ports, m.port(out, &u.Ports[i]))
	}
	var first script.PortValues
	if len(values.Ports) > 0 {
		first = values.Ports[0]
	}
	out.put(of("factory.user", kind.FactoryUser))
	out.Values = script.Values{
		"unit": values, "site": m.siteValues, "port": first, "ports": values.Ports, "network": first.Network,
		"cluster": m.clusterOf(out, u), "secret": m.secrets(out, u, kind), "fact": map[string]string{},
		"factory": script.FactoryValues{User: kind.FactoryUser.Value, Secret: script.SecretRef{Name: kind.FactorySecret.Value}},
		"place":   placeValues(out), "supplies": supplyValues(out), "storage": storageValues(out), "lift": script.LiftValues{},
	}
	m.afterwards(out, kind)
	out.SHA256 = digest(out.Planned)
	return out
}

func (m *maker) port(out *Unit, p *site.Port) script.PortValues {
	n := m.network[p.Network.Value]
	paths := m.paths(p.Name.Value)
	a := m.addr(&p.Address)
	v := script.PortValues{
		Name: p.Name.Value, Address: a.String(), Mask: maskOf(n.Prefix), Prefix: n.Prefix.Bits(),
		CIDR: netip.PrefixFrom(a, n.Prefix.Bits()).String(), Network: m.networkValues[p.Network.Value], Path: paths.port,
	}
	gateway, mtu, vlan := p.Gateway, p.MTU, p.VLAN
	if gateway.Value == "" {
		gateway = n.Gateway
	}
	if mtu.Value == 0 {
		mtu = n.MTU
	}
	if vlan.Value == 0 {
		vlan = n.VLAN
	}
	if gateway.Value != "" {
		v.Gateway = literal(gateway).String()
	}
	v.MTU, v.VLAN = mtu.Value, vlan.Value
	subnet := firstPos(n.Mask, n.Subnet)
	out.put(
		planned{paths.address, v.Address, p.Address.Pos}, planned{paths.mask, v.Mask, subnet},
		planned{paths.prefix, strconv.Itoa(v.Prefix), subnet}, planned{paths.cidr, v.CIDR, p.Address.Pos},
		planned{paths.gateway, v.Gateway, gateway.Pos}, of(paths.network, p.Network),
		ofNumber(paths.mtu, mtu), ofNumber(paths.vlan, vlan),
	)
	if p.Address6.Value != "" {
		m.second(out, p, n, &v)
	}
	out.put(m.networkPlan[p.Network.Value]...)
	return v
}

// second fills in the IPv6 address of a port that has one of each kind.
func (m *maker) second(out *Unit, p *site.Port, n *site.Network, v *script.PortValues) {
	a := m.addr(&p.Address6)
	v.Address6, v.Prefix6 = a.String(), n.Prefix6.Bits()
	v.CIDR6 = netip.PrefixFrom(a, v.Prefix6).String()
	if n.Gateway6.Value != "" {
		v.Gateway6 = literal(n.Gateway6).String()
	}
	at := v.Path
	out.put(
		planned{at + ".address6", v.Address6, p.Address6.Pos}, planned{at + ".cidr6", v.CIDR6, p.Address6.Pos},
		planned{at + ".prefix6", strconv.Itoa(v.Prefix6), n.Subnet6.Pos}, planned{at + ".gateway6", v.Gateway6, n.Gateway6.Pos},
	)
}

func (m *maker) paths(port string) portPaths {
	p, ok := m.portPath[port]
	if !ok {
		at := "ports." + port
		p = portPaths{at, at + ".address", at + ".mask", at + ".prefix", at + ".cidr", at + ".gateway", at + ".mtu", at + ".vlan", at + ".network"}
		m.portPath[port] = p
	}
	return p
}

func (m *maker) clusterOf(out *Unit, u *site.Unit) script.ClusterValues {
	pos := u.Cluster.Name.Pos
	v := script.ClusterValues{Mode: string(u.Cluster.Mode), Path: "cluster"}
	if u.Cluster.Mode == site.None {
		out.put(planned{"cluster.mode", v.Mode, u.Pos})
		return v
	}
	k := m.cluster[u.Cluster.Name.Value]
	v.Name, v.Members = k.Name.Value, m.members[k.Name.Value]
	v.Turn = slices.Index(v.Members, u.Name.Value) + 1
	if k.Address.Value != "" {
		v.Address = m.addr(&k.Address).String()
	}
	out.put(planned{"cluster.mode", v.Mode, pos}, planned{"cluster.name", v.Name, pos}, planned{"cluster.address", v.Address, k.Address.Pos})
	out.put(planned{"cluster.members", strings.Join(v.Members, " "), k.Pos}, planned{"cluster.turn", strconv.Itoa(v.Turn), pos})
	out.put(m.networkPlan[k.Network.Value]...)
	return v
}

// secrets resolves what a dialogue may name: the unit's roles first, then
// those of its kind, of its cluster and of the whole site, then secrets by
// their own names. It also lists what the unit refers to.
func (m *maker) secrets(out *Unit, u *site.Unit, kind *site.Kind) map[string]script.SecretRef {
	used := make(map[string]bool, 4)
	refs := m.secretByName
	own := len(u.Roles) + len(kind.Roles)
	join := ""
	if u.Cluster.Mode != site.None {
		join = m.cluster[u.Cluster.Name.Value].JoinSecret.Value
	}
	if own > 0 || join != "" {
		refs = maps.Clone(refs)
	}
	if join != "" {
		refs[JoinRole] = script.SecretRef{Name: join}
	}
	for _, layer := range [][]site.Role{kind.Roles, u.Roles} {
		for _, r := range layer {
			refs[r.Name.Value] = script.SecretRef{Name: r.Secret.Value}
			used[r.Name.Value] = true
		}
	}
	names := map[string]bool{kind.FactorySecret.Value: true, join: true}
	for role := range used {
		names[refs[role].Name] = true
	}
	for _, r := range m.s.Roles {
		names[refs[r.Name.Value].Name] = true
	}
	delete(names, "")
	out.Secrets = slices.Sorted(maps.Keys(names))
	return refs
}

// put keeps what was planned; what was not is left out.
func (u *Unit) put(values ...planned) {
	for _, v := range values {
		if v.value != "" {
			u.Planned[v.path], u.Sources[v.path] = v.value, v.pos
		}
	}
}

// digest is over "path=value" lines, sorted by path. Paths hold no "=", and
// values no line ends: the profile's reader refuses both.
func digest(values map[string]string) string {
	h := sha256.New()
	var line []byte
	for _, path := range slices.Sorted(maps.Keys(values)) {
		line = append(append(append(append(line[:0], path...), '='), values[path]...), '\n')
		h.Write(line)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func of(path string, t site.Text) planned { return planned{path, t.Value, t.Pos} }

func ofNumber(path string, n site.Number) planned {
	if n.Value == 0 {
		return planned{path: path}
	}
	return planned{path, strconv.Itoa(n.Value), n.Pos}
}

func ofList(path string, list []site.Text) planned {
	p := planned{path: path, value: strings.Join(words(list), " ")}
	if len(list) > 0 {
		p.pos = list[0].Pos
	}
	return p
}

func words(list []site.Text) []string {
	var out []string
	for _, t := range list {
		out = append(out, t.Value)
	}
	return out
}

func firstPos(texts ...site.Text) script.Pos {
	for _, t := range texts {
		if t.Value != "" {
			return t.Pos
		}
	}
	return script.Pos{}
}
