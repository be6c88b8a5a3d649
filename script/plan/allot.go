package plan

import (
	"fmt"
	"net/netip"

	"linehand/script/site"
)

// lockKey is one address in the lock file.
type lockKey struct {
	unit, port, cluster string
	six                 bool // the second address of a port
}

// request is one "auto" in the profile.
type request struct {
	text   *site.Text
	who    string
	n      *site.Network
	prefix netip.Prefix
	key    lockKey
}

// ask puts down that an address is to be allotted.
func (c *checker) ask(t *site.Text, who string, n *site.Network, p netip.Prefix, key lockKey) {
	c.requests = append(c.requests, request{t, who, n, p, key})
}

// allot gives every "auto" its address, once all written addresses have
// their holders: first those of the lock, so that they stay put, then the
// lowest free ones in the order of the profile. It returns the new lock.
func (c *checker) allot() site.Lock {
	held := c.locked()
	lowest := make(map[netip.Prefix]netip.Addr, len(c.s.Networks))
	for _, r := range c.requests {
		if said, ok := held[r.key]; ok {
			c.keep(r, said)
		}
	}
	var first *request
	fresh := 0
	for i, r := range c.requests {
		if _, ok := held[r.key]; ok {
			delete(held, r.key)
			continue
		}
		a, ok := c.lowestFree(r, lowest)
		if !ok {
			c.report(Error, r.text.Pos, fmt.Sprintf("%s in network %s has no free address left for %s", r.prefix, r.n.Name.Value, r.who), "", "take a larger subnet, or make the reserved ranges smaller")
			continue
		}
		c.claim(a, r.who, r.text.Pos)
		c.allotted[r.text] = a
		if fresh++; first == nil {
			first = &c.requests[i]
		}
	}
	if fresh > 0 {
		c.report(Warning, first.text.Pos, fmt.Sprintf("%s that stand%s in no lock file yet, the first %s for %s", counted(fresh, "address is allotted", "addresses are allotted"), map[bool]string{true: "s"}[fresh == 1], c.allotted[first.text], first.who),
			"an address that nothing holds moves when the profile grows", fmt.Sprintf("have %s written (linehand lock), and keep it under version control", c.s.Lock.File))
	}
	for key, said := range held {
		c.report(Note, said.Pos, fmt.Sprintf("%s is held for %s, which has no %q any more", said.Value, key, site.Auto), "", "")
	}
	return c.newLock()
}

func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// String names what an address is held for.
func (k lockKey) String() string {
	if k.cluster != "" {
		return "the cluster " + k.cluster
	}
	return k.unit + " port " + k.port
}

func (c *checker) locked() map[lockKey]site.Text {
	held := make(map[lockKey]site.Text, len(c.s.Lock.Entries))
	for _, e := range c.s.Lock.Entries {
		if e.Address.Value != "" {
			held[lockKey{e.Unit, e.Port, e.Cluster, false}] = e.Address
		}
		if e.Address6.Value != "" {
			held[lockKey{e.Unit, e.Port, e.Cluster, true}] = e.Address6
		}
	}
	return held
}

// keep gives a request the address that the lock holds for it. One that
// cannot stay is an error and not allotted anew: equipment may have it.
func (c *checker) keep(r request, said site.Text) {
	a := literal(said)
	before := len(c.problems)
	if c.inNetwork(a, said.Pos, r.n, r.prefix) {
		c.claim(a, r.who, said.Pos)
	}
	c.allotted[r.text] = a
	for i := range c.problems[before:] {
		if p := &c.problems[before+i]; p.Severity == Error {
			p.What = fmt.Sprintf("the address that the lock file holds for %s cannot stay: %s", r.who, p.What)
			p.Mend = "take this line out of the lock file to have another one allotted, and set up the equipment again if it has this one"
		}
	}
}

// lowestFree finds the lowest address that a host may have and nobody has.
// lowest remembers where each subnet was searched up to.
func (c *checker) lowestFree(r request, lowest map[netip.Prefix]netip.Addr) (netip.Addr, bool) {
	a, searched := lowest[r.prefix]
	if !searched {
		a = r.prefix.Addr()
	}
	for a.IsValid() && r.prefix.Contains(a) {
		next, free := c.look(a, r)
		lowest[r.prefix] = next
		if free {
			return a, true
		}
		a = next
	}
	lowest[r.prefix] = netip.Addr{}
	return netip.Addr{}, false
}

// look tells whether an address is free, and where to look next.
func (c *checker) look(a netip.Addr, r request) (next netip.Addr, free bool) {
	for _, x := range r.n.Reserved {
		if x.Contains(a) {
			return x.Last.Next(), false
		}
	}
	if s, ok := specialOf(a); ok && s.severity == Error && !s.block.Contains(r.prefix.Addr()) {
		return lastOf(s.block).Next(), false
	}
	what, _ := notAHost(a, r.prefix)
	_, taken := c.holder[a]
	_, server := c.server[a]
	return a.Next(), what == "" && !taken && !server
}

// newLock lists what every "auto" now stands for.
func (c *checker) newLock() site.Lock {
	lock := site.Lock{File: c.s.Lock.File}
	at := make(map[lockKey]int, len(c.requests))
	for _, r := range c.requests {
		a, ok := c.allotted[r.text]
		if !ok {
			continue
		}
		key := r.key
		key.six = false
		i, known := at[key]
		if !known {
			i = len(lock.Entries)
			at[key] = i
			lock.Entries = append(lock.Entries, site.Locked{Unit: key.unit, Port: key.port, Cluster: key.cluster})
		}
		text := site.Text{Value: a.String(), Pos: r.text.Pos}
		if r.key.six {
			lock.Entries[i].Address6 = text
		} else {
			lock.Entries[i].Address = text
		}
	}
	return lock
}
