package rehearsal

import (
	"fmt"
	"maps"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/player"
)

// simulate makes the unit that the plan speaks of.
func simulate(u *plan.Unit, secrets player.Secrets, opts Options, world *sim.World) (sim.Unit, error) {
	c := sim.Config{Serial: u.Serial, Scale: opts.Pauses, World: world, Flaws: opts.Flaws}
	if f, ok := u.Values["factory"].(script.FactoryValues); ok {
		c.FactoryUser = f.User
		value, err := valueOf(secrets, f.Secret.Name)
		if err != nil {
			return nil, err
		}
		c.FactorySecret = value
	}
	if s, ok := u.Values["storage"].(script.StorageValues); ok {
		c.Drives, c.DriveSize = s.Drives, s.Size
	}
	if ports := portsOf(u); opts.PortDown && len(ports) > 0 {
		c.Flaws.PortDown = ports[len(ports)-1].Name
	}
	if opts.SetUp {
		held, err := asPlanned(u, secrets)
		if err != nil {
			return nil, err
		}
		c.Configured, c.Held = true, held
		c.ServeTime = time.Nanosecond // it has been up for long
	}
	switch u.Kind {
	case "brackwater-s24":
		return sim.NewS24(c), nil
	case "quillon-x48":
		return sim.NewX48(c), nil
	}
	return nil, fmt.Errorf("unit %q is a %s, and there is no simulated unit of that kind; there are %v", u.Name, u.Kind, Kinds())
}

func portsOf(u *plan.Unit) []script.PortValues {
	v, _ := u.Values["unit"].(script.UnitValues)
	return v.Ports
}

// asPlanned is what a unit holds that has been brought up.
func asPlanned(u *plan.Unit, secrets player.Secrets) (map[string]string, error) {
	held := map[string]string{"name": u.Name}
	refs, _ := u.Values["secret"].(map[string]script.SecretRef)
	admin, err := valueOf(secrets, refs[u.SSH.Role].Name)
	if err != nil {
		return nil, err
	}
	if admin != "" {
		held["admin-secret"] = admin
	}
	for _, p := range portsOf(u) {
		mtu := strconv.Itoa(p.MTU)
		if p.MTU == 0 {
			mtu = "1500"
		}
		maps.Copy(held, map[string]string{"ports." + p.Name + ".address": p.Address, "ports." + p.Name + ".mask": p.Mask,
			"ports." + p.Name + ".gateway": p.Gateway, "ports." + p.Name + ".mtu": mtu})
		if u.Kind == "quillon-x48" && p.VLAN > 1 {
			held["vlans."+strconv.Itoa(p.VLAN)] = p.Network.Name
		}
	}
	if c, ok := u.Values["cluster"].(script.ClusterValues); ok {
		maps.Copy(held, map[string]string{"cluster.mode": c.Mode, "cluster.name": c.Name, "cluster.address": c.Address,
			"cluster.members": strconv.Itoa(len(c.Members))})
	}
	if s, ok := u.Values["storage"].(script.StorageValues); ok && s.Layout != "" {
		maps.Copy(held, map[string]string{"storage.layout": s.Layout, "storage.groups": strconv.Itoa(s.Groups),
			"storage.use": strconv.Itoa(s.Use), "storage.spares": strconv.Itoa(s.Spares), "storage.serve": s.Serve})
	}
	if s, ok := u.Values["site"].(script.SiteValues); ok {
		maps.Copy(held, map[string]string{"dns": strings.Join(s.DNS, " "), "ntp": strings.Join(s.NTP, " "), "log": s.Log})
	}
	return held, nil
}

// worldOf is the network around the unit: the one that it shares, or one of
// its own that fits the plan.
func worldOf(u *plan.Unit, secrets player.Secrets, opts Options) (*sim.World, error) {
	w := opts.World
	if w == nil {
		w = sim.NewWorld()
		clusters, err := network(u, secrets)
		if err != nil {
			return nil, err
		}
		for _, c := range clusters {
			if !opts.Lonely && !opts.SetUp {
				w.Found(c, membersBefore(u, c.Members)...)
			}
		}
	}
	if c, ok := u.Values["cluster"].(script.ClusterValues); ok && opts.SetUp && c.Name != "" {
		if _, there := w.Cluster(c.Name); !there {
			w.Found(sim.Cluster{Name: c.Name, Address: c.Address}, c.Members...)
		}
	}
	if ports := portsOf(u); opts.InUse && len(ports) > 0 {
		a, err := netip.ParseAddr(ports[0].Address)
		if err != nil {
			return nil, fmt.Errorf("the address of %s: %w", ports[0].Name, err)
		}
		w.Occupy(a)
	}
	return w, nil
}

// network is what the unit finds around it: the cluster that it is to join.
func network(u *plan.Unit, secrets player.Secrets) ([]sim.Cluster, error) {
	c, ok := u.Values["cluster"].(script.ClusterValues)
	if !ok || c.Mode != "join" {
		return nil, nil
	}
	refs, _ := u.Values["secret"].(map[string]script.SecretRef)
	join, err := valueOf(secrets, refs[plan.JoinRole].Name)
	if err != nil {
		return nil, err
	}
	before := max(1, slices.Index(c.Members, u.Name))
	return []sim.Cluster{{Name: c.Name, Address: c.Address, Members: before, Secret: join}}, nil
}

// membersBefore are the members that a unit finds: so many of the others, in
// the order of the plan.
func membersBefore(u *plan.Unit, count int) []string {
	c, _ := u.Values["cluster"].(script.ClusterValues)
	others := slices.DeleteFunc(slices.Clone(c.Members), func(name string) bool { return name == u.Name })
	for len(others) < count {
		others = append(others, fmt.Sprintf("member-%d", len(others)+1))
	}
	return others[:count]
}
