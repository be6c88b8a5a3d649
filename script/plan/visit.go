package plan

import (
	"fmt"
	"slices"
	"strconv"

	"linehand/script"
	"linehand/script/site"
)

// Values of what a person does with their hands, and of what is set up after
// the first boot.

func placeValues(u *Unit) script.PlaceValues {
	v := script.PlaceValues{Rack: u.Place.Rack.Value, At: u.Place.At.Value, Height: u.Facts.HeightU.Value, Path: "place"}
	if v.Rack == "" {
		return v
	}
	side := u.Place.Side
	if side.Value == "" {
		side = site.Text{Value: "front", Pos: u.Place.Pos}
	}
	v.Side = side.Value
	u.put(of("place.rack", u.Place.Rack), ofNumber("place.at", u.Place.At), of("place.side", side), ofNumber("place.height", u.Facts.HeightU))
	return v
}

func supplyValues(u *Unit) []script.SupplyValues {
	out := make([]script.SupplyValues, len(u.Cords))
	for i, c := range u.Cords {
		path := "supplies." + strconv.Itoa(c.Supply)
		feed := c.To.Value
		if c.Pair != "" {
			feed += "/" + c.Pair
		}
		out[i] = script.SupplyValues{Number: c.Supply, Feed: feed, Inlet: u.Facts.Inlet.Value, Path: path}
		u.put(planned{path + ".number", strconv.Itoa(c.Supply), c.Pos}, planned{path + ".feed", feed, c.To.Pos}, of(path+".inlet", u.Facts.Inlet))
	}
	return out
}

// storageOf is what the unit says of its storage, over what its kind says.
func storageOf(u *site.Unit, kind *site.Kind) site.Storage {
	s, own := kind.Storage, u.Storage
	if s.Layout.Value == "" && own.Pos.Line == 0 {
		return site.Storage{} // the kind says how, and nothing says that there is any
	}
	if own.Layout.Value != "" {
		// Another layout: its numbers are its own, when it serves may stay.
		own.Serve = firstText(own.Serve, s.Serve)
		return own
	}
	s.Groups, s.Spares, s.Use = firstNumber(own.Groups, s.Groups), firstNumber(own.Spares, s.Spares), firstNumber(own.Use, s.Use)
	s.Serve = firstText(own.Serve, s.Serve)
	if own.Pos.Line != 0 {
		s.Pos = own.Pos
	}
	return s
}

func storageValues(u *Unit) script.StorageValues {
	s, d := u.Storage, u.Facts.Drives
	v := script.StorageValues{Drives: d.Count.Value, Size: d.Size.Text, Path: "storage"}
	u.put(ofNumber("storage.drives", d.Count), planned{"storage.size", d.Size.Text, d.Size.Pos})
	if s.Layout.Value == "" {
		return v
	}
	serve := firstText(s.Serve, site.Text{Value: site.AfterCheck, Pos: s.Pos})
	use := s.Use
	if use.Value == 0 {
		use = site.Number{Value: max(0, d.Count.Value-s.Spares.Value), Pos: s.Pos}
	}
	v.Layout, v.Groups, v.Spares, v.Use, v.Serve = s.Layout.Value, s.Groups.Value, s.Spares.Value, use.Value, serve.Value
	u.put(
		of("storage.layout", s.Layout), ofNumber("storage.groups", s.Groups), ofNumber("storage.use", use), of("storage.serve", serve),
		planned{"storage.spares", strconv.Itoa(v.Spares), firstPos(site.Text{Value: "0", Pos: s.Spares.Pos})},
	)
	return v
}

func firstText(texts ...site.Text) site.Text {
	for _, t := range texts {
		if t.Value != "" {
			return t
		}
	}
	return site.Text{}
}

// firstNumber is the first that was written, a written 0 among them.
func firstNumber(numbers ...site.Number) site.Number {
	for _, n := range numbers {
		if n.Pos.Line != 0 {
			return n
		}
	}
	return site.Number{}
}

// afterwards fills in what comes after the first boot, and over what.
func (m *maker) afterwards(u *Unit, kind *site.Kind) {
	u.SetUp, u.Proof = kind.SetUpPath, kind.ProofPath
	if u.Reach = kind.Reach.Value; u.Reach == "" {
		u.Reach = site.OverConsole
	}
	u.SSH = SSH{User: firstText(kind.SSH.User, kind.FactoryUser).Value, Role: kind.SSH.Role.Value, Port: kind.SSH.Port.Value, Older: words(kind.SSH.OlderAlgorithms)}
	if u.SSH.Role == "" {
		u.SSH.Role = site.DefaultRole
	}
	if u.SSH.Port == 0 {
		u.SSH.Port = site.DefaultSSHPort
	}
	refs, _ := u.Values["secret"].(map[string]script.SecretRef)
	u.SSH.Secret = refs[u.SSH.Role].Name
	if u.Reach == site.OverSSH && u.SSH.Secret != "" && !slices.Contains(u.Secrets, u.SSH.Secret) {
		u.Secrets = append(u.Secrets, u.SSH.Secret)
		slices.Sort(u.Secrets)
	}
}

