// Package network is what a visit sees of the site's network from this bench:
// it looks at addresses, tries sign-ins and opens shells, with the packages
// console/reach and console/ssh. In a rehearsal everything stands at other
// addresses than planned, on this host.
package network

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"time"

	"linehand/console"
	"linehand/console/reach"
	"linehand/console/ssh"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/visit"
	"linehand/transcript"
)

// Network implements visit.Network. The zero value looks at the planned
// addresses themselves.
type Network struct {
	// Place tells where a planned address and port really is; nil: where it
	// is planned. What it does not move is not on this host, and not looked at.
	Place func(netip.AddrPort) netip.AddrPort
	// Probe are the numbers of the question whether an address is free.
	Probes reach.ProbeOptions
	// First is the first pause between two looks where the visit names none.
	First time.Duration
	// Log listens in place of the log target; nil: the bench listens itself
	// where it has the target's address.
	Log *reach.LogWatch
	// Older are the algorithms that units of SSH are offered besides.
	Older []string

	mu        sync.Mutex // guards the rest
	own       *reach.LogWatch
	listening int // how many visits use own
}

// place is where an address and port really is; ok is false when it is
// nowhere.
func (n *Network) place(a netip.Addr, port int) (netip.AddrPort, bool) {
	planned := netip.AddrPortFrom(a, uint16(port))
	if n.Place == nil {
		return planned, true
	}
	real := n.Place(planned)
	return real, real.Addr() != a
}

// Near implements visit.Network.
func (n *Network) Near(a netip.Addr) (string, bool) {
	if n.Place != nil {
		return "", true
	}
	if _, _, ok := reach.Bench(a); ok {
		return "", true
	}
	return fmt.Sprintf("this bench has no address in the subnet of %s: it looks through a router, or not at all", a), false
}

// Ports of a web page and of SSH, as IANA has them.
const (
	httpsPort = 443
	sshPort   = 22
)

// Probe implements visit.Network.
func (n *Network) Probe(ctx context.Context, addrs []netip.Addr) []visit.Seen {
	out := make([]visit.Seen, len(addrs))
	var all sync.WaitGroup
	for i, a := range addrs {
		real, ok := n.place(a, httpsPort)
		if !ok {
			out[i] = visit.Seen{State: transcript.Unseen, Text: elsewhere}
			continue
		}
		all.Go(func() {
			o := n.Probes
			if n.Place != nil {
				o.Port = int(real.Port())
			}
			s := reach.Probe(ctx, real.Addr(), o)
			out[i] = visit.Seen{State: s.State, Method: string(s.Method), Text: s.Detail, After: s.After}
			if s.State == reach.CannotTell {
				out[i].State = transcript.Unseen
			}
		})
	}
	all.Wait()
	return out
}

// elsewhere is why a rehearsal does not look at an address.
const elsewhere = "simulated units have no such address"

// Watch implements visit.Network.
func (n *Network) Watch(ctx context.Context, w visit.Wait, tell func(visit.Seen)) []visit.Seen {
	out := make([]visit.Seen, len(w.Looks))
	var looks []reach.Look
	var which []int
	for i, l := range w.Looks {
		look, ok := n.lookOf(l)
		if !ok {
			out[i] = visit.Seen{Look: l, State: transcript.Unseen, Text: elsewhere}
			continue
		}
		looks, which = append(looks, look), append(which, i)
	}
	o := reach.Options{Within: w.Within, First: w.Every, Most: script.MostEvery}
	if o.First == 0 || n.First > 0 {
		o.First = n.First
	}
	// The caller's function runs on the caller's goroutine.
	told := make(chan reach.Seen)
	over := make(chan []reach.Seen, 1)
	o.Tell = func(s reach.Seen) { told <- s }
	go func() { over <- reach.Watch(ctx, looks, o) }()
	for {
		select {
		case s := <-told:
			for k, l := range looks {
				if l == s.Look {
					tell(seenOf(w.Looks[which[k]], s))
					break
				}
			}
		case seen := <-over:
			for k, s := range seen {
				out[which[k]] = seenOf(w.Looks[which[k]], s)
			}
			return out
		}
	}
}

