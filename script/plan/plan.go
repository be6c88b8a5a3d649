// Package plan makes the plan out of a site profile: each unit's exact
// values, checked. It is the only way to get values that a run may type.
//
// The checks are arithmetic and comparison, each with its published source in
// Problem.Why. They open no file and ask no network.
package plan

import (
	"fmt"
	"net/netip"

	"linehand/script"
	"linehand/script/internal/yamlwalk"
	"linehand/script/site"
)

// Plan is a checked site.
type Plan struct {
	Site     script.SiteValues
	Units    []*Unit
	Secrets  []string // names of all secrets of the profile, sorted
	Networks []Network
	Racks    []site.Rack
	Feeds    []site.Feed
	Visit    site.Visit
	Lock     site.Lock // what the lock file is to hold; compare with that of the profile
}

// Network is one network with who has which address in it.
type Network struct {
	Name     string
	Subnets  []Subnet // one, or an IPv4 and an IPv6 one
	VLAN     int      // 0: not planned
	MTU      int      // octets; 0: not planned
	Reserved []site.Range
	Holders  []Holder // by address
}

// Holder is who has an address: a port, a cluster or a gateway.
type Holder struct {
	Address netip.Addr
	Who     string     // such as "deep-1 port e0"
	Pos     script.Pos // where the profile or the lock file says so
}

// Unit is everything that one run needs to know of its unit.
type Unit struct {
	Name     string
	Kind     string
	Serial   string // as planned; "" when the profile leaves it open
	Dialogue string // path of the dialogue of the first boot; "": it has no console
	SetUp    string // path of the dialogue for the rest of the settings; "": none
	Proof    string // path of the dialogue that proves them; "": none
	Reach    string // what SetUp and Proof are played over: site.OverConsole or site.OverSSH
	SSH      SSH    // how it is signed in to over SSH, also where Reach is the console
	Values   script.Values
	Planned  map[string]string     // value path -> planned value, no secrets
	Sources  map[string]script.Pos // value path -> where the profile says so
	Secrets  []string              // names of the secrets that its kind, cluster and roles refer to, sorted
	SHA256   string                // digest of Planned in canonical form

	// What the sums of racks, power, lifting, disks and time need; none of it
	// is typed.
	Facts   site.Facts // of its kind, with the unit's own drives in them
	Place   site.Place
	Cords   []site.Cord
	Storage site.Storage
	Cluster string // name; "" for none
}

// SSH is how a unit is signed in to across the network once it serves, with
// everything filled in that its kind leaves open.
type SSH struct {
	User   string // the factory sign-in's where the kind says none; "": neither says one
	Role   string // whose secret is the password
	Secret string // name of that secret; "": nothing plays the role for this unit
	Port   int
	Older  []string // algorithms that would not be offered otherwise, by their names in SSH (RFC 4251 6)
}

// Make checks a site and makes the plan. With any problem of severity Error
// there is no plan; warnings and notes leave it standing. Addresses that are
// left to it ("auto") are those of the site's lock, and where that has none
// the lowest free one in the order of the profile; Plan.Lock has them all.
func Make(s *site.Site) (*Plan, Problems) {
	c := newChecker(s)
	c.names()
	c.networks()
	c.clusters()
	c.kinds()
	c.units()
	c.gateways()
	lock := c.allot()
	c.reach()
	c.rooms()
	c.visit()
	problems := c.inOrder()
	if problems.Err() != nil {
		return nil, problems
	}
	p := newMaker(c).plan()
	p.Lock = lock
	return p, problems
}

// Unit finds a unit by its name, capitals or not (RFC 1035 2.3.1).
func (p *Plan) Unit(name string) (*Unit, error) {
	names := make([]string, len(p.Units))
	for i, u := range p.Units {
		if sameName(u.Name, name) {
			return u, nil
		}
		names[i] = u.Name
	}
	if near, ok := yamlwalk.Nearest(name, names); ok {
		return nil, fmt.Errorf("the plan has no unit %q; did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("the plan has no unit %q; its units are %s", name, few(names))
}