// starterFirst puts the unit that starts a cluster before those that join,
// which stay in the order of the profile.
func starterFirst(units []*site.Unit) []*site.Unit {
	out := slices.Clone(units)
	slices.SortStableFunc(out, func(a, b *site.Unit) int { return joins(a) - joins(b) })
	return out
}

func joins(u *site.Unit) int {
	if u.Cluster.Mode == site.Start {
		return 0
	}
	return 1
}

// Order gives the names of the units in the order in which they may be brought
// up, a list for each turn. First come the units without a cluster, the
// switches among them: who starts or joins a cluster looks for it across the
// network. Then come those that start a cluster, then the next of each
// cluster, and so on. The units of one turn do not wait for each other; which
// one a unit waits for says After.
func Order(p *Plan) [][]string {
	var turns [][]string
	for _, u := range p.Units {
		at := u.turn()
		for len(turns) <= at {
			turns = append(turns, nil)
		}
		turns[at] = append(turns[at], u.Name)
	}
	return slices.DeleteFunc(turns, func(turn []string) bool { return turn == nil })
}

// After names the unit of this plan that must be in the cluster before this
// one starts or joins it; "" where it waits for none.
func (u *Unit) After() string {
	c, _ := u.Values["cluster"].(script.ClusterValues)
	if c.Turn < 2 {
		return ""
	}
	return c.Members[c.Turn-2]
}

// turn is 0 in no cluster, else its place among the members, from 1.
func (u *Unit) turn() int {
	c, _ := u.Values["cluster"].(script.ClusterValues)
	return c.Turn
}

// visit checks what the profile says of the visit itself.
func (c *checker) visit() {
	v := c.s.Visit
	said := map[string]site.Text{}
	for _, list := range [][]site.Text{v.Required, v.Advisory, v.Without} {
		for _, name := range list {
			if first, twice := said[name.Value]; twice {
				c.report(Error, name.Pos, fmt.Sprintf("the step %q is named twice, first at %s", name.Value, first.Pos), "", "let it stand under one of required:, advisory: and without:")
				continue
			}
			said[name.Value] = name
		}
	}
}

// afterwards checks what the set-up and proof of a kind are played over.
func (c *checker) afterwards(kind *site.Kind) {
	over := kind.Reach.Value == site.OverSSH
	switch {
	case kind.SetUpPath == "" && kind.ProofPath == "":
	case !over && kind.DialoguePath == "":
		c.report(Error, firstPos(kind.SetUp, kind.Proof), fmt.Sprintf("the kind %s has no console, and its set-up or proof is to be played over it", kind.Name.Value), "", "write reach: ssh, or a dialogue: for its console")
	case over && kind.SSH.User.Value == "" && kind.FactoryUser.Value == "":
		c.report(Error, kind.Reach.Pos, fmt.Sprintf("nothing says who signs in to units of kind %s over SSH", kind.Name.Value), "", "write ssh: {user: …} in the kind")
	}
}

// reached checks a unit whose set-up and proof are played over SSH.
func (c *checker) reached(u *site.Unit, kind *site.Kind) {
	if kind.Reach.Value != site.OverSSH || kind.SetUpPath == "" && kind.ProofPath == "" {
		return
	}
	if len(u.Ports) == 0 {
		c.report(Error, u.Pos, fmt.Sprintf("%s is to be reached over SSH and has no port with an address", u.Name.Value), "", "plan a port, or write reach: console in the kind "+kind.Name.Value)
	}
	role := firstText(kind.SSH.Role, site.Text{Value: site.DefaultRole, Pos: kind.Reach.Pos})
	if !c.plays(role.Value, u, kind) {
		c.report(Error, role.Pos, fmt.Sprintf("%s is to be reached over SSH, and no secret plays the role %q for it", u.Name.Value, role.Value), "", "give the role a secret under roles:, or name another role in ssh: {role: …}")
	}
}

// plays tells whether a secret plays a role for a unit: see maker.secrets.
func (c *checker) plays(role string, u *site.Unit, kind *site.Kind) bool {
	for _, roles := range [][]site.Role{u.Roles, kind.Roles, c.s.Roles} {
		if slices.ContainsFunc(roles, func(r site.Role) bool { return r.Name.Value == role }) {
			return true
		}
	}
	k := c.cluster[u.Cluster.Name.Value]
	return c.secret[role] || role == JoinRole && k != nil && k.JoinSecret.Value != ""
}
