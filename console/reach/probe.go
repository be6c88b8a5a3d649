package reach

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"time"
)

// ProbeOptions are the numbers of a probe. Zero values take those of RFC
// 5227 section 1.1 (IPv4); for IPv6 RFC 4862 section 5.1 asks for one
// solicitation and a second, and the same numbers of ours do more than that.
type ProbeOptions struct {
	Count   int           // PROBE_NUM, 3
	Spread  time.Duration // PROBE_WAIT, 1 s: the first probe waits a random part of it; negative: none
	Between time.Duration // PROBE_MIN, 1 s; the pause is a random time from this to twice this (PROBE_MAX, 2 s)
	Listen  time.Duration // ANNOUNCE_WAIT, 2 s: how long to listen after the last probe
	Port    int           // where TCP is asked in the end; 0: 443, 22 and 80
}

func (o ProbeOptions) filled() ProbeOptions {
	if o.Count <= 0 {
		o.Count = 3
	}
	for _, d := range []struct {
		value     *time.Duration
		otherwise time.Duration
	}{{&o.Spread, time.Second}, {&o.Between, time.Second}, {&o.Listen, 2 * time.Second}} {
		if *d.value == 0 {
			*d.value = d.otherwise
		}
	}
	return o
}

// longest is how long a probe takes at most.
func (o ProbeOptions) longest() time.Duration {
	return max(o.Spread, 0) + 2*time.Duration(o.Count-1)*o.Between + o.Listen
}

// times yields the pause before each probe.
func (o ProbeOptions) pause(i int) time.Duration {
	switch {
	case i > 0:
		return o.Between + rand.N(max(o.Between, 1))
	case o.Spread > 0:
		return rand.N(o.Spread)
	}
	return 0
}

// Probe asks whether somebody has addr already, before a unit is given it.
// State is InUse, Free or CannotTell; NotLooked when ctx ended first.
//
// On the bench's own link it asks as a host does that is about to take the
// address: by ARP probes (RFC 5227) or neighbour solicitations for duplicate
// address detection (RFC 4862), from no address of its own, so that no
// neighbour learns anything wrong. That needs Linux and the right to open
// raw sockets. Otherwise, and off the link, it asks by ICMP and TCP, where
// silence proves less: Detail says how much.
func Probe(ctx context.Context, addr netip.Addr, o ProbeOptions) Seen {
	o = o.filled()
	started := time.Now()
	addr = addr.Unmap()
	seen := probe(ctx, addr, o)
	seen.Look = Look{Name: addr.String(), Address: addr, By: seen.Method, Port: o.Port}
	seen.After = time.Since(started)
	if ctx.Err() != nil && seen.State != InUse {
		seen.State, seen.Detail = NotLooked, "the probe was stopped before its end"
	}
	return seen
}

func probe(ctx context.Context, addr netip.Addr, o ProbeOptions) Seen {
	if !addr.IsValid() || addr.IsUnspecified() || addr.IsMulticast() {
		return Seen{State: CannotTell, Detail: fmt.Sprintf("%s is no address that a unit can have", addr)}
	}
	if addr.IsLoopback() {
		return probeLoopback(ctx, addr, o)
	}
	for own, iface := range ownAddresses() {
		if own.Addr() == addr.WithZone("") {
			return Seen{State: InUse, From: Source{Interface: iface, Prefix: own, InSubnet: true},
				Detail: fmt.Sprintf("the bench itself has %s, on %s", addr, iface)}
		}
	}
	from, err := sourceFor(addr)
	if err != nil {
		return Seen{State: CannotTell, Detail: err.Error()}
	}
	var seen Seen
	if !from.InSubnet {
		seen = probeAsking(ctx, addr, o, from, "the bench is not in its subnet")
	} else if seen, err = probeLink(ctx, addr, o, from); err != nil {
		seen = probeAsking(ctx, addr, o, from, err.Error())
	}
	seen.From = from
	return seen
}

// probeLink asks on the local link. An error says why that is not possible
// here.
func probeLink(ctx context.Context, addr netip.Addr, o ProbeOptions, from Source) (Seen, error) {
	by := ARP
	if addr.Is6() {
		by = ND
	}
	owner, err := onLink(ctx, from.Interface, addr, o)
	switch {
	case err != nil:
		return Seen{}, err
	case owner != "":
		return Seen{State: InUse, Method: by, Detail: fmt.Sprintf("%s on %s has %s", owner, from.Interface, addr)}, nil
	}
	return Seen{State: Free, Method: by, Detail: fmt.Sprintf("%d probes on %s were not answered", o.Count, from.Interface)}, nil
}

// probeAsking asks by ICMP and TCP, in the time that a probe would take.
func probeAsking(ctx context.Context, addr netip.Addr, o ProbeOptions, from Source, why string) Seen {
	limited, cancel := context.WithTimeout(ctx, max(o.longest(), time.Second))
	defer cancel()
	seen := lookICMP(limited, Look{Address: addr, Port: o.Port}, from)
	if seen.State == Answers {
		seen.State = InUse
		seen.Detail += from.about(addr)
		return seen
	}
	// Whoever is in the subnet has their own system ask the link for them.
	if from.InSubnet && seen.absent {
		return Seen{State: Free, Method: TCP, Detail: fmt.Sprintf("asked by ICMP and TCP (%s); the system's own question on the link found nobody", why)}
	}
	seen.State = CannotTell
	seen.Detail = fmt.Sprintf("nothing answers by ICMP or TCP, but some equipment answers neither, and the link could not be asked: %s", why)
	return seen
}

// probeLoopback: all addresses of 127.0.0.0/8 are the bench's own and answer
// every echo, so only a service there counts.
func probeLoopback(ctx context.Context, addr netip.Addr, o ProbeOptions) Seen {
	from, _ := inSubnet(addr)
	limited, cancel := context.WithTimeout(ctx, max(o.longest(), time.Second))
	defer cancel()
	ports := alive
	if o.Port != 0 {
		ports = []int{o.Port}
	}
	for _, port := range ports {
		if conn, err := connect(limited, addr, port, from); err == nil {
			conn.Close()
			return Seen{State: InUse, Method: TCP, From: from, Detail: fmt.Sprintf("port %d of this loopback address accepts", port)}
		}
	}
	return Seen{State: Free, Method: TCP, From: from, Detail: "nothing serves at this loopback address"}
}