// lookOf is a look at the real place. On this host every address answers an
// echo, so that there a service is looked at instead.
func (n *Network) lookOf(l visit.Look) (reach.Look, bool) {
	look := reach.Look{Name: l.Name, Address: l.Address, By: reach.Method(l.By), Port: l.Port, Known: l.Known}
	if n.Place == nil {
		return look, true
	}
	switch {
	case l.By == script.ByICMP:
		look.By, look.Port = reach.TCP, httpsPort
	case l.Port == 0 && l.By == script.ByHTTPS:
		look.Port = httpsPort
	case l.Port == 0 && l.By == script.BySSH:
		look.Port = sshPort
	}
	real, ok := n.place(l.Address, look.Port)
	look.Address, look.Port = real.Addr(), int(real.Port())
	return look, ok
}

func seenOf(l visit.Look, s reach.Seen) visit.Seen {
	out := visit.Seen{Look: l, State: s.State, Method: string(s.Method), Text: s.Detail, Fingerprint: s.Fingerprint, After: s.After}
	if s.State == reach.Answers && s.From.Prefix.IsValid() {
		out.Text = fmt.Sprintf("%s; seen from %s", s.Detail, s.From)
	}
	return out
}

// TrySignIn implements visit.Network.
func (n *Network) TrySignIn(ctx context.Context, s visit.SignIn, password, hostKey string) (bool, error) {
	real, ok := n.place(s.Address, s.Port)
	if !ok {
		return false, errors.New(elsewhere)
	}
	return ssh.TrySignIn(ctx, real.String(), s.User, password, hostKey, n.Older...)
}

// Shell opens a shell at a unit, whose host key must be the pinned one.
func (n *Network) Shell(ctx context.Context, at netip.Addr, s plan.SSH, password func() (string, error), pin string) (console.Line, error) {
	real, ok := n.place(at, s.Port)
	if !ok {
		return nil, errors.New(elsewhere)
	}
	name := fmt.Sprintf("ssh:%s@%s", s.User, netip.AddrPortFrom(at, uint16(s.Port)))
	return ssh.Dial(ctx, name, ssh.Options{Address: real.String(), User: s.User, Password: password, Pin: pin, Older: s.Older})
}

// Hear implements visit.Network.
func (n *Network) Hear(ctx context.Context, l visit.Log) (string, bool, error) {
	w := n.Log
	if w == nil {
		if !isBench(ctx, l.Target) {
			return "", false, nil
		}
		var err error
		if w, err = n.listen(); err != nil {
			return "", true, err
		}
		defer n.leave()
	}
	after := time.Now()
	tick := time.NewTicker(logEvery)
	defer tick.Stop()
	for {
		for _, m := range w.Messages() {
			if !m.At.Before(after) && n.from(m, l) {
				return fmt.Sprintf("%s over %s from %s: %s", m.Format, m.Network, m.From, m.Text), true, nil
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return "", true, nil
		}
	}
}

// listen begins to listen as the log target, once for all visits.
func (n *Network) listen() (*reach.LogWatch, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.own == nil {
		w, err := reach.ListenForLog(reach.LogOptions{})
		if err != nil {
			return nil, err
		}
		n.own = w
	}
	n.listening++
	return n.own, nil
}

// leave ends what listen has begun, when nobody needs it any more.
func (n *Network) leave() {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.listening--; n.listening == 0 {
		n.own.Close()
		n.own = nil
	}
}

// logEvery is how often it is looked for new messages.
const logEvery = 200 * time.Millisecond

// from tells whether a message is of the unit.
func (n *Network) from(m reach.LogMessage, l visit.Log) bool {
	if m.Host == l.Host {
		return true
	}
	for _, a := range l.From {
		if real, ok := n.place(a, 0); ok && real.Addr() == m.From {
			return true
		}
	}
	return false
}

// isBench tells whether the bench has the target's address.
func isBench(ctx context.Context, target string) bool {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	addrs := []string{target}
	if _, err := netip.ParseAddr(target); err != nil {
		if addrs, err = net.DefaultResolver.LookupHost(ctx, target); err != nil {
			return false
		}
	}
	for _, text := range addrs {
		if a, err := netip.ParseAddr(text); err == nil {
			if _, own, ok := reach.Bench(a); ok && own.Addr() == a.Unmap() {
				return true
			}
		}
	}
	return false
}
